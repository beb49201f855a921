"""What is learned of places without a probe of their own: how warm they are, when the cool wall is wet, how much air still passes.

**Warmth** of the warm end and the hide: by how much they are warmer than the judged probe, from a second probe there, or from
surface readings that the keeper wrote down.

**The cool wall**: its temperature factor f = (T_wall - T_room) / (T_air - T_room) (EN ISO 13788, there of a building's inner
surface). Nobody measures it; but each morning on which the wall was noted wet says that f was below the factor at the dew
point of the worst hour of that night, each dry one that it was above. A surface reading of the wall says it itself. By
Bayes' rule on a grid of f, with the scatter of a note (draught, a late look) unknown too.

**Exchange** since vents were covered or opened: at rest the room takes away what water gives off, Q·(e - e_room) =
kA·(es - e), so (es - e) / (e - e_room) is exchange against what evaporates, and what it is since the change against
before is how much of the exchange is left. Water and warmth cancel out as long as both stay as they were.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from dewkeeper.air import dew_point_c
from dewkeeper.insight.hours import Deed, hours_of
from dewkeeper.insight.outlook import WETTING
from dewkeeper.insight.places import THERMOMETER_C, VENTS, Spot, factor_at_dew, surface_of
from dewkeeper.insight.series import DAY_SECONDS, HOUR_SECONDS, Numbers, Series
from dewkeeper.judge.types import Fact, Quantity

WARMTH: Final[Mapping[Spot, tuple[Quantity, str]]] = {
    "warm_end": ("warm_end_above_c", "warm_end"), "hide": ("hide_above_c", "humid_hide"),
}  # fmt: skip
"""Place -> what is learned of it, and the role of a probe that lies there."""
NEEDED_SURFACES: Final = 3
NEEDED_NOTES: Final = 3
NEEDED_VENT_DAYS: Final = 3
_PROBE_SECONDS: Final = 7 * DAY_SECONDS
_NEAR_SECONDS: Final = 1800
_NIGHT_HOURS: Final = 6
_LEAST_APART_C: Final = 3.0
"""An enclosure nearer to its room's temperature tells nothing of a factor between the two."""
_WIDEST_FACTOR: Final = 0.5
_SCATTER: Final = np.array([0.02, 0.04, 0.07, 0.1, 0.15, 0.2])
_FACTORS: Final = np.linspace(0.0, 1.0, 101)
_LEAST_HPA: Final = 2.2  # above its room by twice the uncertainty of two probes, as `judge.checks.impossible`
_WIDEST_SHARE: Final = 4.0
_AFTER_WATER: Final = 6
_LATER_DAYS: Final = 14


def spot_facts(
    tub: Series, room: Series | None, beside: Mapping[str, Series], deeds: Sequence[Deed], changed: int | None, at: int
) -> list[Fact]:
    """Return what is known at a time of the places of an enclosure.

    tub, room: all that was read up to then. beside: its other probes by role. changed: when the enclosure became another
    one to learn, None for never; warmth from before then is another's, a wall stays the same wall.
    """
    done = [deed for deed in deeds if deed.at < at]
    surfaces = [deed for deed in done if deed.what == "surface" and deed.at >= (changed or 0)]
    warm = [_warmth(tub, beside.get(role), surfaces, spot, quantity, at) for spot, (quantity, role) in WARMTH.items()]
    return [*warm, _wall(tub, room, done), _exchange(tub, room, done, at)]


def _warmth(
    tub: Series, second: Series | None, surfaces: Sequence[Deed], spot: Spot, quantity: Quantity, at: int
) -> Fact:
    if second is not None:
        count = _PROBE_SECONDS // HOUR_SECONDS
        apart = second.until(at).hours(at, count)[0] - tub.until(at).hours(at, count)[0]
        apart = apart[~np.isnan(apart)]
        if len(apart) < 24:
            return Fact(quantity, why="its probe there was read for less than a day")
        low, middle, high = (float(q) for q in np.quantile(apart, (0.025, 0.5, 0.975)))
        return Fact(quantity, middle, low, high, days=len(apart) // 24)
    found = []
    for deed in surfaces:
        read = surface_of(deed.detail)
        air = tub.mean(deed.at - _NEAR_SECONDS, deed.at)
        if read is not None and read.spot == spot and air is not None:
            found.append(read.celsius - air[0])
    if len(found) < NEEDED_SURFACES:
        why = f"{len(found)} surface readings there, {NEEDED_SURFACES} are needed, best at different hours"
        return Fact(quantity, decays=len(found), why=why)
    values = np.array(found)
    n = len(values)
    # Of one more reading, not of the mean: what is asked is how warm it is there at some moment.
    spread = _student(n - 1) * float(values.std(ddof=1)) * math.sqrt(1 + 1 / n)
    wide = math.hypot(spread, THERMOMETER_C)
    middle = float(values.mean())
    return Fact(quantity, middle, middle - wide, middle + wide, decays=n)


def _wall(tub: Series, room: Series | None, done: Sequence[Deed]) -> Fact:
    notes = [deed for deed in done if deed.what in ("wall_wet", "wall_dry", "surface")]
    if room is None or not notes:
        why = (
            "no probe reads its room"
            if room is None
            else "nobody noted yet on which mornings it is wet and on which dry"
        )
        return Fact("wall_factor", why=why)
    from scipy.special import ndtr  # scipy, which most nights nobody needs

    logs = np.zeros((len(_FACTORS), len(_SCATTER)))
    wet = dry = read = 0
    for deed in notes:
        if deed.what == "surface":
            told = _factor_read(tub, room, deed)
            if told is not None:
                sigma = np.hypot(_SCATTER, told[1])
                logs += -0.5 * ((told[0] - _FACTORS[:, None]) / sigma) ** 2 - np.log(sigma)
                read += 1
        elif (at_dew := _worst(tub, room, deed.at, done)) is not None:
            sign = 1.0 if deed.what == "wall_wet" else -1.0
            # Never quite impossible: one slip of the pen must not rule a factor out for good.
            logs += np.log(np.maximum(1e-9, ndtr(sign * (at_dew - _FACTORS[:, None]) / _SCATTER)))
            wet, dry = wet + (sign > 0), dry + (sign < 0)
    if min(wet, dry) < NEEDED_NOTES and read < NEEDED_SURFACES:
        why = (
            f"{wet} mornings were noted wet and {dry} dry that can be used, {NEEDED_NOTES} of each are needed,"
            f" or {NEEDED_SURFACES} surface readings of the wall"
        )
        return Fact("wall_factor", decays=wet + dry + read, why=why)
    chance = np.exp(logs - logs.max()).sum(axis=1)
    total = np.cumsum(chance) / chance.sum()
    low, middle, high = (float(np.interp(q, total, _FACTORS)) for q in (0.025, 0.5, 0.975))
    if high - low > _WIDEST_FACTOR:
        why = f"the notes do not agree, or all lie on one side: anything from {low:.2f} to {high:.2f}"
        return Fact("wall_factor", decays=wet + dry + read, why=why)
    return Fact("wall_factor", middle, low, high, decays=wet + dry + read)


def _factor_read(tub: Series, room: Series, deed: Deed) -> tuple[float, float] | None:
    """Return the factor that a surface reading of the wall says, and one sigma of it; None for any other reading."""
    read = surface_of(deed.detail)
    air, beside = (place.mean(deed.at - _NEAR_SECONDS, deed.at) for place in (tub, room))
    if read is None or read.spot != "wall" or air is None or beside is None or air[0] - beside[0] < _LEAST_APART_C:
        return None
    return (read.celsius - beside[0]) / (air[0] - beside[0]), THERMOMETER_C / (air[0] - beside[0])


def _worst(tub: Series, room: Series, at: int, done: Sequence[Deed]) -> float | None:
    """Return the highest factor at which the wall was still wet in the hours before a look; None where that is not known.

    Whoever mists wets the wall itself: such a morning says nothing.
    """
    if any(deed.what in WETTING and at - _NIGHT_HOURS * HOUR_SECONDS <= deed.at < at for deed in done):
        return None
    found = []
    for hour in range(_NIGHT_HOURS):
        end = at - hour * HOUR_SECONDS
        air, beside = (place.mean(end - HOUR_SECONDS, end) for place in (tub, room))
        if air is not None and beside is not None and air[0] - beside[0] >= _LEAST_APART_C:
            found.append(factor_at_dew(air[0], beside[0], dew_point_c(air[1])))
    return max(found) if len(found) >= _NIGHT_HOURS // 2 else None


def _exchange(tub: Series, room: Series | None, done: Sequence[Deed], at: int) -> Fact:
    vents = [deed.at for deed in done if deed.what in VENTS and deed.at >= tub.start]
    if room is None or not vents:
        return Fact(
            "exchange_share", why="no probe reads its room" if room is None else "its vents were not changed lately"
        )
    last = vents[-1]
    others = [
        d.at
        for d in done
        if (d.what.endswith("_changed") or d.what in ("probe_moved", "probe_replaced")) and d.at != last
    ]
    begin = max((when for when in others if when <= last), default=tub.start)
    end = min([at, *(when for when in others if when > last), last + _LATER_DAYS * DAY_SECONDS])
    if any(abs(when - last) < DAY_SECONDS for when in others):
        return Fact("exchange_share", why="two changes within a day: nobody can tell which of them did it")
    # Whole days on both sides; the day of the change itself belongs to neither.
    before = _against_water(
        tub, room, done, max(begin, last - _LATER_DAYS * DAY_SECONDS), last // DAY_SECONDS * DAY_SECONDS
    )
    after = _against_water(tub, room, done, (last // DAY_SECONDS + 1) * DAY_SECONDS, end)
    if min(len(before), len(after)) < NEEDED_VENT_DAYS:
        why = (
            f"{len(before)} days before and {len(after)} after its vents were changed on which it was left alone and"
            f" clearly moister than its room, {NEEDED_VENT_DAYS} each are needed"
        )
        return Fact("exchange_share", days=len(after), why=why)
    log = float(after.mean() - before.mean())
    freedom = min(len(before), len(after)) - 1  # Welch's, on the safe side
    error = math.sqrt(float(before.var(ddof=1)) / len(before) + float(after.var(ddof=1)) / len(after))
    wide = _student(freedom) * error
    if 2 * wide > math.log(_WIDEST_SHARE):
        return Fact("exchange_share", days=len(after), why="its days differ too much to tell")
    return Fact("exchange_share", math.exp(log), math.exp(log - wide), math.exp(log + wide), days=len(after))


def _against_water(tub: Series, room: Series, done: Sequence[Deed], begin: int, end: int) -> Numbers:
    """Return for each day left alone the logarithm of exchange against what evaporates."""
    days = (end - begin) // DAY_SECONDS
    if days < 1:
        return np.empty(0)
    hours = hours_of(tub, room, done, end, days * 24)
    touched = np.convolve(hours.touched, np.ones(_AFTER_WATER), "full")[: len(hours)] > 0.5
    above = hours.vapour - hours.room
    good = ~touched & (above > _LEAST_HPA) & (hours.saturation - hours.vapour > 0.5)
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.where(good, np.log((hours.saturation - hours.vapour) / above), np.nan).reshape(-1, 24)
    enough = (~np.isnan(logs)).sum(axis=1) >= 8
    return np.array([float(np.nanmedian(row)) for row in logs[enough]])


def _student(freedom: int) -> float:
    """Return between how many standard errors of a mean nineteen of twenty lie."""
    from scipy.special import stdtrit  # as above

    return float(stdtrit(freedom, 0.975))
