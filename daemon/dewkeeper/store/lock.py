"""The writer's place: one process at a time may write the database, and the others are told who it is.

SQLite's own locks keep two transactions apart; they do not keep a restored file from being pulled away under a running
daemon. This one does, and the kernel gives it up with the process, however that ends.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from dewkeeper.store.errors import StoreBusy

LOCK_NAME = "writer.lock"
DAEMON = "the daemon"
"""How every name begins under which the running daemon has the place."""


class WriterLock:
    """Held from construction to `release`. Raises StoreBusy naming the holder, OSError when the folder takes no file.

    unclean: whether the last holder ended without releasing it: a power cut, a crash, a kill.
    """

    def __init__(self, folder: Path, who: str) -> None:
        self._handle = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        give_to_owner(folder / LOCK_NAME)
        # Read before the lock is asked for: whoever has it wrote its name, and one that was killed left it there.
        holder = os.read(self._handle, 200).decode("utf-8", "replace").strip()
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._handle)
            raise StoreBusy(
                holder,
                f"{holder or 'another program'} has the database in {folder} open for writing; nothing was changed. "
                "If that is the daemon, stop it first: `sudo systemctl stop dewkeeper`",
            ) from error
        self.unclean = bool(holder)
        with contextlib.suppress(OSError):  # a full disk: the place is taken all the same, only nameless
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, f"{who} (process {os.getpid()})\n".encode(), 0)

    def release(self, *, clean: bool = True) -> None:
        """Give the place up, in good order or not; safe to call twice."""
        if self._handle >= 0:
            # Where that fails the next start checks the file whole: slower, and not wrong.
            with contextlib.suppress(OSError):
                if clean:
                    os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> WriterLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def give_to_owner(path: Path) -> None:
    """Let a file made by root belong to whom its folder belongs: after `sudo dewkeeper restore` the daemon must open it."""
    if os.geteuid() == 0:
        owner = path.parent.stat()
        with contextlib.suppress(OSError):
            os.chown(path, owner.st_uid, owner.st_gid)


def used_before(folder: Path) -> bool:
    """Return whether a writer was ever here, so that a missing database is a loss and no first start."""
    return (folder / LOCK_NAME).exists()
