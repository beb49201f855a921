"""Runs in the virtual machine as root: stops one thread of a process, the one that writes to the disk, and no other.

A thread that ptrace(2) has interrupted stands still while the others of its process go on: what a writer that hangs
in the kernel looks like from outside. It stays so until the process is killed.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import time
from pathlib import Path

_SEIZE, _INTERRUPT = 0x4206, 0x4207  # linux/ptrace.h
_ALL = 0x40000000  # __WALL of linux/wait.h: threads too


def written(process: int) -> dict[int, int]:
    """Return thread -> bytes it has sent towards the disk so far (proc(5), io)."""
    found = {}
    for task in Path(f"/proc/{process}/task").iterdir():
        with contextlib.suppress(OSError):  # a thread that has ended meanwhile
            lines = dict(line.split(": ") for line in (task / "io").read_text().splitlines())
            found[int(task.name)] = int(lines["write_bytes"])
    return found


def main(process: int, watched_seconds: float) -> None:
    """Hold the thread that wrote most in so many seconds."""
    before = written(process)
    time.sleep(watched_seconds)
    after = written(process)
    grown = {thread: after[thread] - before.get(thread, 0) for thread in after}
    thread = max(grown, key=lambda one: grown[one])
    if grown[thread] == 0:
        sys.exit("no thread wrote anything")
    libc = ctypes.CDLL(None, use_errno=True)
    for request in (_SEIZE, _INTERRUPT):
        if libc.ptrace(request, ctypes.c_long(thread), None, None):
            sys.exit(f"ptrace {request:#x} of thread {thread}: {os.strerror(ctypes.get_errno())}")
    print(f"thread {thread} of {process} stands still; it had written {grown[thread]} bytes", flush=True)
    while Path(f"/proc/{process}/task/{thread}").exists():
        with contextlib.suppress(ChildProcessError):  # its end is ours to collect: without that the process cannot end
            os.waitpid(thread, os.WNOHANG | _ALL)
        time.sleep(1)


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]))
