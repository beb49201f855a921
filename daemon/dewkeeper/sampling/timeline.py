"""Dating readings: integer UTC seconds that advance with the monotonic clock and follow the wall clock by announced steps."""

from __future__ import annotations

import threading
from collections.abc import Callable

from dewkeeper.clock import Clock
from dewkeeper.judge.types import Rebase

STEP_SECONDS = 3
"""A wall clock this far from the timeline was stepped, not slewed: NTP slews at most 0.5 ms a second."""


class Timeline:
    """The one source of time stamps. Safe to use from any thread.

    Between two steps the stamps are `anchor + elapsed`, so their differences are elapsed time whatever the wall
    clock does. `check`, called every cycle, notices a step and announces the `Rebase` that must enter the stream
    before anything stamped after it; `stamped` is for whatever must not enter it with a stamp from before a step.

    floor: the last time already stored. A machine without a battery clock boots in the past; as long as its wall
    clock is below the floor it is not trusted, and stamps go on from the floor, so that order is kept until the true
    time arrives as a `Rebase`.
    """

    def __init__(self, clock: Clock, floor: int = 0) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._floor = floor
        self._trusted = clock.wall() >= floor
        anchor = clock.wall() if self._trusted else floor + 1
        self._offset = anchor - clock.monotonic()

    def now(self) -> int:
        """Return the current time in integer UTC seconds on this timeline."""
        with self._lock:
            return int(self._clock.monotonic() + self._offset)

    def trusted(self) -> bool:
        """Return whether the wall clock has been at or past the last stored time since this start."""
        with self._lock:
            return self._trusted

    def stamped(self, put: Callable[[int], None]) -> None:
        """Call `put` with the current time, and let no step come between the stamp and its end."""
        with self._lock:
            put(int(self._clock.monotonic() + self._offset))

    def check(self, announce: Callable[[Rebase], None] = lambda _: None) -> Rebase | None:
        """Follow the wall clock; return the step, None when there was none worth it.

        announce: called with the step before anybody is given a time after it.
        """
        with self._lock:
            wall = self._clock.wall()
            if not self._trusted and wall < self._floor:
                return None
            self._trusted = True
            drift = wall - self._clock.monotonic() - self._offset
            if abs(drift) < STEP_SECONDS:
                return None
            step = round(drift)
            self._offset += step
            rebase = Rebase(time=int(self._clock.monotonic() + self._offset), step_seconds=step)
            announce(rebase)
            return rebase
