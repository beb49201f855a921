"""Giving memory back that a large piece of work has used."""

from __future__ import annotations

import contextlib
import ctypes
import gc

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
"""Parameters of mallopt(3), from glibc's malloc.h."""
_LARGE_BYTES = 65536


def keep_little() -> None:
    """Let what is freed be given back at once where it is large, and let all threads share one heap; never raises.

    glibc gives each thread a heap of its own and raises what it calls large to the largest block it has seen freed. Of
    a month's rack of 128 probes that kept 3 MB resident after a night (30 November 2026). Other C libraries have no such call.
    """
    with contextlib.suppress(AttributeError, OSError):
        library = ctypes.CDLL(None)
        for parameter, value in ((_ARENA_MAX, 1), (_MMAP_THRESHOLD, _LARGE_BYTES), (_TRIM_THRESHOLD, _LARGE_BYTES)):
            library.mallopt(parameter, value)


def give_back() -> None:
    """Return freed memory to the system, after a start or the nightly job; never raises.

    glibc keeps what was freed for the next allocation of the same thread, which is the next night's: malloc_trim(3). A
    night of 128 probes leaves 8.1 MB more resident, 5.0 MB after this (29 November 2026). Other C libraries have no such call.
    """
    gc.collect()
    with contextlib.suppress(AttributeError, OSError):
        ctypes.CDLL(None).malloc_trim(0)
