"""Quarter hours by probe: what the believed readings come to, made as they come and kept for good.

Accounting: a counted reading stands for the time to the next reading of its probe, believed or not, and for at most
three polls; what nothing stands for is unwatched. The time belongs to the quarter hour the reading lies in. Limits are
those in force at the reading's time.

A row holds raw words, so that a calibration stays correctable: t_min and h_min, the distance of the largest from the
smallest (t_range, h_range), the sum of all distances from the smallest (t_over, h_over), and t_driest, the distance from
t_min of the temperature read together with h_min. h_at and t_at: seconds into the quarter of the smallest, and of the
largest times 1024. Of a reading whose humidity alone is doubted, t and heat take part, and nothing else: t_only holds the
seconds such readings stand for, and 4096 times how many they are. n and watched are of those believed whole, and without
any the columns of h say nothing. humid: seconds below target, above target, below tolerable, above tolerable, twelve bits each; heat:
below and above tolerable temperature. dose: %RH outside target times seconds.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from dewkeeper.judge.types import Quality, Reading
from dewkeeper.store.database import FOREVER, PROBE_BITS
from dewkeeper.store.in_force import InForce
from dewkeeper_config.models import Limits

QUARTER_SECONDS = 900
DAY_QUARTERS = 96
HOLD_POLLS = 3
LONGEST_HOLD_SECONDS = HOLD_POLLS * 600  # of the slowest period that a file may ask for

COLUMNS = "n, watched, t_min, t_range, t_over, h_min, h_range, h_over, t_driest, h_at, t_at, humid, heat, dose, t_only"
Row = tuple[int, ...]
"""quarter, then the columns."""


class Layout(NamedTuple):
    """A table of quarter hours: by stretches of so many quarters, in each by probe, each probe's in order of time.

    key: ((quarter // quarters) * 1024 + probe id) << bits | quarter % quarters.
    """

    table: str
    quarters: int
    bits: int

    def begin(self, quarter: int) -> int:
        """Return the first quarter of the stretch that a quarter lies in."""
        return quarter // self.quarters * self.quarters

    def key(self, quarter: int, number: int) -> int:
        """Return where the quarter of a probe lies."""
        stretch, rest = divmod(quarter, self.quarters)
        return (stretch << PROBE_BITS | number) << self.bits | rest


RECENT = Layout("recent", 1, 0)
"""Until the morning was asked for: what is over is appended, and a night of all probes lies together."""
ROLLUP = Layout("rollup", DAY_QUARTERS, 7)
"""For good."""
LONG_QUARTERS = 100 * DAY_QUARTERS
"""A span that long may be open-ended: where its table begins is looked up."""
LAST_SECOND = (1 << 31) - 1
"""Subtracted from, so that of two equal largest values the earlier is taken."""


class Standards:
    """How long a reading of a probe stands, and by which limits it is measured, at any moment."""

    def __init__(self, in_force: InForce) -> None:
        self._in_force = in_force
        self._moments = in_force.moments()
        self._known: dict[str, tuple[int, tuple[int, Limits | None, int]]] = {}  # since when, and what was found last

    def at(self, probe: str, time: int) -> tuple[int, Limits | None, int]:
        """Return the longest hold in seconds, the limits, and until when (exclusive) both stay the same."""
        since, known = self._known.get(probe, (FOREVER, (0, None, 0)))
        if since <= time < known[2]:
            return known
        index = bisect_right(self._moments, time)
        since = self._moments[index - 1] if index else -1
        until = self._moments[index] if index < len(self._moments) else FOREVER
        settings = self._in_force.settings(time)
        facts = settings.probes.get(probe) if settings is not None else None
        enclosure = facts.enclosure if facts is not None else None
        limits = self._in_force.limits(enclosure, time) if enclosure is not None else None
        found = self.hold(time), limits, until
        self._known[probe] = since, found
        return found

    def hold(self, time: int) -> int:
        """Return for how long at most a reading of this moment stands, in seconds."""
        settings = self._in_force.settings(time)
        return HOLD_POLLS * (settings.poll_seconds if settings is not None else 60)

    def longest_hold(self, time: int) -> int:
        """Return for how long at most a reading shortly before a moment may stand, in seconds."""
        moments = [time - LONGEST_HOLD_SECONDS, *(m for m in self._moments if time - LONGEST_HOLD_SECONDS < m < time)]
        return max(self.hold(moment) for moment in moments)


class Quarter:
    """The quarter hour of one probe that is being filled. Readings come in ascending order."""

    __slots__ = (
        "_alone", "_alone_seconds", "_at", "_beyond", "_cold", "_damp", "_dose", "_dry", "_h_high", "_h_high_at", "_h_low", "_h_low_at", "_h_sum",
        "_heat", "_hold", "_hot", "_humid", "_humidity", "_limits", "_next", "_probe", "_standards", "_t_driest", "_t_high",
        "_t_high_at", "_t_low", "_t_low_at", "_t_sum", "_temperature", "_valid", "_watched", "_whole", "n", "number",
    )  # fmt: skip

    def __init__(self, standards: Standards, probe: str) -> None:
        self._standards = standards
        self._probe = probe
        self._valid = self._next = -1  # until when limits and hold are known; until when these and the quarter last
        self._limits: Limits | None = None
        self._dry = self._cold = float("-inf")
        self._damp = self._hot = float("inf")
        self._hold = 0
        self._at = -1  # when the reading came that still stands, -1: none does
        self._whole = True  # whether that one is believed whole, not its temperature alone
        self._beyond = False  # whether it is outside target or tolerable temperature
        self._humidity = self._temperature = 0.0
        self._t_low = self._t_high = self._h_low = self._h_high = self._t_driest = 0
        self._t_low_at = self._t_high_at = self._h_low_at = self._h_high_at = 0
        self._begin(-1)

    def take(self, time: int, t: int, h: int, temperature_c: float, humidity_percent: float) -> Row | None:
        """Take a reading believed whole: words and calibrated values. Return the quarter before, if that ended and has any."""
        # Once per reading of every probe: written out, without a call in the usual case.
        ended = None
        at = self._at
        if at >= 0:
            held = time - at
            if held > self._hold:
                held = self._hold
            if self._whole:
                self._watched += held
            else:
                self._alone_seconds += held
                self._whole = True
            if self._beyond:
                self._stand(held)
        if time >= self._next:
            self._at = -1
            ended = self._go_on(time)
        if self.n:
            if h < self._h_low:
                self._h_low, self._h_low_at, self._t_driest = h, time, t
            elif h > self._h_high:
                self._h_high, self._h_high_at = h, time
            if t < self._t_low:
                self._t_low, self._t_low_at = t, time
            elif t > self._t_high:
                self._t_high, self._t_high_at = t, time
        else:
            self._h_low = self._h_high = h
            self._h_low_at = self._h_high_at = time
            self._t_driest = t
            self._widen(time, t)
        self.n += 1
        self._t_sum += t
        self._h_sum += h
        self._at = time
        if self._dry <= humidity_percent <= self._damp and self._cold <= temperature_c <= self._hot:
            self._beyond = False
        else:
            self._beyond = True
            self._humidity, self._temperature = humidity_percent, temperature_c
        return ended

    def take_temperature(self, time: int, t: int, temperature_c: float) -> Row | None:
        """Take a reading whose humidity is doubted. Return as `take` does."""
        ended = self.miss(time)
        self._widen(time, t)
        self._alone += 1
        self._t_sum += t
        self._at, self._whole = time, False
        self._beyond = not self._cold <= temperature_c <= self._hot
        self._humidity, self._temperature = float("nan"), temperature_c  # which is beyond no limit
        return ended

    def miss(self, time: int) -> Row | None:
        """A reading came that does not count, or could have come: what stood ends. Return as `take` does."""
        if self._at >= 0:
            held = min(time - self._at, self._hold)
            if self._whole:
                self._watched += held
            else:
                self._alone_seconds += held
            if self._beyond:
                self._stand(held)
            self._at, self._whole = -1, True
        return self._go_on(time) if time >= self._next else None

    def _widen(self, time: int, t: int) -> None:
        """Let a temperature be the quarter's lowest or highest, where it is."""
        if not self.n and not self._alone:
            self._t_low = self._t_high = t
            self._t_low_at = self._t_high_at = time
        elif t < self._t_low:
            self._t_low, self._t_low_at = t, time
        elif t > self._t_high:
            self._t_high, self._t_high_at = t, time

    def _go_on(self, time: int) -> Row | None:
        """Begin another quarter or look the limits up anew, or both."""
        ended = None
        if time // QUARTER_SECONDS != self.number:
            ended = self.row()
            self._begin(time // QUARTER_SECONDS)
        if time >= self._valid:
            self._hold, limits, self._valid = self._standards.at(self._probe, time)
            self._limits = limits
            self._dry, self._damp, self._cold, self._hot = float("-inf"), float("inf"), float("-inf"), float("inf")
            if limits is not None:
                self._dry, self._damp = limits.humidity_target.low, limits.humidity_target.high
                self._cold, self._hot = limits.temperature_tolerable.low, limits.temperature_tolerable.high
        self._next = min(self._valid, (self.number + 1) * QUARTER_SECONDS)
        return ended

    def silent(self, time: int) -> bool:
        """Return whether the last reading stands no longer, however late the next one comes."""
        return self._at < 0 or time - self._at >= self._hold

    def row(self) -> Row | None:
        """Return the quarter as it is now, None without counted readings."""
        if not self.n and not self._alone:
            return None
        start = self.number * QUARTER_SECONDS
        humidity = (0, 0, 0, 0, 0) if not self.n else (
            self._h_low, self._h_high - self._h_low, self._h_sum - self.n * self._h_low, self._t_driest - self._t_low,
            self._h_low_at - start | self._h_high_at - start << 10,
        )  # fmt: skip
        return (
            self.number, self.n, self._watched,
            self._t_low, self._t_high - self._t_low, self._t_sum - (self.n + self._alone) * self._t_low, *humidity,
            self._t_low_at - start | self._t_high_at - start << 10,
            self._humid, self._heat, round(self._dose), self._alone_seconds | self._alone << 12,
        )  # fmt: skip

    def _begin(self, number: int) -> None:
        self.number = number
        self.n = self._watched = self._alone = self._alone_seconds = self._t_sum = self._h_sum = self._humid = (
            self._heat
        ) = 0
        self._dose = 0.0

    def _stand(self, held: int) -> None:
        """Count the seconds that a reading beyond something stood."""
        if self._limits is None:
            return
        humidity, temperature = self._humidity, self._temperature
        target, tolerable = self._limits.humidity_target, self._limits.humidity_tolerable
        if humidity < target.low:
            self._humid += held
            self._dose += held * (target.low - humidity)
            if humidity < tolerable.low:
                self._humid += held << 24
        elif humidity > target.high:
            self._humid += held << 12
            self._dose += held * (humidity - target.high)
            if humidity > tolerable.high:
                self._humid += held << 36
        if temperature < self._cold:
            self._heat += held
        elif temperature > self._hot:
            self._heat += held << 12


def calm_row(
    standards: Standards, times: Sequence[int], longest: int, ts: Sequence[int], hs: Sequence[int],
    readings: Sequence[tuple[Reading, Quality]], following: int,
) -> Row | None:  # fmt: skip
    """Return the quarter of a probe that was within its limits all the time, None when it takes a `Quarter` to tell.

    The same as a `Quarter` gives at a fraction of its cost, for nearly all quarters are like that. ts, hs, readings: the words
    and readings of one quarter and one calibration, all of which count, at `times`; longest: seconds between two of them; following: when
    the next one came.
    """
    hold, limits, until = standards.at(readings[0][0].probe, times[0])
    if longest > hold or times[-1] >= until:
        return None
    ascending = sorted(hs)
    h_low, h_high = ascending[0], ascending[-1]
    ascending = sorted(ts)
    t_low, t_high = ascending[0], ascending[-1]
    driest, dampest, coldest, warmest = hs.index(h_low), hs.index(h_high), ts.index(t_low), ts.index(t_high)
    if limits is not None:
        # A word's order is its value's, so the extremes speak for all.
        target, tolerable = limits.humidity_target, limits.temperature_tolerable
        dry, damp = readings[driest][0].humidity_percent, readings[dampest][0].humidity_percent
        cold, hot = readings[coldest][0].temperature_c, readings[warmest][0].temperature_c
        if dry < target.low or damp > target.high or cold < tolerable.low or hot > tolerable.high:  # type: ignore[operator]  # they count
            return None
    n, start = len(times), times[0] // QUARTER_SECONDS * QUARTER_SECONDS
    return (
        start // QUARTER_SECONDS, n, times[-1] - times[0] + min(following - times[-1], hold),
        t_low, t_high - t_low, sum(ts) - n * t_low, h_low, h_high - h_low, sum(hs) - n * h_low, ts[driest] - t_low,
        times[driest] - start | times[dampest] - start << 10, times[coldest] - start | times[warmest] - start << 10, 0, 0, 0, 0,
    )  # fmt: skip
