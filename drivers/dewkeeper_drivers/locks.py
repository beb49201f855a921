"""One user at a time on one adapter, across processes.

Two programs on one controller interleave: one selects a channel, the other reads through it, and another
enclosure's air arrives without any error. Measured on the wire-level bus: 1 to 6 % errors and, rarely, a wrong probe.
"""

from __future__ import annotations

import fcntl
import os
import re
import time
from pathlib import Path

from dewkeeper_drivers.errors import BusBusy

_RETRY_SECONDS = 0.005
_PROC = Path("/proc")


class AdapterLock:
    """An flock on `path`. The kernel releases it when its process dies, so nothing stale is left."""

    def __init__(self, path: Path) -> None:
        self._path = path
        # Append mode: the file may be a device node, and a plain lock file may not exist yet.
        self._descriptor = os.open(path, os.O_RDWR | os.O_CLOEXEC | (0 if path.exists() else os.O_CREAT), 0o660)

    def acquire(self, patience_seconds: float) -> None:
        """Return holding the lock. Raises BusBusy, naming the holder, after so many seconds."""
        give_up = time.monotonic() + patience_seconds
        while True:
            try:
                # flock(2) knows no deadline, so it is asked again until patience ends.
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() >= give_up:
                    holder = self.holder() or "another program"
                    raise BusBusy(f"{self._path} has been in use for {patience_seconds:g} s by {holder}") from None
                time.sleep(_RETRY_SECONDS)
            else:
                return

    def release(self) -> None:
        """Let the next one in."""
        fcntl.flock(self._descriptor, fcntl.LOCK_UN)

    def holder(self) -> str | None:
        """Return `process 123 (dewkeeper run)` for whoever holds the lock, None if that cannot be told."""
        return holder_of(self._path)

    def close(self) -> None:
        """Close the file, which also releases."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def holder_of(path: Path) -> str | None:
    """Return who holds an flock on `path`, in words, by the kernel's list of locks; None if nobody or unknown."""
    try:
        inode = path.stat().st_ino
        locks = (_PROC / "locks").read_text()
    except OSError:
        return None
    for line in locks.splitlines():
        # proc(5): "1: FLOCK  ADVISORY  WRITE 1234 00:05:6789 0 EOF"; waiting ones have "->" before the word.
        found = re.match(rf"\d+: FLOCK\s+\S+\s+\S+\s+(\d+)\s+[0-9a-f]+:[0-9a-f]+:{inode}\s", line)
        if found:
            return _in_words(found[1])
    return None


def _in_words(pid: str) -> str:
    try:
        command = (_PROC / pid / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace").strip()
    except OSError:
        command = ""
    return f"process {pid} ({command[:80]})" if command else f"process {pid}"
