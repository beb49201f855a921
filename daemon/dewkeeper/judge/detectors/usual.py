"""What is usual for the heat of one enclosure, learned from undisturbed air only.

A look counts when nothing was wrong for hours after it; while an alarm about temperature stands nothing is learned. So a
runaway never becomes its own yardstick, and neither does a tub gone cold.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import field
from operator import itemgetter
from typing import Final

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.probe_past import Look

LATENCY_SECONDS: Final = 3 * 3600
"""A look is usual when so long after it nothing is wrong yet: a heater that sticks is told within that, or climbs too slowly to harm."""
LOOKS_A_DAY: Final = 288
DAYS_KEPT: Final = 3
ENOUGH_LOOKS: Final = 240
"""Twenty hours: less has not seen both the day and the night."""
_COMPARED_LOOKS: Final = 60  # five hours of looks

Day = tuple[int, float, float, float, int]
"""Looks, highest and lowest °C, sum of the distances from the room, °C, and how many of these."""


@remembered
class UsualHeat:
    """days: of so many looks each, newest last. taken: the time of the look last counted or passed over."""

    days: list[Day] = field(default_factory=list)
    taken: int = NEVER

    def skip(self, now: int) -> None:
        """Something is wrong: what is not counted yet never is."""
        self.taken = now

    def learn(self, looks: list[Look], room: list[Look], now: int) -> None:
        """Count the looks that are old enough; room: those of the room's probe."""
        first = bisect_right(looks, self.taken, key=itemgetter(0))
        for at, t, _ in looks[first : bisect_right(looks, now - LATENCY_SECONDS, key=itemgetter(0))]:
            self.taken = at
            near = bisect_left(room, at - 300, key=itemgetter(0))
            self._add(t, t - room[near][1] if near < len(room) and room[near][0] <= at + 300 else None)

    def _add(self, t: float, apart: float | None) -> None:
        day = self.days.pop() if self.days and self.days[-1][0] < LOOKS_A_DAY else (0, t, t, 0.0, 0)
        n, high, low, total, compared = day
        if apart is not None:
            total, compared = total + apart, compared + 1
        self.days = [*self.days[-DAYS_KEPT:], (n + 1, max(high, t), min(low, t), total, compared)]

    def warmer(self, by_c: float) -> None:
        """The probe is read warmer by so much, and always was."""
        self.days = [(n, high + by_c, low + by_c, total + by_c * m, m) for n, high, low, total, m in self.days]

    def room_warmer(self, by_c: float) -> None:
        """The room's probe is read warmer by so much, and always was."""
        self.days = [(n, high, low, total - by_c * m, m) for n, high, low, total, m in self.days]

    def known(self, looks: int = ENOUGH_LOOKS) -> bool:
        """Return whether so much was learned."""
        return sum([day[0] for day in self.days]) >= looks

    def spans(self, t: float) -> bool:
        """Return whether enough was learned and a temperature lies within it."""
        return self.known() and self.low_c <= t <= self.high_c

    @property
    def high_c(self) -> float:
        """The highest temperature of the days kept; only where anything is known."""
        return max([day[1] for day in self.days])

    @property
    def low_c(self) -> float:
        """The lowest temperature of the days kept; only where anything is known."""
        return min([day[2] for day in self.days])

    @property
    def apart_c(self) -> float | None:
        """How much warmer than its room it was on average; None where the room was not read often enough."""
        compared = sum([day[4] for day in self.days])
        return sum([day[3] for day in self.days]) / compared if compared >= _COMPARED_LOOKS else None
