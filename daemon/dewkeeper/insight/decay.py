"""How long water lasts: the drying constant of an enclosure, from what its vapour does after it was wetted.

After the film is gone the excess over the resting level falls as A·exp(-t/tau). All such decays of an enclosure are
fitted together: one tau, and for each decay its own height and resting level, plus what heat and room do meanwhile.
With tau given the rest is linear, so tau alone is searched (variable projection: Golub & Pereyra, Inverse Problems 19,
2003, from memory). The interval is a bootstrap over whole decays: readings within one are no independent witnesses.
Where two constants describe the decays clearly better than one, none is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import GRID_SECONDS, HOUR_SECONDS, Numbers, Series, saturation

NEEDED_DECAYS: Final = 3
SHORTEST_HOURS: Final = 0.15
LONGEST_HOURS: Final = 72.0
_WINDOW_SECONDS: Final = 24 * HOUR_SECONDS
_NEEDED_SECONDS: Final = 3 * HOUR_SECONDS
_RISE_SHARE: Final = 0.05
_TWO_BETTER: Final = 0.6
"""Two constants must leave less than this share of one constant's squares to be called clearly better."""
_WIDEST: Final = 3.0
"""An interval whose ends differ by more than this factor says nothing a keeper could use."""
_QUICKEST_TOLD_HOURS: Final = 0.5
"""Six of the five-minute means: what is gone sooner is smeared by the means, the probe's own lag and the end of the film.
Of 76 constants told on tuning seeds 1-4 of tests/bench/insight all ten that were wrong lay or reached below this."""
_RESAMPLED: Final = 200
_STEPS: Final = 120  # 5 % apart
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
    """One decay: hours since its beginning, vapour, and what else moves it, each about its own mean."""

    hours: Numbers
    vapour: Numbers
    beside: Numbers  # columns: saturation of the enclosure, the room's vapour where known

    def squares(self, *taus: float) -> float:
        """Return the sum of squares that heights and levels with these constants leave."""
        columns = [np.ones(len(self.hours)), *(np.exp(-self.hours / tau) for tau in taus)]
        design = np.column_stack((*columns, self.beside))
        left = self.vapour - design @ np.linalg.lstsq(design, self.vapour, rcond=None)[0]
        return float(left @ left)

    def ladder(self, taus: Numbers) -> Numbers:
        """Return `squares` of each of many constants: what levels and the rest explain is taken out once for all."""
        fixed = np.column_stack((np.ones(len(self.hours)), self.beside))
        u, sizes, _ = np.linalg.svd(fixed, full_matrices=False)
        basis = u[:, sizes > sizes[0] * len(fixed) * np.finfo(float).eps]
        falling = np.exp(-self.hours[:, None] / taus)
        falling -= basis @ (basis.T @ falling)
        left = self.vapour - basis @ (basis.T @ self.vapour)
        explained: Numbers = (falling.T @ left) ** 2 / np.maximum((falling**2).sum(axis=0), 1e-12)
        squares: Numbers = left @ left - explained
        return squares


def drying_constant(tub: Series, room: Series | None, deeds: Sequence[Deed]) -> DryingConstant | str:
    """Return the drying constant, or in words why there is none."""
    decays = _decays(tub, room, deeds)
    if len(decays) < NEEDED_DECAYS:
        return f"only {len(decays)} undisturbed decays after wetting, {NEEDED_DECAYS} are needed"
    table = _Table(decays)
    everyone = np.ones(len(decays))
    tau = table.best(everyone)
    one = float(table.sums(everyone).min())
    two = min(sum(d.squares(tau / ratio, tau * ratio) for d in decays) for ratio in (1.6, 2.5, 4.0))
    if two < _TWO_BETTER * one:
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
        self._squares = np.array([decay.ladder(np.exp(self._logs)) for decay in decays])

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
    """Return what can be learned from: from the crest after a wetting to the next hand, at most a day."""
    marks = sorted(deed.at for deed in deeds if deed.wets or deed.opens)
    found = []
    for deed in deeds:
        if not deed.wets:
            continue
        after = next((at for at in marks if at > deed.at + 600), deed.at + _WINDOW_SECONDS)
        top = crest(tub, deed.at, min(after, deed.at + 4 * HOUR_SECONDS))
        if top is None:
            continue
        end = min(after - 600, deed.at + _WINDOW_SECONDS, tub.end)
        decay = _between(tub, room, top, end)
        if decay is not None:
            found.append(decay)
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


def _between(tub: Series, room: Series | None, begin: int, end: int) -> _Decay | None:
    first, last = ((t - tub.start) // GRID_SECONDS for t in (begin, end))
    vapour, warm = tub.vapour_hpa[first:last], saturation(tub.temperature_c[first:last])
    columns = [warm]
    if room is not None:
        shift = (tub.start - room.start) // GRID_SECONDS
        low = max(0, first + shift)
        beside = room.vapour_hpa[low : last + shift]
        if len(beside) == len(warm):
            columns.append(beside)
    everything = np.column_stack((vapour, *columns))
    good = ~np.isnan(everything).any(axis=1)
    if good.sum() * GRID_SECONDS < _NEEDED_SECONDS:
        return None
    hours = (np.arange(len(vapour)) * GRID_SECONDS / HOUR_SECONDS)[good]
    beside = everything[good, 1:]
    return _Decay(hours, vapour[good], beside - beside.mean(axis=0))
