"""What a change of the keeper's did to an enclosure's vapour, beside those that were left alone.

Difference in differences on whole days: the enclosure's daily mean vapour, less what the untouched enclosures and the
room tell of such days, after the change against before it. The day of the change is left out: it is chosen because
something was wrong, and what is wrong gets better by itself (regression to the mean). Days resemble the day before, so
errors are taken as AR(1) and the regression is made on whitened days (Prais & Winsten), with its correlation estimated
with the small-sample correction of Kendall, Biometrika 41, 1954 (from memory), and a Student interval on the days that
remain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from scipy.special import stdtrit

from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import DAY_SECONDS, Numbers, Series

NEEDED_DAYS: Final = 14
"""Whole days on each side. A whole-day comparison of five and five days covers only 75 to 87 % (simulated)."""
LONGEST_DAYS: Final = 42
_CLOSE_SECONDS: Final = DAY_SECONDS
_SAME_SECONDS: Final = 3600
"""The same word again within an hour is the same change, written down twice."""
_MISSING_SHARE: Final = 0.2
_USUAL_SQUARE: Final = 1.8
_USUAL_WEIGHT: Final = 3.0
_PLACEBO_MOST: Final = 6.0
"""What placebos usually show (their mean square), and how many placebos that is worth. Tuned: tests/bench/insight,
physics tub and shell, seeds 1-9."""
DISTURBS: Final = frozenset({"probe_moved", "probe_replaced", "moved_in", "moved_out"})
"""Words after which the probe, or what it measures, is another. What lasts (a heater, a substrate) ends a comparison anyway."""


@dataclass(frozen=True, slots=True)
class Effect:
    """By how many hPa the vapour rose (or fell) through a change, its 95 % interval, and from how many days each side.

    days: UTC seconds of each day, its mean vapour and what it would have been without the change, hPa.
    """

    hpa: float
    low: float
    high: float
    before: int
    after: int
    beside: int
    days: tuple[tuple[int, float, float], ...] = ()

    @property
    def verdict(self) -> str:
        """Say it in a word: moister, drier, or not told apart from nothing."""
        if self.low > 0:
            return "moister"
        return "drier" if self.high < 0 else "no effect found"


def effect(
    name: str,
    at: int,
    tubs: Mapping[str, Series],
    room: Series | None,
    deeds: Mapping[str, Sequence[Deed]],
    after: tuple[int, int] | None = None,
    calibrated: Mapping[str, Sequence[int]] = MappingProxyType({}),
) -> Effect | str:
    """Return what a change at a time did to an enclosure, or in words why it can't be told.

    after: the stretch that is looked at afterwards, UTC seconds; None takes all until the next change. calibrated: when the
    probes of each enclosure and its room were corrected, UTC seconds: from then on they read otherwise.
    """
    changes = sorted((deed.at, deed.what) for deed in deeds.get(name, ()) if _lasting(deed))
    near = min((c for c in changes if abs(c[0] - at) <= _SAME_SECONDS), key=lambda c: abs(c[0] - at), default=(at, ""))
    others = [(when, what) for when, what in changes if abs(when - at) > _SAME_SECONDS or what != near[1]]
    if any(abs(when - at) < _CLOSE_SECONDS for when, _ in others):
        return "two changes within a day: nobody can tell which of them did it"
    begin = max((when for when, _ in others if when < at), default=tubs[name].start)
    end = min((when for when, _ in others if when > at), default=tubs[name].end)
    if after is not None:
        end = min(end, after[1])
    first = max(_day(at) + DAY_SECONDS, after[0] if after is not None else 0)
    before = _days(begin, _day(at), tubs[name])[-LONGEST_DAYS:]
    later = _days(first, end, tubs[name])[:LONGEST_DAYS]
    if min(len(before), len(later)) < NEEDED_DAYS:
        return f"can't tell yet: {len(before)} whole days before and {len(later)} after, {NEEDED_DAYS} each are needed"
    span = (before[0], later[-1] + DAY_SECONDS)
    disturbed = [d.what for d in deeds.get(name, ()) if d.what in DISTURBS and span[0] <= d.at < span[1]]
    if disturbed:
        return f"{disturbed[0].replace('_', ' ')} in between: before and after are not the same place"
    if any(span[0] <= when < span[1] for when in calibrated.get(name, ())):
        return "its probe or its room's was calibrated in between: before and after are not read alike"
    controls = [
        other
        for other in tubs
        if other != name
        and _left_alone(deeds.get(other, ()), span)
        and not any(span[0] <= when < span[1] for when in calibrated.get(other, ()))
    ]
    days = np.array([*before, *later])
    beside = {other: _values(days, tubs[other]) for other in controls}
    beside = {other: values for other, values in beside.items() if np.isnan(values).mean() < _MISSING_SHARE}
    air = None if room is None else _values(days, room)
    found = _compared(_values(days, tubs[name]), days, len(before), list(beside.values()), air)
    if found is None:
        return "the days before and after have too little in common to compare"
    value, error, freedom, without = found
    placebos = [
        _compared(values, days, len(before), [v for other, v in beside.items() if other != untouched], air)
        for untouched, values in beside.items()
    ]
    error *= _widened([result[0] / result[1] for result in placebos if result is not None])
    width = float(stdtrit(freedom, 0.975)) * error
    own = _values(days, tubs[name])
    course = tuple(zip(days.tolist(), own.tolist(), without.tolist(), strict=True))
    return Effect(value, value - width, value + width, len(before), len(later), len(beside), course)


def _widened(placebos: Sequence[float]) -> float:
    """Return how much wider than its own days say an interval must be.

    placebos: the same comparison made for every enclosure that was left alone, in units of its own error. Nothing was
    done to them, so what they show is how far two halves of such weeks differ by themselves: bedding that dries over
    weeks, mistings that happened to fall closer together. Few of them are no sure witnesses; they are weighed with
    what such racks usually show.
    """
    squares = sum(min(z * z, _PLACEBO_MOST**2) for z in placebos)
    return math.sqrt(max(1.0, (_USUAL_WEIGHT * _USUAL_SQUARE + squares) / (_USUAL_WEIGHT + len(placebos))))


def _lasting(deed: Deed) -> bool:
    """Return whether a deed changes something for longer than a day: a misting or a refill does not."""
    return deed.what.endswith("_changed")


def _left_alone(deeds: Sequence[Deed], span: tuple[int, int]) -> bool:
    return not any(span[0] <= d.at < span[1] and (_lasting(d) or d.what in DISTURBS) for d in deeds)


def _day(at: int) -> int:
    return at // DAY_SECONDS * DAY_SECONDS


def _days(begin: int, end: int, tub: Series) -> list[int]:
    """Return the starts of whole days between two times on which enough was read."""
    first = -(-begin // DAY_SECONDS) * DAY_SECONDS
    count = max(0, (_day(end) - first) // DAY_SECONDS)
    means = tub.days(first + count * DAY_SECONDS, count)[1]
    return [first + day * DAY_SECONDS for day in np.flatnonzero(~np.isnan(means)).tolist()]


def _values(starts: Numbers, place: Series) -> Numbers:
    """Return the mean vapour of days, hPa; NaN where too little was read."""
    first, end = int(starts[0]), int(starts[-1]) + DAY_SECONDS
    means = place.days(end, (end - first) // DAY_SECONDS)[1]
    return means[((starts - first) // DAY_SECONDS).astype(np.intp)]


def _compared(
    vapour: Numbers, days: Numbers, before: int, beside: Sequence[Numbers], room: Numbers | None
) -> tuple[float, float, int, Numbers] | None:
    """Return by how much the days after differ from those before, its error (hPa), degrees of freedom, and every day without it."""
    columns = [np.concatenate((np.zeros(before), np.ones(len(days) - before))), np.ones(len(days))]
    if beside:
        centred = np.array([values - np.nanmean(values) for values in beside])
        number = (~np.isnan(centred)).sum(axis=0)
        columns.append(np.where(number > 0, np.nansum(centred, axis=0) / np.maximum(number, 1), np.nan))
    if room is not None and np.isnan(room).mean() < _MISSING_SHARE:
        columns.append(room - np.nanmean(room))
    design = np.column_stack(columns)
    good = ~(np.isnan(vapour) | np.isnan(design).any(axis=1))
    found = _whitened(vapour[good], design[good], (days[good] - days[0]) // DAY_SECONDS)
    if found is None:
        return None
    coefficients, error, freedom = found
    return float(coefficients[0]), error, freedom, design[:, 1:] @ coefficients[1:]


def _whitened(y: Numbers, design: Numbers, day: Numbers) -> tuple[Numbers, float, int] | None:
    """Return the coefficients, the error of the first and its degrees of freedom, days correlated with the day before."""
    n, k = design.shape
    if n - k < 8 or np.linalg.matrix_rank(design) < k:
        return None
    rho = 0.0
    for _ in range(12):
        coefficients = np.linalg.lstsq(*_white(design, y, day, rho), rcond=None)[0]
        left = y - design @ coefficients
        pairs = np.diff(day) == 1
        raw = float(left[1:][pairs] @ left[:-1][pairs] / max(1e-12, left @ left))
        # Regression takes k directions out of the residuals, and with them correlation; see Kendall (1954).
        corrected = min(0.95, max(0.0, raw + (1 + 3 * raw) / n + k * (1 + raw) / (2 * n)))
        if abs(corrected - rho) < 1e-4:
            break
        rho = corrected
    x, target = _white(design, y, day, rho)
    coefficients, *_ = np.linalg.lstsq(x, target, rcond=None)
    left = target - x @ coefficients
    variance = float(left @ left) / (n - k)
    covariance = variance * np.linalg.inv(x.T @ x)
    effects: Numbers = np.asarray(coefficients, dtype=np.float64)
    # One degree of freedom more is gone: rho was taken from the same days.
    return effects, float(math.sqrt(covariance[0, 0])), n - k - 1


def _white(design: Numbers, y: Numbers, day: Numbers, rho: float) -> tuple[Numbers, Numbers]:
    """Return design and values with the correlation of neighbouring days taken out; a gap of g days leaves rho**g."""
    gap = np.diff(day)
    keep = rho**gap
    weight = 1 / np.sqrt(1 - keep**2) if rho else np.ones(len(gap))
    first = np.ones(1)
    rows = np.concatenate((first[:, None] * design[:1], weight[:, None] * (design[1:] - keep[:, None] * design[:-1])))
    values = np.concatenate((first * y[:1], weight * (y[1:] - keep * y[:-1])))
    return rows, values
