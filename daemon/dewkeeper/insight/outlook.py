"""The hours ahead of one enclosure, run on from now with figures that were learned last night; plain Python, no numpy.

`forecast` finds the figures in weeks of hours; what runs them on is here, once, for the page, the evening round and
`dewkeeper insight` alike. Extrapolated, and called so wherever it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from dewkeeper.air import saturation_hpa
from dewkeeper.judge.words import JOURNAL
from dewkeeper_config.plain import from_text, to_text

OUTLOOK: Final = "outlook:"
"""Its figures are stored under this and the enclosure's name (`History.figures`)."""
COVERS: Final = 0.8
SLOW_HOURS: Final = 6
"""Hours of its own past from which an enclosure's vapour is run on."""
WARMTH_KEPT: Final = 0.8
ROOM_KEPT: Final = 0.97
"""How much of its distance from the usual temperature, and of the room's from its usual vapour, is left an hour later. Tuned:
tests/bench/insight, seeds 1-9."""
OLDEST_SECONDS: Final = 3 * 86400
"""Older figures say nothing: the learning pass did not come through."""

WETTING: Final = frozenset({"misted", "moistened", "refilled", "substrate_changed"})
"""Words of the journal that add water."""
AFTER_WET_HOURS: Final = 4
AFTER_OPEN_HOURS: Final = 2
"""Hours after a hand's own hour that are not learned from, and from which nothing is forecast: the film of a misting lasts
an hour or two."""
UNDER_WAY: Final = "somebody was at it within the last hours, and what that does is not over"
HANDS: Final = WETTING | {what for what, word in JOURNAL.items() if word.opens}
"""Words of the journal after which that is so."""
VENT_STEPS: Final = (1.0, 2 / 3, 4 / 3, 5 / 3)
"""Shares of its air that an enclosure is reckoned with: as it is, a third less, a third and two thirds more."""
_HALF_HOUR_JUMP: Final = 1.25
"""Between means of quarter hours two apart more happens by itself than within a quarter. Tuned: tests/bench/insight, seed 2."""

_UNLIKELY: Final = 0.2
"""Fewer possible futures than this leave the limit: then it is said that it holds. Tuned: tests/bench/insight, seeds 1-3."""


class Leaving(NamedTuple):
    """Hours until a limit is left: the middle of all futures, and four of five lie between; None when four of five stay.

    earliest, latest: the shortest span with four of five, for such times lie close together at first and far apart later.
    Where more leave it, but fewer than half, the middle lies beyond the horizon, and is told as the horizon.
    """

    hours: float | None
    earliest: float
    latest: float

    @property
    def rather_holds(self) -> bool:
        """Whether it may be left within the horizon, but more likely is not."""
        return self.hours is not None and self.earliest < self.hours == self.latest


def under_way(hands: Iterable[tuple[int, str]], at: int) -> bool:
    """Return whether what a hand did is not over at a time; hands: UTC seconds and a word of the journal.

    As `response.settling` has it for the hour that ends then, for which the air is asked as well.
    """
    return any(
        0 <= at - then <= 3600 * (1 + (AFTER_WET_HOURS if what in WETTING else AFTER_OPEN_HOURS))
        for then, what in hands
        if what in HANDS
    )


@dataclass(frozen=True, slots=True)
class Present:
    """An enclosure's air at a time (UTC seconds): °C, vapour pressure of the last six hours, hPa, newest last, and its room's."""

    at: int
    temperature_c: float
    vapour_hpa: tuple[float, ...]
    room_hpa: float | None = None

    @property
    def humidity_percent(self) -> float:
        """Return the last hour's %RH."""
        return 100 * self.vapour_hpa[-1] / saturation_hpa(self.temperature_c)


@dataclass(frozen=True, slots=True)
class Ahead:
    """The hours after a time, %RH by hour from the first, if nobody does anything: middle, and where four of five lie.

    lift: by how many %RH a wetting raises the hour it falls in and those after it, here; empty where that is not known.
    """

    at: int
    now_percent: float
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    futures: tuple[tuple[float, ...], ...]
    lift: tuple[float, ...] = ()

    def beyond(self, low: float, high: float, horizon: int, wettings: Sequence[int] = ()) -> float:
        """Return the hours beyond two limits (%RH) to be expected within a horizon (hours), the mean of all futures.

        wettings: hours ahead at which water is added, each with its `lift`.
        """
        raised = [0.0] * horizon
        for hour in wettings:
            for ahead, by in enumerate(self.lift[: max(0, horizon - hour)], hour):
                raised[ahead] += by
        outside = sum(
            not low <= min(100.0, value + by) <= high
            for future in self.futures
            for value, by in zip(future[:horizon], raised, strict=False)
        )
        return outside / max(1, len(self.futures))

    def leaves(self, limit: float, horizon: int | None = None) -> Leaving:
        """Return when a limit is left, falling where humidity is above it now, rising elsewhere; hours, at most the horizon."""
        longest = float(horizon or len(self.middle))
        sign = 1.0 if self.now_percent >= limit else -1.0
        times = sorted(min(longest, _crossing([self.now_percent, *future], sign, limit)) for future in self.futures)
        if not times:
            return Leaving(None, longest, longest)
        # The shortest window that holds so many of the sorted times.
        most = math.ceil(COVERS * len(times)) - 1
        low, high = min(zip(times, times[most:], strict=False), key=lambda span: span[1] - span[0])
        holds = sum(t < longest for t in times) < _UNLIKELY * len(times)
        return Leaving(None if holds else times[len(times) // 2], low, high)


@dataclass(frozen=True, slots=True)
class OutlookFigures:
    """Figures of one enclosure; without `blend` it is not forecast, and `why` says why.

    made: UTC seconds. weights, constants: of its response (`response.Response`), the latter hPa by hour of the day, UTC,
    like usual_c, °C, and usual_room_hpa, its room's vapour, empty without a probe there. blend: by hour ahead, how far
    humidity goes towards the physical path. low, high: what past forecasts missed by, %RH. misses: whole past forecasts, hour by hour. skill: by how much they missed less than the best plain guess.
    lift: as `Ahead` has it. levels: as `levels.levels` has them; they are there where it is not forecast, too.
    jump: from which share of the vapour on a quick change is a hand's here, 0 for not known; daily_hours: of the day, UTC, in which it is not.
    """

    made: int
    why: str = ""
    weights: tuple[float, ...] = ()
    constants: tuple[float, ...] = ()
    usual_c: tuple[float, ...] = ()
    usual_room_hpa: tuple[float, ...] = ()
    blend: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    misses: tuple[tuple[float, ...], ...] = ()
    skill: float = 0.0
    origins: int = 0
    lift: tuple[float, ...] = ()
    levels: tuple[tuple[float, ...], ...] = ()
    jump: float = 0.0
    daily_hours: tuple[int, ...] = ()

    def text(self) -> str:
        """Return the figures as JSON text, `from_text` reads it."""
        return to_text(self)

    @classmethod
    def from_text(cls, text: str) -> OutlookFigures | None:
        """Return figures from their text, None for text that is none."""
        try:
            return from_text(OutlookFigures, text)
        except ValueError:
            return None

    def ahead(self, now: Present) -> Ahead | str:
        """Return the hours ahead of a time, or in words why there are none."""
        if not self.blend:
            return self.why
        if not 0 <= now.at - self.made <= OLDEST_SECONDS:
            return "the figures for it are too old: the learning pass has not come through"
        if len(now.vapour_hpa) < SLOW_HOURS or (self.usual_room_hpa and now.room_hpa is None):
            return "the last hours were not read"
        start = now.humidity_percent
        path = [start + a * (physical - start) for physical, a in zip(self._physical(now), self.blend, strict=True)]
        low, middle, high = (
            tuple(min(100.0, max(0.0, p + by)) for p, by in zip(path, missed, strict=True))
            for missed in (self.low, (0.0,) * len(path), self.high)
        )
        # Not cut at 0 and 100: a wetting may be added to them, and only the sum is a humidity.
        futures = tuple(tuple(p + by for p, by in zip(path, missed, strict=True)) for missed in self.misses)
        return Ahead(now.at, start, middle, low, high, futures, self.lift)

    def hands_seen(self, at: int, quarters: Sequence[float | None]) -> list[tuple[int, str]]:
        """Return what the air itself shows of hands, as `under_way` takes them, though nobody wrote it down.

        quarters: mean vapour pressure of the quarter hours that end at a time, hPa; None where it was not read.
        """
        if not self.jump:
            return []
        found = []
        for place, (before, after) in enumerate(zip(quarters, quarters[2:], strict=False)):
            then = at - 900 * (len(quarters) - place - 1)
            # A change between two quarters belongs to the hour of either.
            own = {(then + late) // 3600 % 24 for late in (0, 1800)} & set(self.daily_hours)
            change = 0.0 if before is None or after is None or own else after / before - 1
            if abs(change) > _HALF_HOUR_JUMP * self.jump:
                found.append((then, "misted" if change > 0 else "opened"))
        return found

    def _usual(self, table: Sequence[float], at: int, hours: int) -> float:
        """Return what is usual so many hours after a time; between two hours of the day a mean of both."""
        hour, part = divmod(at - self.made % 3600, 3600)  # the tables count their hours from when they were made
        first, second = (table[(hour + hours + more) % 24] for more in (0, 1))
        return first + (second - first) * part / 3600

    def _physical(self, now: Present) -> list[float]:
        """Return %RH as the learned response runs on from now."""
        w, past, path = self.weights, list(now.vapour_hpa[-SLOW_HOURS:]), []
        room_before, warm_before = now.room_hpa or 0.0, saturation_hpa(now.temperature_c)
        apart_c = now.temperature_c - self._usual(self.usual_c, now.at, 0)
        apart_room = room_before - self._usual(self.usual_room_hpa, now.at, 0) if self.usual_room_hpa else 0.0
        for k in range(1, len(self.blend) + 1):
            warm = saturation_hpa(self._usual(self.usual_c, now.at, k) + apart_c * WARMTH_KEPT**k)
            room = (
                self._usual(self.usual_room_hpa, now.at, k) + apart_room * ROOM_KEPT**k if self.usual_room_hpa else 0.0
            )
            value = (
                w[0] * past[-1] + w[1] * past[-2] + w[2] * sum(past) / len(past) + w[3] * room + w[4] * room_before
                + w[5] * warm + w[6] * warm_before + self._usual(self.constants, now.at, k)
            )  # fmt: skip
            # No more than saturated; and never quite dry, as `forecast` has it.
            value = min(warm, max(0.3, value))
            path.append(100 * value / warm)
            past = [*past[1:], value]
            room_before, warm_before = room, warm
        return path


def _crossing(path: Sequence[float], sign: float, limit: float) -> float:
    """Return after how many hours a path, from now on, first goes past a limit; infinite for never."""
    above = [sign * (value - limit) for value in path]
    for k in range(len(above) - 1):
        if above[k + 1] < 0:
            fall = above[k] - above[k + 1]
            return k + (max(0.0, above[k]) / fall if fall > 1e-9 else 1.0)
    return math.inf
