"""What is learned of one enclosure in a pass: one dated fact for each quantity, or why it is withheld.

Only what is told to the judge and to people is here; the figures a forecast is run on with are `forecast.outlook`'s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from dewkeeper.insight.decay import crest, drying_constant
from dewkeeper.insight.hours import Deed, Hours
from dewkeeper.insight.probe_error import Misreading
from dewkeeper.insight.response import Response
from dewkeeper.insight.series import DAY_SECONDS, GRID_SECONDS, HOUR_SECONDS, Series
from dewkeeper.insight.warmth import interval_of_median, warmth
from dewkeeper.judge.types import Fact, Quantity

VERSION: Final = 3
"""Of this way of learning: facts of another one are learned anew."""
VALID_DAYS: Final = 21
"""A fact that no pass confirms for so long is dropped: bedding is changed about as often (common practice, no source)."""
_SETTLED_HOURS: Final = 12
_NEEDED_DAYS: Final = 5
_NEEDED_MISTINGS: Final = 3
_LONGEST_MISTING: Final = 24 * HOUR_SECONDS
_CREEP_TOLD_PERCENT: Final = 1.0


def facts_of(
    tub: Series, room: Series | None, deeds: Sequence[Deed], hours: Hours, response: Response | None
) -> tuple[Fact, ...]:
    """Return what is known of an enclosure at the end of its series.

    hours, response: of the same enclosure, the latter None where it is not known.
    """
    at = hours.end
    days = int((~np.isnan(hours.vapour)).sum()) // 24
    found = [_drying(tub, room, deeds, days), _resting(hours, days), _misting(tub, deeds, days)]
    found += _following(response, days)
    found += warmth(tub, room, at, days)
    return held(found, at)


def held(found: Sequence[Fact], at: int) -> tuple[Fact, ...]:
    """Return facts learned at a time (UTC seconds) with the time until which they hold, and no more digits than matter."""
    until = at + VALID_DAYS * DAY_SECONDS
    return tuple(
        Fact(f.quantity, _short(f.value), _short(f.low), _short(f.high), f.decays, f.days, until if f.value is not None else 0, f.why)
        for f in found
    )  # fmt: skip


def probe_fact(error: Misreading | str, at: int) -> Fact:
    """Return what a judged probe reads wrong by, as a fact learned at a time (UTC seconds)."""
    if isinstance(error, str):
        return Fact("probe_error_percent", why=error)
    wide = 1.96 * error.spread
    value, low, high = (round(v, 1) for v in (error.percent, error.percent - wide, error.percent + wide))
    creep = ""
    if abs(error.creep) >= _CREEP_TOLD_PERCENT:
        creep = f"after a damp time it reads about {error.creep:+.0f} %RH besides, which goes back by itself"
    until = at + VALID_DAYS * DAY_SECONDS
    return Fact("probe_error_percent", value, low, high, error.comparisons, error.days, until, creep)


def _short(value: float | None) -> float | None:
    """Return a value with as many digits as anybody could have measured, so that yesterday's fact is not another one."""
    return None if value is None else float(f"{value:.4g}")


def _withheld(quantity: Quantity, why: str, days: int, decays: int = 0) -> Fact:
    return Fact(quantity, decays=decays, days=days, why=why)


def _drying(tub: Series, room: Series | None, deeds: Sequence[Deed], days: int) -> Fact:
    found = drying_constant(tub, room, deeds)
    if isinstance(found, str):
        return _withheld("drying_hours", found, days)
    return Fact("drying_hours", found.hours, found.low, found.high, found.decays, days)


def _resting(hours: Hours, days: int) -> Fact:
    """Return the vapour an enclosure comes to rest at: its mean in hours long after the last water, by days."""
    wet = np.convolve(hours.touched, np.ones(_SETTLED_HOURS), "full")[: len(hours)] > 0.5
    settled = np.where(wet, np.nan, hours.vapour)
    # Days counted back from the end; a first one that is not whole is left out.
    rows = settled[len(settled) % 24 :].reshape(-1, 24)
    enough = (~np.isnan(rows)).sum(axis=1) >= 6
    means = np.array([float(np.nanmean(row)) for row in rows[enough]])
    if len(means) < _NEEDED_DAYS:
        why = f"only {len(means)} days on which it was left alone for half a day, {_NEEDED_DAYS} are needed"
        return _withheld("resting_hpa", why, days)
    low, high = interval_of_median(means)
    return Fact("resting_hpa", float(np.median(means)), low, high, days=len(means))


def _misting(tub: Series, deeds: Sequence[Deed], days: int) -> Fact:
    """Return how long a misting lasts: until half of its rise is gone, the middle of all that nobody cut short."""
    marks = sorted(deed.at for deed in deeds if deed.wets or deed.opens)
    lasted = []
    for deed in deeds:
        if deed.what != "misted":
            continue
        # Within ten minutes it is one visit, and its other entries do not cut it short.
        after = next((at for at in marks if at > deed.at + 600), deed.at + _LONGEST_MISTING)
        seconds = _half_gone(tub, deed.at, min(after, deed.at + _LONGEST_MISTING))
        if seconds is not None:
            lasted.append(seconds / HOUR_SECONDS)
    if len(lasted) < _NEEDED_MISTINGS:
        why = f"{len(lasted)} mistings could be followed until half was gone, {_NEEDED_MISTINGS} are needed"
        return _withheld("misting_hours", why, days, len(lasted))
    values = np.array(lasted)
    low, high = interval_of_median(values)
    return Fact("misting_hours", float(np.median(values)), low, high, len(lasted), days)


def _half_gone(tub: Series, at: int, until: int) -> int | None:
    """Return how many seconds after a misting half of what it added was gone, None where that was not seen."""
    top_at = crest(tub, at, min(until, at + 4 * HOUR_SECONDS))
    if top_at is None:
        return None
    before = tub.mean(at - 1800, at)
    first, last = ((t - tub.start) // GRID_SECONDS for t in (top_at, until))
    after = tub.vapour_hpa[first:last]
    if before is None or not len(after) or np.isnan(after).all():
        return None
    top = float(np.nanmax(tub.vapour_hpa[(at - tub.start) // GRID_SECONDS : first + 1]))
    gone = np.flatnonzero(after < before[1] + 0.5 * (top - before[1]))
    return None if not len(gone) else top_at + int(gone[0]) * GRID_SECONDS - at


def _following(response: Response | None, days: int) -> list[Fact]:
    if response is None:
        why = "not enough hours in which nobody touched it"
        return [_withheld("room_share", why, days), _withheld("room_hours", why, days)]
    wide = 1.96 * response.gain_error
    share = Fact("room_share", response.gain, response.gain - wide, response.gain + wide, days=days)
    if response.gain < max(0.1, wide):
        return [share, _withheld("room_hours", "it hardly follows its room", days)]
    # A room that rises by 1 hPa and stays so, and three days of what comes of it in here.
    room = np.ones(73)
    room[0] = 0.0
    carried = response.carrying(room)[1:]
    reached = np.flatnonzero(carried >= (1 - math.exp(-1)) * response.gain)
    if not len(reached):
        return [share, _withheld("room_hours", "it follows its room more slowly than three days tell", days)]
    return [share, Fact("room_hours", float(reached[0] + 1), days=days)]
