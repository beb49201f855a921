"""An enclosure hour by hour beside its room, with the hours marked in which a hand was at it.

What the journal says is taken as said. What it does not say is looked for in the air: vapour that jumps up within a
quarter of an hour was water, vapour that falls as fast towards the room's was an open lid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from dewkeeper.insight.outlook import WETTING
from dewkeeper.insight.series import DAY_SECONDS, GRID_SECONDS, HOUR_SECONDS, Flags, Numbers, Series, saturation
from dewkeeper.judge.words import JOURNAL

_JUMP_SLOTS: Final = 3  # a quarter of an hour
_JUMP_SHARE: Final = 0.06
"""A jump of 6 % of the vapour within a quarter of an hour is a hand's, and of twice what this place does anyway: where a
heater cycles hard, warm bedding gives off and takes up as much every time. Tuned: tests/bench/insight, seeds 1-9."""
_USUAL_QUANTILE: Final = 0.95
_SLOTS_A_DAY: Final = DAY_SECONDS // GRID_SECONDS
_FILLED_HOURS: Final = 3
"""Gaps up to so long are drawn straight across; longer ones stay gaps."""


class Deed(NamedTuple):
    """An entry of the journal about an enclosure: UTC seconds, a word of `dewkeeper.judge.words.JOURNAL`, and what was written beside it."""

    at: int
    what: str
    detail: str = ""

    @property
    def wets(self) -> bool:
        """Whether it added water."""
        return self.what in WETTING

    @property
    def opens(self) -> bool:
        """Whether the lid was off for it."""
        word = JOURNAL.get(self.what)
        return word is not None and word.opens


@dataclass(frozen=True, slots=True)
class Hours:
    """Hourly means that end at `end` (UTC seconds); NaN where an hour was not read.

    saturation: of the enclosure's temperature, hPa. room: the room's vapour pressure, hPa, or NaN throughout.
    wet, opened: hours in which water was added, or the lid was off. daily: of those seen in the air alone, the ones whose
    jump comes at that time on most days: a lamp's doing, not a hand's. jump: the share of the vapour from which on a change
    within a quarter of an hour is a hand's here.
    """

    end: int
    temperature_c: Numbers
    vapour: Numbers
    saturation: Numbers
    room: Numbers
    wet: Flags
    opened: Flags
    daily: Flags
    jump: float = math.inf

    def __len__(self) -> int:
        return len(self.vapour)

    @property
    def humidity(self) -> Numbers:
        """Return %RH of the hourly means."""
        percent: Numbers = 100 * self.vapour / self.saturation
        return percent

    @property
    def touched(self) -> Flags:
        """Return the hours in which a hand was at it, for water or otherwise."""
        either: Flags = self.wet | self.opened
        return either

    @property
    def handled(self) -> Flags:
        """Return those of them that are not the place's own doing, which goes on if nobody does anything."""
        hands: Flags = self.touched & ~self.daily
        return hands


def hours_of(tub: Series, room: Series | None, deeds: Sequence[Deed], end: int, count: int) -> Hours:
    """Return the `count` hours of an enclosure that end at a time, knowing nothing later."""
    tub = tub.until(end)
    warm, moist = (_bridged(values) for values in tub.hours(end, count))
    beside = np.full(count, np.nan)
    if room is not None:
        beside = _bridged(room.until(end).hours(end, count)[1])
    wet, opened, daily, jump = _seen(tub, end, count)
    for deed in deeds:
        # Counted back from `end`, which need not be a full hour.
        hour = count - 1 - (end - 1 - deed.at) // HOUR_SECONDS
        if deed.at < end and 0 <= hour < count:
            wet[hour] |= deed.wets
            opened[hour] |= deed.opens
            # What somebody wrote down is a hand's, though it comes at the same time every day.
            daily[hour] &= not (deed.wets or deed.opens)
    return Hours(end, warm, moist, saturation(warm), beside, wet, opened, daily, jump)


def _bridged(values: Numbers) -> Numbers:
    """Return hourly values with short gaps drawn straight across."""
    missing = np.isnan(values)
    if not missing.any() or missing.all():
        return values
    places = np.arange(len(values))
    filled = np.interp(places, places[~missing], values[~missing])
    # Where gaps begin and where they end, by turns.
    edges = np.flatnonzero(np.diff(np.concatenate(([0], missing.astype(np.int8), [0]))))
    for begin, stop in zip(edges[::2], edges[1::2], strict=True):
        # At either end of all there is nothing to draw a gap across to.
        if stop - begin > _FILLED_HOURS or begin == 0 or stop == len(values):
            filled[begin:stop] = np.nan
    return filled


def _seen(tub: Series, end: int, count: int) -> tuple[Flags, Flags, Flags, float]:
    """Return the hours in which the air itself shows added water, an open lid, and one of both that comes daily; and the jump."""
    wet, opened, hand = (np.zeros(count, dtype=bool) for _ in range(3))
    if len(tub.vapour_hpa) <= _JUMP_SLOTS:
        return wet, opened, hand, math.inf
    before, after = tub.vapour_hpa[:-_JUMP_SLOTS], tub.vapour_hpa[_JUMP_SLOTS:]
    with np.errstate(invalid="ignore"):
        change = after / before - 1
        known = np.abs(change[~np.isnan(change)])
        if not len(known):
            return wet, opened, hand, math.inf
        jump = max(_JUMP_SHARE, 2 * float(np.quantile(known, _USUAL_QUANTILE)))
        apart = change - _of_the_clock(change)
        for flags, places in (
            (wet, change > jump), (opened, change < -jump),
            (hand, ((change > jump) & (apart > jump)) | ((change < -jump) & (apart < -jump))),
        ):  # fmt: skip
            seconds = tub.start + GRID_SECONDS * (np.flatnonzero(places) + 1)
            hour = count - 1 - (end - 1 - seconds) // HOUR_SECONDS
            flags[hour[(hour >= 0) & (hour < count)]] = True
    return wet, opened, (wet | opened) & ~hand, jump


def _of_the_clock(change: Numbers) -> Numbers:
    """Return for every five minutes the change that is usual at that time of day: the middle of all days."""
    days = -(-len(change) // _SLOTS_A_DAY)
    whole = np.full(days * _SLOTS_A_DAY, np.nan)
    whole[: len(change)] = change
    table = whole.reshape(days, _SLOTS_A_DAY)
    usual = np.zeros(_SLOTS_A_DAY)
    read = ~np.isnan(table).all(axis=0)
    usual[read] = np.nanmedian(table[:, read], axis=0)
    found: Numbers = np.tile(usual, days)[: len(change)]
    return found
