"""What a probe's last day was like: hourly means and extremes, and its usual distance from its room."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterable
from statistics import median
from typing import Final

from dewkeeper.air import humidity_at
from dewkeeper.judge.dump import remembered

HOURS_KEPT: Final = 44
"""So many that the last eight hours, a deed before them, and the same hours of the day before that deed are among them."""
USUAL_HOURS: Final = 26
"""What is usual is what the last day was like."""
LEARNED_HOURS: Final = 6
"""Hours of a probe's own past without which nothing is concluded from what is usual for it."""

TRAIL_SECONDS: Final = 300
"""What is compared with the newest reading is up to so old."""
LOOK_SECONDS: Final = 300
LOOKS_KEPT: Final = 48
"""Four hours of looks at one every five minutes of readings."""

_ENOUGH_WEIGHT: Final = 16_000
"""A third of what looks every five minutes come to."""
CYCLE_SECONDS: Final = 5400
"""Thermostat cycles about so long, and all shorter ones, are averaged out."""

Hour = tuple[int, float, float, float, float, float, float, float, bool]
"""Hour number, mean t and e, highest and lowest t, range of e, mean excess over the room in t and e, room known."""
_HOUR_WIDTH: Final = 9

Look = tuple[int, float, float]
"""Time, t and e of one reading in five minutes."""


@remembered
class ProbePast:
    """Hours, newest last, and what follows from them.

    trail: the counted readings of the last five minutes. looks: one reading every five minutes of the last hours.
    packed: the hours, number after number. As tuples they took 1.5 MB for 128 probes, and are asked for once an hour.
    """

    __slots__ = (
        "e", "e_high", "e_low", "excess_e", "excess_n", "excess_t", "high_c", "hour", "looks", "low_c", "n", "packed", "t", "t_high",
        "t_low", "trail", "usual_de", "usual_dt", "usual_range", "usual_swing",
    )  # fmt: skip

    def __init__(self) -> None:
        self.hour = -1
        self.packed = array("d")
        self.trail: list[tuple[int, float, float]] = []
        self.looks: list[Look] = []
        self.usual_dt = self.usual_de = self.usual_range = self.usual_swing = 0.0
        self.high_c, self.low_c = 999.0, -999.0
        self.excess_t = self.excess_e = 0.0
        self.excess_n = 0
        self._begin(-1, 0.0, 0.0)

    @property
    def hours(self) -> list[Hour]:
        """Return the hours, oldest first; a change of the list changes nothing."""
        return _unpacked(self.packed)

    @hours.setter
    def hours(self, hours: Iterable[Hour]) -> None:
        self.packed = array("d", [number for hour in hours for number in hour])

    def _begin(self, hour: int, t: float, e: float) -> None:
        self.hour = hour
        self.n = 0
        self.t = self.e = 0.0
        self.t_high = self.t_low = t
        self.e_high = self.e_low = e
        self.excess_t = self.excess_e = 0.0
        self.excess_n = 0

    def add(self, now: int, t: float, e: float) -> bool:
        """Take a counted reading; return whether it began a new hour."""
        trail = self.trail
        # One always stays, however old: by it a gap is seen.
        while len(trail) > 1 and now - trail[0][0] > TRAIL_SECONDS:
            del trail[0]
        trail.append((now, t, e))
        hour = now // 3600
        turned = hour != self.hour
        if turned:
            self._close()
            self._begin(hour, t, e)
        self.n += 1
        self.t += t
        self.e += e
        if t > self.t_high:
            self.t_high = t
        elif t < self.t_low:
            self.t_low = t
        if e > self.e_high:
            self.e_high = e
        elif e < self.e_low:
            self.e_low = e
        return turned

    def look(self, now: int, t: float, e: float) -> None:
        """Keep this reading as the look of its five minutes."""
        looks = self.looks
        looks.append((now, t, e))
        if len(looks) > LOOKS_KEPT:
            del looks[0]

    def lately(self, now: int) -> float:
        """Return the mean vapour pressure, hPa, of the looks of the last 20 min, or of the last look."""
        values = [e for at, _, e in self.looks if now - at <= 1200] or [self.looks[-1][2] if self.looks else 0.0]
        return sum(values) / len(values)

    def percents(self, since: float) -> list[tuple[int, float]]:
        """Return the looks since a time as time and humidity, %RH."""
        return [(at, humidity_at(e, t)) for at, t, e in self.looks if at >= since]

    def cycle_percent(self, now: int) -> float | None:
        """Return the mean humidity, %RH, free of a thermostat's cycles of up to 100 min; None where too little is known.

        It is what a mean over 90 min makes of a mean over 45 min, so it is 67 min late.
        """
        weight = total = 0.0
        for at, percent in self.percents(now - 3 * CYCLE_SECONDS // 2):
            age = now - at
            w = min(age, CYCLE_SECONDS // 2, 3 * CYCLE_SECONDS // 2 - age)
            weight += w
            total += w * percent
        return total / weight if weight >= _ENOUGH_WEIGHT else None

    def within(self, first: int, last: int) -> list[Hour]:
        """Return the hours whose number is at least `first` and below `last`."""
        # The numbers of the hours rise, so what is wanted lies together: only that is unpacked.
        numbers = self.packed[::_HOUR_WIDTH]
        begin, end = bisect_left(numbers, first), bisect_left(numbers, last)
        return _unpacked(self.packed[_HOUR_WIDTH * begin : _HOUR_WIDTH * end])

    def last(self, count: int) -> list[Hour]:
        """Return the last so many hours, oldest first, or as many as there are."""
        return _unpacked(self.packed[-_HOUR_WIDTH * count :])

    def highest_since(self, at: int) -> float:
        """Return the highest temperature of the hours that are kept from a time on, °C."""
        return max([self.t_high, *(hour[3] for hour in self.within(at // 3600, self.hour))])

    def keep(self, since: int) -> None:
        """Forget what was before a time: it was another place's air."""
        self.hours = [hour for hour in self.hours if hour[0] * 3600 >= since]
        self.looks = [look for look in self.looks if look[0] >= since]
        self._conclude()

    def correct(self, vapour: Callable[[float, float], tuple[float, float]]) -> None:
        """Put all of it as if the probe had always been corrected so; vapour: t and e as they were to what they are."""
        self.trail = [(at, *vapour(t, e)) for at, t, e in self.trail]
        self.looks = [(at, *vapour(t, e)) for at, t, e in self.looks]
        hours = []
        for hour, t, e, t_high, t_low, e_range, excess_t, excess_e, known in self.hours:
            t_now, e_now = vapour(t, e)
            range_now = vapour(t, e + e_range)[1] - e_now
            step = t_now - t
            apart_t, apart_e = excess_t + step, excess_e + e_now - e
            hours.append((hour, t_now, e_now, t_high + step, t_low + step, range_now, apart_t, apart_e, known))
        self.hours = hours
        if self.n:
            t, e = self.t / self.n, self.e / self.n
            t_now, e_now = vapour(t, e)
            self.t, self.e = self.n * t_now, self.n * e_now
            self.t_high, self.t_low = self.t_high + t_now - t, self.t_low + t_now - t
            self.e_high, self.e_low = vapour(t, self.e_high)[1], vapour(t, self.e_low)[1]
            self.excess_t += self.excess_n * (t_now - t)
            self.excess_e += self.excess_n * (e_now - e)
        self._conclude()

    def apart(self, more_t: float, more_e: float) -> None:
        """The room was so much cooler and drier all the time than it read."""
        self.hours = [
            (*hour[:6], hour[6] + more_t, hour[7] + more_e, hour[8]) if hour[8] else hour for hour in self.hours
        ]
        self.excess_t += self.excess_n * more_t
        self.excess_e += self.excess_n * more_e
        self._conclude()

    def compare(self, room_t: float, room_e: float, t: float, e: float) -> None:
        """Note how far it is from its room now."""
        self.excess_n += 1
        self.excess_t += t - room_t
        self.excess_e += e - room_e

    def _close(self) -> None:
        # One or two readings have no extremes that could be compared with an hour's.
        if self.n < 3:
            return
        n, m = self.n, max(1, self.excess_n)
        del self.packed[: -_HOUR_WIDTH * (HOURS_KEPT - 1)]
        self.packed.extend((
            self.hour, round(self.t / n, 4), round(self.e / n, 4), self.t_high, self.t_low,
            round(self.e_high - self.e_low, 4), round(self.excess_t / m, 4), round(self.excess_e / m, 4), self.excess_n > 0,
        ))  # fmt: skip
        self._conclude()

    def _conclude(self) -> None:
        day = self.last(USUAL_HOURS)
        if not day:
            self.high_c, self.low_c, self.usual_range, self.usual_swing = 999.0, -999.0, 0.0, 0.0
            self.usual_dt = self.usual_de = 0.0
            return
        self.high_c = max(hour[3] for hour in day)
        self.low_c = min(hour[4] for hour in day)
        self.usual_range = median(hour[5] for hour in day)
        self.usual_swing = median(hour[3] - hour[4] for hour in day)
        compared = [hour for hour in day if hour[8]]
        if compared:
            self.usual_dt = median(hour[6] for hour in compared)
        # While a fault lasts nothing is compared; the hours that led to it are not usual only because they are the last ones.
        if compared and 2 * len(compared) >= len(self.packed) // _HOUR_WIDTH:
            self.usual_de = median(hour[7] for hour in compared)

    @property
    def learned(self) -> bool:
        """Whether enough of the past is known to call anything usual."""
        return len(self.packed) >= LEARNED_HOURS * _HOUR_WIDTH

    def before(self, when: int) -> tuple[float, float] | None:
        """Return mean t and e of the last whole hours before a time, None when there are none."""
        hours = self.within(0, when // 3600)[-4:]
        if not hours:
            return None
        return sum(h[1] for h in hours) / len(hours), sum(h[2] for h in hours) / len(hours)


def _unpacked(packed: array[float]) -> list[Hour]:
    numbers = iter(packed)
    return [(int(hour), *means, known > 0) for hour, *means, known in zip(*[numbers] * _HOUR_WIDTH, strict=True)]
