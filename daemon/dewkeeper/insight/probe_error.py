"""What a judged probe reads wrong by: every time the lid is off its vapour is nearly its room's, a free comparison.

What is left between both then is the probe's own error, less the room's probe's, plus what the wet floor keeps
giving off, which is about the same share of the enclosure's excess every time. So, in %RH at the probe's temperature:

    apart = place + error(t) - room(t) + share·excess + creep·exposure + noise

place: what never changes, both probes' tolerances among it: error and room are 0 at the first comparison, or at the
last salt check, after which everything begins anew. error, room: random walks. The room's probe is every neighbour's
other side: what they all show together is its. creep: humidity sensors read up to 3 %RH too much after 60 h above
80 %RH and go back by themselves in days (sensor data sheet, from memory), which is not drift.

Filtered comparison by comparison (Kalman 1960; Durbin & Koopman, Time Series Analysis by State Space Methods, ch. 4, from
memory). scipy has no such filter, and statsmodels would bring as much memory as a pass may take; tests hold it to the exact solution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from dewkeeper.insight.compared import Comparison
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import DAY_SECONDS, GRID_SECONDS, HOUR_SECONDS, Numbers, Series, saturation

NEEDED: Final = 5
NEEDED_DAYS: Final = 14
NEEDED_TUBS: Final = 3
"""Of one or two enclosures compared with it nobody can say whose probe it was that moved."""
_BEFORE, _AFTER, _EARLIER = 6, 24, 24
"""Five minutes about a deed, which is noted before, meanwhile or afterwards, and in which the air was as ever."""
_FELL: Final = 0.8
_BLUR_PERCENT: Final = 2.0
"""Two means of five minutes so near to each other are the air at rest; a shorter opening shows the way there only."""
_LEAST_EXCESS: Final = 8.0
_OPEN_SHARE: Final = 0.4
"""No more than this is left of the excess when the lid is really off; of an excess below 8 %RH that could not be told."""
_DAMP_PERCENT: Final = 80.0
_CREEPS_HOURS, _RECOVERS_HOURS = 30.0, 240.0
"""Of damp air two thirds of the creep come in the first, and go in the second (the data sheet says "slowly"; assumed)."""
_PLACE_SPREAD: Final = 6.0
_SHARE, _SHARE_SPREAD = 0.08, 0.08
_CREEP_SPREAD: Final = 3.0
"""%RH, one sigma, but for the share: a twelfth of the excess is left in an open enclosure, in simulated ones."""
_NOISE_PERCENT: Final = 0.6
_BLURRED: Final = 0.5
_DEEP: Final = 0.15
"""One sigma of a comparison, and how much of what was not at rest, and of what was left, adds to it: short openings leave much."""
_WALK_PERCENT: Final = 0.3
"""One sigma of a day's step. Steps that are none would be a tenth; so wide the filter keeps up with 3 %RH in two weeks."""
_FAR: Final = 3.0
"""Sigmas from which on a comparison is doubted, the more the farther. These seven: tuned, tests/bench/insight, seed 1."""


@dataclass(frozen=True, slots=True)
class Misreading:
    """By how many %RH more a probe reads than at its first comparison; spread: one sigma; creep: what damp air adds besides, for now."""

    percent: float
    spread: float
    creep: float
    comparisons: int
    days: int


def comparisons(tub: Series, room: Series, deeds: Sequence[Deed]) -> list[Comparison]:
    """Return the comparisons that open lids gave, oldest first: those of the journal, and those the air itself shows."""
    size = len(tub.vapour_hpa)
    places = np.arange(size) + (tub.start - room.start) // GRID_SECONDS
    inside = (places >= 0) & (places < len(room.vapour_hpa))
    beside = np.full(size, np.nan)
    beside[inside] = room.vapour_hpa[places[inside]]
    full = saturation(tub.temperature_c)
    apart = 100 * (tub.vapour_hpa - beside) / full
    noted = {(deed.at - tub.start) // GRID_SECONDS for deed in deeds if deed.opens}
    exposure = _exposure(100 * tub.vapour_hpa / full)
    found: list[Comparison] = []
    last = -_AFTER
    for slot in sorted(noted | set(_seen_open(tub.vapour_hpa, apart))):
        first = max(_EARLIER, slot - _BEFORE)
        if slot < last + _AFTER or first >= size:
            continue
        before, then = apart[first - _EARLIER : first], apart[first : slot + _AFTER]
        rest = _rest(then)
        if rest is None or (~np.isnan(before)).sum() < _EARLIER // 2:
            continue
        excess = float(np.median(before[~np.isnan(before)]))
        place, blur = rest
        if excess < _LEAST_EXCESS or then[place] > _OPEN_SHARE * excess or not _closed(then[place:], excess):
            continue
        last = first + place
        at = tub.start + GRID_SECONDS * last
        found.append(Comparison(at, *(round(float(v), 2) for v in (then[place], excess, blur, exposure[last]))))
    return found


def _seen_open(vapour: Numbers, apart: Numbers) -> list[int]:
    """Return the slots in which the air fell as only an open lid makes it, towards its room's."""
    with np.errstate(invalid="ignore"):
        fell = (vapour[2:] < _FELL * vapour[:-2]) & (apart[2:] < _OPEN_SHARE * apart[:-2])
    found: list[int] = (np.flatnonzero(fell) + 1).tolist()
    return found


def _rest(apart: Numbers) -> tuple[int, float] | None:
    """Return where a stretch comes to rest at its lowest, and by how much it is not at rest there; None for never."""
    if len(apart) < 3 or np.isnan(apart).all():
        return None
    place = int(np.nanargmin(apart))
    beside = [abs(apart[k] - apart[place]) for k in (place - 1, place + 1) if 0 <= k < len(apart)]
    blur = float(np.nanmin(beside)) if not np.isnan(beside).all() else math.nan
    return (place, blur) if blur < _BLUR_PERCENT else None


def _closed(apart: Numbers, excess: float) -> bool:
    """Return whether it was closed again: a probe that fell out stays in its room's air."""
    return bool(np.nanmax(apart) > 0.5 * excess)


def _exposure(percent: Numbers) -> Numbers:
    step = GRID_SECONDS / HOUR_SECONDS
    rise, fall = 1 - math.exp(-step / _CREEPS_HOURS), 1 - math.exp(-step / _RECOVERS_HOURS)
    found, level = np.zeros(len(percent)), 0.0
    damps = percent > _DAMP_PERCENT
    first = int(damps.argmax()) if damps.any() else len(percent)
    for place, damp in enumerate(damps[first:].tolist(), first):
        level += rise * (1 - level) if damp else -fall * level
        found[place] = level
    return found


class Errors(NamedTuple):
    """The errors of the probes of one room: by enclosure, and of the room's own; in words why there is none."""

    tubs: dict[str, Misreading | str]
    room: Misreading | str


def errors(tubs: Mapping[str, Sequence[Comparison]], at: int) -> Errors:
    """Return the errors of the probes of one room at a time, from its enclosures' comparisons."""
    names = list(tubs)
    *filtered, (percent, spread, _) = _filtered([tubs[name] for name in names], at)
    known = [own for own in tubs.values() if len(own) >= NEEDED and own[-1].at - own[0].at >= NEEDED_DAYS * DAY_SECONDS]
    room: Misreading | str = (
        f"{len(known)} enclosures could be compared with it often enough to tell its error from theirs, {NEEDED_TUBS} are needed"
    )
    if len(known) >= NEEDED_TUBS:
        days = (max(own[-1].at for own in known) - min(own[0].at for own in known)) // DAY_SECONDS
        room = Misreading(percent, spread, 0.0, sum(map(len, known)), days)
    found: dict[str, Misreading | str] = {}
    for name, (percent, spread, creep) in zip(names, filtered, strict=True):
        own = tubs[name]
        days = (own[-1].at - own[0].at) // DAY_SECONDS if own else 0
        if len(own) < NEEDED or days < NEEDED_DAYS:
            found[name] = (
                f"{len(own)} openings within {days} days could be compared with the room, {NEEDED} within {NEEDED_DAYS} are needed"
            )
        else:
            found[name] = Misreading(percent, spread, creep, len(own), days)
    return Errors(found, room)


def _filtered(tubs: Sequence[Sequence[Comparison]], at: int) -> list[tuple[float, float, float]]:
    """Return (error, its sigma, creep now) of each enclosure's probe, and last of the room's.

    State: error, place, share and creep of each, and last the room's error.
    """
    many = len(tubs)
    mean, spread = np.zeros(4 * many + 1), np.zeros(4 * many + 1)
    mean[2 * many : 3 * many] = _SHARE
    for part, sigma in enumerate((0.0, _PLACE_SPREAD, _SHARE_SPREAD, _CREEP_SPREAD)):
        spread[part * many : (part + 1) * many] = sigma
    variance = np.diag(spread**2)
    walking, before = [4 * many], None  # the room's; each other from its own first comparison on
    for one, tub in sorted((one, tub) for tub, own in enumerate(tubs) for one in own):
        if before is not None:
            variance[walking, walking] += _walked(one.at - before)
        before = one.at
        if tub not in walking:
            walking.append(tub)
        row = np.zeros(len(mean))
        row[[tub, many + tub, 2 * many + tub, 3 * many + tub, 4 * many]] = 1.0, 1.0, one.excess, one.exposure, -1.0
        toward = variance @ row
        missed, known = one.apart - float(row @ mean), float(row @ toward)
        noise = _NOISE_PERCENT**2 + (_BLURRED * one.blur) ** 2 + (_DEEP * one.apart) ** 2
        far = abs(missed) / math.sqrt(known + noise) / _FAR
        total = known + noise * max(1.0, far) ** 4
        mean += toward * (missed / total)
        variance -= np.outer(toward, toward) / total
    if before is not None:
        variance[walking, walking] += _walked(at - before)
    sigmas = np.sqrt(np.diag(variance))
    exposed = [own[-1].exposure if own else 0.0 for own in tubs]
    found = [(float(mean[i]), float(sigmas[i]), float(mean[3 * many + i]) * exposed[i]) for i in range(many)]
    return [*found, (float(mean[-1]), float(sigmas[-1]), 0.0)]


def _walked(seconds: int) -> float:
    """Return the variance that a random walk gathers in a time."""
    return _WALK_PERCENT**2 * seconds / DAY_SECONDS
