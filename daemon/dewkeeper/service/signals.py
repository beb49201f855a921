"""Being asked to end, by systemd (SIGTERM) or at the keyboard (SIGINT)."""

from __future__ import annotations

import os
import select
import signal
from types import FrameType
from typing import Final

_ENDING: Final = (signal.SIGTERM, signal.SIGINT)


class EndSignal:
    """From its making on, SIGTERM and SIGINT end `wait` and nothing else. To be made and waited for in the main thread.

    Waiting is reading a pipe that the interpreter writes the signal's number into. A handler that sets a
    `threading.Event` would run in the very thread that waits for it, and block for good when the signal comes while that
    thread holds the Event's lock.
    """

    def __init__(self) -> None:
        self._read, write = os.pipe()
        os.set_blocking(write, False)
        signal.set_wakeup_fd(write, warn_on_full_buffer=False)
        for number in _ENDING:
            signal.signal(number, _noted)
        self._came = False

    def wait(self, seconds: float) -> bool:
        """Return whether a signal came, at once or within so many seconds."""
        if not self._came and select.select([self._read], [], [], seconds)[0]:
            self._came = not set(_ENDING).isdisjoint(os.read(self._read, 4096))
        return self._came


def _noted(number: int, frame: FrameType | None) -> None:
    """Do nothing: without a handler the signal would end the process."""
