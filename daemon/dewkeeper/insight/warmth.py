"""What is known of an enclosure's heat: its usual peak, the thermostat's cycle, how fast it warms, and how far it follows its room.

On/off control swings, and is known by its cycle. Control in proportion, by dimming or by quick pulses, holds its warmth
without one; what has no heat of its own has none either, but follows its room. So where no cycle is seen, how far it
follows its room says which of the two it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from dewkeeper.insight.series import DAY_SECONDS, GRID_SECONDS, HOUR_SECONDS, Flags, Numbers, Series
from dewkeeper.judge.types import Fact, Quantity

NEEDED_DAYS: Final = 5
PEAK_DAYS: Final = 28
_CYCLE_DAYS: Final = 7
_SLOTS: Final = DAY_SECONDS // GRID_SECONDS
_SHORTEST_CYCLE, _LONGEST_CYCLE = 2, 36  # slots of five minutes: ten minutes to three hours
_CLEAR_CYCLE: Final = 0.35
"""Autocorrelation one cycle later, from which on there is one. Tuned: tests/bench/insight, seeds 1-9."""
_LEAST_SWING_C: Final = 0.15  # a probe repeats to about 0.04 °C, by the sensor's data sheet; from memory
_SLOW_ENOUGH: Final = 4
"""Slots a cycle must last for its rises to be seen: of shorter ones means of five minutes cut the tops off."""
_NEEDED_RISES: Final = 12
_BLOCK_SLOTS: Final = 6 * HOUR_SECONDS // GRID_SECONDS
"""Of six hours: longer than what an enclosure takes to follow its room. Compared with the same ones of the day before, so
that the day's own course, and a night's lower setting, drop out."""
_NEEDED_BLOCKS: Final = 10
_LEAST_ROOM_C: Final = 0.25
"""A room that differs less from day to day (root mean square) shows nothing of who follows it."""
HOLDS_SHARE: Final = 0.5
"""What follows its room by less holds its warmth by itself."""


def warmth(tub: Series, room: Series | None, at: int, days: int) -> Iterator[Fact]:
    """Return the facts of an enclosure's heat up to a time. days: of readings the pass rests on."""
    share = _follows(tub, room, at, days)
    yield _peak(tub, at, days)
    yield from _cycle(tub, at, days, share)
    yield share


def interval_of_median(values: Numbers) -> tuple[float, float]:
    """Return a 95 % interval of the median from the order of the values alone; of few, the lowest and the highest.

    The count below the median is binomial (Conover, Practical Nonparametric Statistics, section 3.2, from memory).
    """
    ordered, n = np.sort(values), len(values)
    chance, below = 0.5**n, 0
    total = chance
    while below < n // 2 and total < 0.025:
        below += 1
        chance *= (n - below + 1) / below
        total += chance
    place = max(0, below - 1)
    return float(ordered[place]), float(ordered[n - 1 - place])


def _withheld(quantity: Quantity, why: str, days: int) -> Fact:
    return Fact(quantity, days=days, why=why)


def _peak(tub: Series, at: int, days: int) -> Fact:
    """Return the temperature that its days usually peak at: the middle one of its daily highest five minutes."""
    end = min(len(tub.temperature_c), (at - tub.start) // GRID_SECONDS)
    count = min(PEAK_DAYS, end // _SLOTS)
    rows = tub.temperature_c[end - count * _SLOTS : end].reshape(count, _SLOTS)
    # A day that lacks a fifth may lack its peak.
    good = (~np.isnan(rows)).mean(axis=1) > 0.8
    if good.sum() < NEEDED_DAYS:
        return _withheld("usual_peak_c", f"{int(good.sum())} whole days were read, {NEEDED_DAYS} are needed", days)
    peaks = np.nanmax(rows[good], axis=1)
    low, high = interval_of_median(peaks)
    return Fact("usual_peak_c", float(np.median(peaks)), low, high, days=int(good.sum()))


def _cycle(tub: Series, at: int, days: int, share: Fact) -> list[Fact]:
    """Return how long a thermostat's cycle is, how far it swings, and how fast it warms: from how alike temperature is to itself a cycle later.

    What holds its warmth without a cycle has a swing, and no period.
    """
    end = (at - tub.start) // GRID_SECONDS
    warm = tub.temperature_c[max(0, end - _CYCLE_DAYS * _SLOTS) : end]
    good = ~np.isnan(warm)
    names: tuple[Quantity, ...] = ("heat_period_minutes", "heat_swing_c", "heat_c_per_hour")
    if good.sum() < 2 * _SLOTS:
        return [_withheld(name, "less than two days were read", days) for name in names]
    filled = np.interp(np.arange(len(warm)), np.flatnonzero(good), warm[good])
    window = 2 * _LONGEST_CYCLE + 1
    smooth = np.convolve(np.pad(filled, window // 2, "edge"), np.ones(window) / window, "valid")
    ripple = filled - smooth
    # A tenth of the time aside: an open lid is no swing.
    swing = float(np.quantile(ripple, 0.95) - np.quantile(ripple, 0.05))
    alike = np.array([_alike(ripple, lag) for lag in range(_LONGEST_CYCLE + 2)])
    peaks = [
        lag for lag in range(_SHORTEST_CYCLE, _LONGEST_CYCLE + 1)
        if alike[lag] >= _CLEAR_CYCLE and alike[lag] >= alike[lag - 1] and alike[lag] > alike[lag + 1]
    ]  # fmt: skip
    if swing < _LEAST_SWING_C or not peaks:
        return _no_cycle(names, swing, days, share)
    # The shortest: the others are multiples of it.
    lag = peaks[0]
    bend = alike[lag - 1] - 2 * alike[lag] + alike[lag + 1]
    # Between slots, by the parabola through the peak and its neighbours.
    exact = lag + (0.5 * (alike[lag - 1] - alike[lag + 1]) / bend if bend else 0.0)
    period = exact * GRID_SECONDS / 60
    return [
        Fact(names[0], period, period - 2.5, period + 2.5, days=days),  # half of five minutes either way
        Fact(names[1], swing, days=days),
        _rises(ripple, good, lag, days),
    ]


def _no_cycle(names: tuple[Quantity, ...], swing: float, days: int, share: Fact) -> list[Fact]:
    if share.value is None:
        why = "no cycle is seen: its heat is controlled in proportion, cycles too fast to see, or is not its own"
        return [_withheld(name, why, days) for name in names]
    if (share.high if share.high is not None else share.value) < HOLDS_SHARE:
        why = "no cycle is seen, yet it holds its warmth whatever its room does: its heat is controlled in proportion, or in quick pulses"
        found = {name: _withheld(name, why, days) for name in names}
        return [*(found | {"heat_swing_c": Fact("heat_swing_c", swing, days=days)}).values()]
    why = "no cycle is seen, and it follows its room: no thermostat holds it"
    if (share.low if share.low is not None else share.value) < HOLDS_SHARE:
        why = "no cycle is seen, and how far it follows its room is not known well enough to say how its heat is controlled"
    return [_withheld(name, why, days) for name in names]


def _rises(ripple: Numbers, good: Flags, lag: int, days: int) -> Fact:
    """Return how fast it warms while its heat is on: the middle of the steepest of each cycle's rises."""
    if lag < _SLOW_ENOUGH:
        return _withheld("heat_c_per_hour", "its cycles are too short to see how fast it warms", days)
    steps = np.where(good[1:] & good[:-1], np.diff(ripple), np.nan)
    count = len(steps) // lag
    cycles = steps[len(steps) - count * lag :].reshape(count, lag)
    whole = cycles[~np.isnan(cycles).any(axis=1)]
    if len(whole) < _NEEDED_RISES:
        return _withheld("heat_c_per_hour", f"{len(whole)} whole cycles were read, {_NEEDED_RISES} are needed", days)
    fastest = whole.max(axis=1) * HOUR_SECONDS / GRID_SECONDS
    low, high = interval_of_median(fastest)
    return Fact("heat_c_per_hour", float(np.median(fastest)), low, high, days=days)


def _follows(tub: Series, room: Series | None, at: int, days: int) -> Fact:
    """Return by how many °C it follows each of its room's, from one day to the next."""
    name: Quantity = "room_warmth_share"
    if room is None:
        return _withheld(name, "no probe reads its room", days)
    first = max(tub.start, room.start, at - PEAK_DAYS * DAY_SECONDS)
    count = (min(tub.end, room.end, at) - first) // (_BLOCK_SLOTS * GRID_SECONDS)
    # Four blocks of six hours are a day, and each is compared with the one of the day before.
    if count <= 4:
        return _withheld(name, "less than two days were read beside its room", days)
    end = first + count * _BLOCK_SLOTS * GRID_SECONDS
    own, beside = (_blocks(series, end, count) for series in (tub, room))
    moved, room_moved = own[4:] - own[:-4], beside[4:] - beside[:-4]
    known = ~(np.isnan(moved) | np.isnan(room_moved))
    if known.sum() < _NEEDED_BLOCKS:
        return _withheld(name, "too few days were read one after the other beside its room", days)
    x, y = room_moved[known], moved[known]
    if math.sqrt(float(x @ x) / len(x)) < _LEAST_ROOM_C:
        return _withheld(name, "its room is as warm one day as the next: who follows it cannot be seen", days)
    share = _least_absolute(x, y)
    left = y - share * x
    # Blocks a few hours apart are no four witnesses a day: half of them count.
    error = 1.4826 * float(np.median(np.abs(left - np.median(left)))) / math.sqrt(float(x @ x) / 2)
    wide = 1.96 * max(error, 0.01)
    return Fact(name, share, share - wide, share + wide, days=days)


def _least_absolute(x: Numbers, y: Numbers) -> float:
    """Return the slope through 0 that leaves the least absolute deviations: the median of y/x, weighted by |x| (Laplace).

    A day on which somebody set the heat otherwise hardly moves it.
    """
    seen = np.abs(x) > 1e-9
    slopes, weights = y[seen] / x[seen], np.abs(x[seen])
    order = np.argsort(slopes)
    return float(slopes[order][np.searchsorted(np.cumsum(weights[order]), weights.sum() / 2)])


def _blocks(series: Series, end: int, count: int) -> Numbers:
    last = (end - series.start) // GRID_SECONDS
    rows = series.temperature_c[last - count * _BLOCK_SLOTS : last].reshape(count, _BLOCK_SLOTS)
    good = ~np.isnan(rows)
    number = good.sum(axis=1)
    means: Numbers = np.where(
        number > _BLOCK_SLOTS // 2, np.where(good, rows, 0.0).sum(axis=1) / np.maximum(number, 1), np.nan
    )
    return means


def _alike(values: Numbers, lag: int) -> float:
    later, earlier = values[lag:], values[: len(values) - lag]
    return float(later @ earlier / max(1e-12, math.sqrt(float(later @ later) * float(earlier @ earlier))))
