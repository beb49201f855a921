"""The campaign's time: real time in which the daemon could do its work, so that a busy machine is no fault of the daemon's.

It runs with the machine's clock while the watched processes wait for something other than the machine, and a tenth as
fast while one of their threads computes, waits for a processor or for the disk (state R or D of proc(5)). So it passes in
a bus call that hangs, a server that is silent or a process that is stopped, and hardly in what only takes long because
others are busy too. The servers that the daemon talks to live in this process, so it is watched as well. A look that comes
late counts for no more than three.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import struct
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType

LOOK_SECONDS = 0.02
WHILE_BUSY = 0.1
_MOST_SECONDS = 3 * LOOK_SECONDS
_STATE = struct.Struct("=ddd")
_looking: set[int] = set()
"""Threads that keep a pace: at the moment of its look each of them runs."""


class Told:
    """Reads the time that a `Pace` keeps in a file; in any process. It never goes back."""

    def __init__(self, file: Path) -> None:
        with file.open("rb") as handle:
            self._shared = mmap.mmap(handle.fileno(), 2 * _STATE.size, access=mmap.ACCESS_READ)

    def seconds(self) -> float:
        """Return the seconds since the pace began, as they pass between two looks too."""
        while (both := self._shared[:])[: _STATE.size] != both[_STATE.size :]:
            pass  # caught in the middle of a change
        passed, at, rate = _STATE.unpack_from(both)
        return float(passed + rate * min(_MOST_SECONDS, time.monotonic() - at))


class Pace:
    """Keeps the time from entering to leaving. processes: the ids of those whose work it waits for, asked at each look."""

    def __init__(self, file: Path, processes: Callable[[], Iterable[int]]) -> None:
        file.write_bytes(bytes(2 * _STATE.size))
        with file.open("r+b") as handle:
            self._shared = mmap.mmap(handle.fileno(), 2 * _STATE.size)
        self._processes = processes
        self._told = Told(file)
        self._stop = threading.Event()
        self._keep(0.0, time.monotonic(), 1.0)
        self._thread = threading.Thread(target=self._run, name="pace")

    def __enter__(self) -> Pace:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()

    def seconds(self) -> float:
        """Return the seconds since it began."""
        return self._told.seconds()

    def _keep(self, passed: float, at: float, rate: float) -> None:
        self._shared[:] = 2 * _STATE.pack(passed, at, rate)

    def _run(self) -> None:
        _looking.add(threading.get_native_id())
        passed, at, rate = 0.0, time.monotonic(), 1.0
        while not self._stop.wait(LOOK_SECONDS):
            busy = any(_busy(process) for process in (*self._processes(), os.getpid()))
            now = time.monotonic()
            passed += rate * min(_MOST_SECONDS, now - at)
            at, rate = now, WHILE_BUSY if busy else 1.0
            self._keep(passed, at, rate)
        _looking.discard(threading.get_native_id())


def _busy(process: int) -> bool:
    """Return whether a thread of a process has the machine's work to do, or waits for the machine to do it."""
    with contextlib.suppress(OSError):  # it has ended
        for task in Path(f"/proc/{process}/task").iterdir():
            with contextlib.suppress(OSError):
                if int(task.name) not in _looking and (task / "stat").read_bytes().rpartition(b") ")[2][:1] in b"RD":
                    return True
    return False
