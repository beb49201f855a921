"""Dating readings: integer UTC seconds that advance with the monotonic clock and follow the wall clock by announced steps."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dewkeeper.clock import Clock
from dewkeeper.judge.types import Rebase

STEP_SECONDS = 3
"""A wall clock this far from the timeline was stepped, not slewed: NTP slews at most 0.5 ms a second."""
LEAP_SECONDS = 30 * 86400
"""A step forward that no time service vouches for and that is longer than this is not believed for a day."""
BELIEVED_AFTER_SECONDS = 86400
USABLE_AFTER_SECONDS = 3600
"""A clock that no time service has set yet serves the calendar after so long: a rack without network has no other."""

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")  # random(4)
# systemd-timesyncd.service(8): touches `synchronized` on every synchronization
_TIMESYNC = Path("/run/systemd/timesync")


@dataclass(frozen=True, slots=True)
class Doubt:
    """Stamps from `since` on rest on a clock that is not believed: monotonic seconds plus `offset`, in this boot."""

    since: int
    offset: float
    boot: str


def boot_id() -> str:
    """Return what tells this boot of the machine from every other, empty when the kernel does not say."""
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        return ""


def synchronised() -> bool | None:
    """Return whether a time service has set the clock since the machine started, None when nothing says so."""
    return (_TIMESYNC / "synchronized").exists() if _TIMESYNC.is_dir() else None


class Timeline:
    """The one source of time stamps. Safe to use from any thread.

    Between two steps the stamps are `anchor + elapsed`, so their differences are elapsed time whatever the wall
    clock does. `check`, called every cycle, notices a step and announces the `Rebase` that must enter the stream
    before anything stamped after it; `stamped` is for whatever must not enter it with a stamp from before a step.

    floor: the last time already stored. A machine without a battery clock boots in the past; as long as its wall
    clock is below the floor, stamps go on from the floor, so that order is kept until the true time arrives. A clock
    below the floor, one that no time service has set yet, and one that leaps ahead are in `doubt`: the step that ends
    it dates what was stamped since (`Rebase.dates_since`), because how long ago that was is known exactly.

    earlier: the doubt of the process before, which this one goes on with if the machine was not started since.
    """

    def __init__(
        self,
        clock: Clock,
        floor: int = 0,
        synchronised: Callable[[], bool | None] = lambda: None,
        boot: str = "",
        earlier: Doubt | None = None,
    ) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._floor = floor
        self._synchronised = synchronised
        self._boot = boot
        self._began = clock.monotonic()
        self._behind = clock.wall() < floor
        self._leapt: float | None = None  # monotonic second of a leap that is not believed yet
        anchor = floor + 1 if self._behind else clock.wall()
        self._offset = anchor - clock.monotonic()
        self._since: int | None = None
        self._order = floor  # what is dated stays after this second: the last stored before the doubt began
        if earlier is not None and boot and earlier.boot == boot:
            self._offset, self._since = earlier.offset, earlier.since
        elif self._behind or synchronised() is False:
            self._since = int(anchor)
        elif floor and anchor - floor > LEAP_SECONDS and not synchronised():
            self._leapt, self._since = self._began, int(anchor)

    @property
    def doubt(self) -> Doubt | None:
        """What is not dated for certain, to be kept for the next process."""
        with self._lock:
            return None if self._since is None else Doubt(self._since, self._offset, self._boot)

    def now(self) -> int:
        """Return the current time in integer UTC seconds on this timeline."""
        with self._lock:
            return int(self._clock.monotonic() + self._offset)

    def trusted(self) -> bool:
        """Return whether the calendar may go by this clock."""
        with self._lock:
            if self._behind or self._leapt is not None:
                return False
            return self._since is None or self._clock.monotonic() - self._began >= USABLE_AFTER_SECONDS

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
            # Not even as late as what is stored: stamps go on from the floor until a better time is known.
            if self._behind and wall < self._floor:
                return None
            self._behind = False
            monotonic, vouched = self._clock.monotonic(), self._synchronised()
            drift = wall - monotonic - self._offset
            step = round(drift) if abs(drift) >= STEP_SECONDS else 0
            before = int(monotonic + self._offset)
            self._offset += step
            # What could only be dated to before what was stored already keeps its stamps: order holds.
            dates_since = self._since if step and self._since is not None and self._since + step > self._order else None
            # A second step, a time service, or a day without either settles whether the leap was true.
            if self._leapt is not None and (step or vouched or monotonic - self._leapt >= BELIEVED_AFTER_SECONDS):
                self._leapt = self._since = None
            # A time service says so; or none can be asked, and somebody has just set the clock.
            if vouched or (step and vouched is None):
                self._since = None
            if step > LEAP_SECONDS and not vouched:
                self._leapt = monotonic
                if dates_since is None:
                    # What was stamped before the leap has its true time, and nothing that is dated later may pass it.
                    self._order = before - 1
                self._since = int(monotonic + self._offset) if dates_since is None else dates_since + step
            # Stepped and still in doubt: what could be dated went along with the step, else the doubt begins anew here.
            elif self._since is not None and step:
                self._since = self._since + step if dates_since is not None else int(monotonic + self._offset)
            if not step:
                return None
            rebase = Rebase(time=int(monotonic + self._offset), step_seconds=step, dates_since=dates_since)
            announce(rebase)
            return rebase
