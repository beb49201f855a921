"""How long water lasts: the drying constant of an enclosure, from what its vapour does after it was wetted.

After the film is gone the excess over the resting level falls as A·exp(-t/tau). All such decays of an enclosure are
fitted together: one tau, and for each decay its own height and resting level, plus what heat and room do meanwhile, and
what is left of the wetting before. The hours before a wetting count too: they show the resting level, which a slow store
would otherwise hide in. With tau given the rest is linear, so tau alone is searched (variable projection: Golub & Pereyra,
Inverse Problems 19, 2003, from memory). The interval is a bootstrap over whole decays: readings within one are no
independent witnesses. Where two constants describe the decays clearly better than one, or too little of the water goes by the one, none is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dewkeeper.insight.hours import Deed
from dewkeeper.insight.outlook import AFTER_OPEN_HOURS
from dewkeeper.insight.series import GRID_SECONDS, HOUR_SECONDS, Numbers, Series, saturation

NEEDED_DECAYS: Final = 3
SHORTEST_HOURS: Final = 0.15
LONGEST_HOURS: Final = 72.0
_WINDOW_SECONDS: Final = 24 * HOUR_SECONDS
_NEEDED_SECONDS: Final = 3 * HOUR_SECONDS
_RISE_SHARE: Final = 0.05
_TWO_BETTER: Final = 0.8
"""Two constants, in the same parts after every wetting, must leave less than this share of one constant's squares to be believed:
weather alone leaves 0.95 and more. Tuned: simulated decays in weather, and tests/bench/insight, seeds 1-3."""
_TWO_APART: Final = 2.0
"""From where 1/e is left to where 1/e of that is left takes longer than so many times the first: no single constant."""
_FIRST: Final = 3  # five-minute means after the crest
_OF_ALL: Final = 0.75
"""So much of the first quarter hour's excess must fall by the constant, or no single one describes it: the rest is a film that
is gone at once, or bedding that gives water for days. Tuned: tests/bench/insight, seed 1, and a simulation of two stores."""
_WIDEST: Final = 2.0
"""An interval whose ends differ by more than this factor says nothing a keeper could use."""
_QUICKEST_TOLD_HOURS: Final = 0.5
"""Six of the five-minute means: what is gone sooner is smeared by the means, the probe's own lag and the end of the film.
Of 76 constants told on tuning seeds 1-4 of tests/bench/insight all ten that were wrong lay or reached below this."""
_RESAMPLED: Final = 200
_STEPS: Final = 120  # 5 % apart
_MIXED: Final = np.array([(q, s, part) for q in (0.2, 0.4, 0.7) for s in (1.5, 2.5, 5.0) for part in (0.25, 0.5, 0.75)])
"""Shapes of two constants about a single one that are tried."""
_GRID_ERROR: Final = 1.03
"""Five-minute means and the last of the film shift a constant by up to 2 % (simulated, tests/bench/insight, seeds 1-14)."""


@dataclass(frozen=True, slots=True)
class DryingConstant:
    """Hours in which the excess over the resting level falls to 1/e, its 95 % interval, and from how many decays."""

    hours: float
    low: float
    high: float
    decays: int


@dataclass(frozen=True, slots=True)
class _Decay:
    """One decay: hours since its crest (before 0: before its wetting), vapour, and what else moves it, each about its own mean.

    earlier: the hours at which the wetting before it had its crest; None where none is in sight.
    """

    hours: Numbers
    vapour: Numbers
    beside: Numbers  # columns: saturation of the enclosure, the room's vapour where known
    earlier: float | None = None

    def left(self, crest_hours: float, shapes: Numbers) -> Numbers:
        """Return what is left of a wetting that was 1 at its crest, a column a shape (`_falls`); nothing of one to come."""
        since = self.hours[:, None] - crest_hours
        found: Numbers = np.where(since < 0, 0.0, _falls(np.maximum(since, 0.0), shapes))
        return found

    def others(self, shapes: Numbers) -> Numbers:
        """Return what moves the vapour beside its own wetting, a column each, the level first."""
        earlier = [] if self.earlier is None else [self.left(self.earlier, shapes)]
        return np.column_stack((self._same_for_all(), *earlier))

    def _same_for_all(self) -> Numbers:
        return np.column_stack((np.ones(len(self.hours)), self.beside))

    def ladder(self, shapes: Numbers) -> Numbers:
        """Return the sum of squares that heights and levels with each of many constants leave.

        What they all have in common is taken out once for all, then the earlier wetting, then its own.
        """
        fixed = self._same_for_all()
        u, sizes, _ = np.linalg.svd(fixed, full_matrices=False)
        # As numpy reckons a rank: columns that say the same count once.
        basis = u[:, sizes > sizes[0] * len(fixed) * np.finfo(float).eps]
        own = _without(basis, self.left(0.0, shapes))
        rest = _without(basis, self.vapour)
        squares: Numbers = np.full(len(shapes), rest @ rest)
        if self.earlier is not None:
            earlier = _without(basis, self.left(self.earlier, shapes))
            size = np.maximum((earlier**2).sum(axis=0), 1e-12)
            squares -= (earlier.T @ rest) ** 2 / size
            own -= earlier * ((earlier * own).sum(axis=0) / size)
        squares -= (own.T @ rest) ** 2 / np.maximum((own**2).sum(axis=0), 1e-12)
        return squares

    def share(self, tau: float) -> float:
        """Return how much of the excess of the first quarter hour falls by a constant, 1 for all."""
        shape = _one(np.array([tau]))
        own, others = self.left(0.0, shape), self.others(shape)
        height, *rest = np.linalg.lstsq(np.column_stack((own, others)), self.vapour, rcond=None)[0]
        first = np.flatnonzero(self.hours >= 0)[:_FIRST]
        excess = self.vapour[first] - others[first] @ np.array(rest)
        return float(height * own[first].mean() / excess.mean())


def _one(taus: Numbers) -> Numbers:
    """Return the shapes of single constants."""
    return np.column_stack((taus, taus, np.zeros(len(taus))))


def _falls(hours: Numbers, shapes: Numbers) -> Numbers:
    """Return how shapes fall from 1. A shape is a row: a quick constant and a slow one, hours, and the slow one's part."""
    quick, slow, part = shapes.T
    found: Numbers = (1 - part) * np.exp(-hours / quick) + part * np.exp(-hours / slow)
    return found


def _is_single(shape: Numbers) -> bool:
    """Return whether a shape falls much as one constant does."""
    hours = np.linspace(0, 5 * shape[1], 2000)
    left = _falls(hours[:, None], shape[None, :])[:, 0]
    first, second = (float(hours[np.argmax(left < level)]) for level in (1 / np.e, 1 / np.e**2))
    return second - first <= _TWO_APART * first


def _without(basis: Numbers, columns: Numbers) -> Numbers:
    """Return columns without what an orthonormal basis explains of them."""
    found: Numbers = columns - basis @ (basis.T @ columns)
    return found


def drying_constant(tub: Series, room: Series | None, deeds: Sequence[Deed]) -> DryingConstant | str:
    """Return the drying constant, or in words why there is none."""
    decays = _decays(tub, room, deeds)
    if len(decays) < NEEDED_DECAYS:
        return f"only {len(decays)} undisturbed decays after wetting, {NEEDED_DECAYS} are needed"
    table = _Table(decays)
    everyone = np.ones(len(decays))
    tau = table.best(everyone)
    one = float(table.sums(everyone).min())
    mixed = _MIXED * (tau, tau, 1.0)
    squares: Numbers = np.sum([decay.ladder(mixed) for decay in decays], axis=0)
    two = squares.min() < _TWO_BETTER * one and not _is_single(mixed[squares.argmin()])
    if two or not _OF_ALL < float(np.median([decay.share(tau) for decay in decays])) < 1 / _OF_ALL:
        return "one constant does not describe how it dries: a quick and a slow store are at work"
    dice = np.random.default_rng(len(tub.vapour_hpa))  # the same question has the same answer
    draws = [
        table.best(np.bincount(dice.integers(0, len(decays), len(decays)), minlength=len(decays)).astype(float))
        for _ in range(_RESAMPLED)
    ]
    low, high = (float(q) for q in np.quantile(draws, (0.025, 0.975)))
    if not SHORTEST_HOURS * 1.05 < tau < LONGEST_HOURS * 0.95 or high > _WIDEST * low:
        return f"the decays do not agree: anything from {low:.1f} to {high:.1f} h"
    if low < _QUICKEST_TOLD_HOURS:
        return "it dries within about half an hour, too quick to be told from readings of minutes"
    return DryingConstant(tau, min(low, tau / _GRID_ERROR), max(high, tau * _GRID_ERROR), len(decays))


class _Table:
    """Squares of every decay for a ladder of constants, so that a resampling costs a sum."""

    def __init__(self, decays: Sequence[_Decay]) -> None:
        self._logs = np.log(np.geomspace(SHORTEST_HOURS, LONGEST_HOURS, _STEPS))
        self._squares = np.array([decay.ladder(_one(np.exp(self._logs))) for decay in decays])

    def sums(self, weights: Numbers) -> Numbers:
        """Return the squares of all decays, so often each, for every step of the ladder."""
        total: Numbers = weights @ self._squares
        return total

    def best(self, weights: Numbers) -> float:
        """Return the constant that leaves least: the vertex of a parabola through the ladder's three lowest steps."""
        sums = self.sums(weights)
        place = min(max(1, int(sums.argmin())), len(sums) - 2)
        before, here, after = sums[place - 1 : place + 2]
        bend = before - 2 * here + after
        shift = 0.5 * (before - after) / bend if bend > 0 else 0.0
        step = self._logs[1] - self._logs[0]
        return float(np.exp(self._logs[place] + step * min(1.0, max(-1.0, shift))))


def _decays(tub: Series, room: Series | None, deeds: Sequence[Deed]) -> list[_Decay]:
    """Return what can be learned from: a day before each wetting and a day after its crest, as far as no other hand is in it."""
    hands = sorted((deed for deed in deeds if deed.wets or deed.opens), key=lambda deed: deed.at)
    found: list[_Decay] = []
    calm_from, earlier = tub.start, None
    for place, deed in enumerate(hands):
        # Noted twice within ten minutes it is one visit.
        after = next((other.at for other in hands[place + 1 :] if other.at > deed.at + 600), deed.at + _WINDOW_SECONDS)
        top = crest(tub, deed.at, min(after, deed.at + 4 * HOUR_SECONDS)) if deed.wets else None
        if top is not None:
            before = max(calm_from, deed.at - _WINDOW_SECONDS), deed.at - 600
            decay = _cut(tub, room, before, (top, min(after - 600, deed.at + _WINDOW_SECONDS, tub.end)), earlier)
            if decay is not None:
                found.append(decay)
        calm_from, earlier = top or deed.at + AFTER_OPEN_HOURS * HOUR_SECONDS, top
    return found


def crest(tub: Series, at: int, until: int) -> int | None:
    """Return when vapour turned down after a wetting: the last five minutes near its highest; None without a rise."""
    first, last = ((t - tub.start) // GRID_SECONDS for t in (at, until))
    if first < 6 or last <= first:
        return None
    before, then = tub.vapour_hpa[first - 6 : first], tub.vapour_hpa[first : last + 1]
    if np.isnan(before).all() or np.isnan(then).all():
        return None
    level, top = float(np.nanmedian(before)), float(np.nanmax(then))
    if top < level * (1 + _RISE_SHARE):
        return None
    near = np.flatnonzero(then >= level + 0.9 * (top - level))
    return tub.start + GRID_SECONDS * (first + int(near[-1]) + 1)


def _cut(
    tub: Series, room: Series | None, before: tuple[int, int], after: tuple[int, int], earlier: int | None
) -> _Decay | None:
    """Return what was read from and to two times before a wetting and two after it; None for too little after it."""
    spans = [
        ((first - tub.start) // GRID_SECONDS, (last - tub.start) // GRID_SECONDS) for first, last in (before, after)
    ]
    places = np.concatenate([np.arange(*span) for span in spans])
    columns = [tub.vapour_hpa[places], saturation(tub.temperature_c[places])]
    if room is not None and len(places):
        there = places + (tub.start - room.start) // GRID_SECONDS
        if there[0] >= 0 and there[-1] < len(room.vapour_hpa):
            columns.append(room.vapour_hpa[there])
    everything = np.column_stack(columns)
    good = ~np.isnan(everything).any(axis=1)
    hours = ((places - spans[1][0]) * GRID_SECONDS / HOUR_SECONDS)[good]
    if (hours >= 0).sum() * GRID_SECONDS < _NEEDED_SECONDS:
        return None
    beside = everything[good, 1:]
    since = None if earlier is None else (earlier - after[0]) / HOUR_SECONDS
    return _Decay(hours, everything[good, 0], beside - beside.mean(axis=0), since)
