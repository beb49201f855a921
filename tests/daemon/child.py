"""A real daemon in a process of its own, its time running faster: to be killed.

usage: child.py CONFIG RATE BEGAN

BEGAN: the real UTC second that is the fixed start of the fast day, the same for all processes of one test.
"""

from __future__ import annotations

import logging
import sys
import threading
import time
from pathlib import Path

from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper.service.signals import EndSignal
from dewkeeper_config.loading import load
from dewkeeper_drivers.simulated import register_clock

_START = 1_790_000_000.0


class FastClock:
    """The machine's clocks, so many times as fast; wall time goes on in every process of a test."""

    def __init__(self, rate: float, began: float) -> None:
        self._rate = rate
        self._began = began

    def monotonic(self) -> float:
        """Return scaled monotonic seconds."""
        return time.monotonic() * self._rate

    def wall(self) -> float:
        """Return a wall clock that runs on, scaled, from a fixed moment."""
        return _START + (time.time() - self._began) * self._rate

    def wait(self, event: threading.Event, seconds: float | None) -> bool:
        """Wait so many scaled seconds."""
        return event.wait(None if seconds is None else max(0.0, seconds) / self._rate)


def main() -> None:
    """Run until told to stop."""
    logging.basicConfig(level=logging.ERROR)
    clock = FastClock(float(sys.argv[2]), float(sys.argv[3]))
    register_clock("child", clock.wall)
    end = EndSignal()
    daemon = Daemon(load(Path(sys.argv[1])), clock=clock, alarm=SilentAlarm)
    daemon.start()
    print("running", flush=True)
    while not end.wait(3600):
        pass
    daemon.stop()


if __name__ == "__main__":
    main()
