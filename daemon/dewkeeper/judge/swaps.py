"""Two probes that read each other's enclosure.

A tub is known by its temperature, its humidity, and how much its thermostat makes either swing within an hour: its print.
When two probes of a room were touched together, and each has since read what the other read before, they were exchanged.
How far each number lies from what it was, and from what the other's was, is weighed by a law with long tails, Cauchy's,
so that a misting or a dry bowl spoils one number and not the sum. Before is the last hours before the touch, or the
same hours of the day before, so that nights and daily mistings cancel. The name comes some nine hours after the deed;
until then a suspicion holds back what would be told from the readings of the wrong tub.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log
from statistics import fmean, median
from typing import Final, NamedTuple

from dewkeeper.air import saturation_hpa
from dewkeeper.judge.faults import EXCLUDING, HUMIDITY_ONLY, end_fault, start_fault
from dewkeeper.judge.past import Hour
from dewkeeper.judge.state import State, Watch

LONGEST_SECONDS: Final = 3 * 86400
"""So long a swap is believed; then the levels they have are their own."""

_AFTER_HOURS: Final = 6
_SETTLING_HOURS: Final = 2
"""The hour of the touch and the next: a tub that stood open is on its way back."""
_DAY_HOURS: Final = 24
_FEWEST_BEFORE: Final = 3
_TOGETHER_SECONDS: Final = 5400
_DAILY_SECONDS: Final = 1800
_OPEN_SECONDS: Final = 1200
"""So long a tub that is being looked after says nothing of itself."""
_GLIMPSE_LOOKS: Final = (6, 15)
"""So many looks, at least and at most, make a suspicion: half an hour to an hour and a quarter."""

Print = tuple[float, float, float, float]
_UNITS: Final[Print] = (0.4, 3.0, 0.3, 0.5)
"""°C and %RH by which two good probes in one air differ (tolerances of 0.3 °C and 2 %RH each), and the logarithms of the
hourly ranges of temperature and vapour, by which a tub's own hours differ."""
_STILL_C: Final = 1.0
_STILL_HPA: Final = 1.0
"""Swings well below these are the noise of air, not a thermostat's."""
_NEAR_C: Final = 0.8
"""Twice the tolerance: no probe is in a tub from whose temperature it is further away."""
_SOON_NEAR_C: Final = 1.2
"""Three times, while it may still be warming up."""
_SURE: Final = 4.0
"""Fifty times likelier exchanged than not."""
_YESTERDAY: Final = 2.0
"""Seven times likelier by this time yesterday: lamps alone make night and day look exchanged."""
_SUSPECT: Final = 1.0
_THERMAL: Final = 1.0
"""Of it by the heat alone: moisture may well change places by chance, a misting here and a dry bowl there."""
_HEAT_ALONE: Final = 3.0
"""Twenty times likelier by the heat alone."""
_MOVED: Final = 0.7
"""A probe whose print moved by less than this, about one unit, is where it was."""


class Weighed(NamedTuple):
    """How much likelier it is that two probes took each other's place than that each stayed, as logarithms.

    whole: by all; heat: by temperature and its swing alone. apart: °C that the one further away is from the other's place.
    """

    whole: float
    heat: float
    apart: float


def weigh(before: tuple[Print, Print], after: tuple[Print, Print]) -> Weighed:
    """Weigh the prints of two probes before and after."""
    (mine, theirs), (mine_now, theirs_now) = before, after
    stayed = [a + b for a, b in zip(_far(mine, mine_now), _far(theirs, theirs_now), strict=True)]
    crossed = [a + b for a, b in zip(_far(theirs, mine_now), _far(mine, theirs_now), strict=True)]
    parts = [a - b for a, b in zip(stayed, crossed, strict=True)]
    return Weighed(sum(parts), parts[0] + parts[2], max(abs(mine_now[0] - theirs[0]), abs(theirs_now[0] - mine[0])))


def _far(one: Print, two: Print) -> list[float]:
    return [log(1 + ((a - b) / unit) ** 2) for a, b, unit in zip(one, two, _UNITS, strict=True)]


def look_for_swaps(state: State, watch: Watch, now: int) -> None:
    """A new hour of a probe begins: has it changed places with another?"""
    first, last = now - _DAY_HOURS * 3600, now - (_SETTLING_HOURS + _AFTER_HOURS) * 3600
    if not any(first <= at <= last for at in watch.breaks):
        return  # never touched then, so not swapped: nearly always, and a print costs more than a hundred readings
    hour = now // 3600
    mine = _print(watch, hour - _AFTER_HOURS, hour, _AFTER_HOURS)
    if mine is None or watch.stranger or not _moved(watch, mine, hour, first, last):
        return
    for other in _peers(state, watch):
        # Their serial numbers, where they have any, tell it better.
        if other.stranger or ("swapped" in other.faults) != ("swapped" in watch.faults):
            continue
        hours = dict.fromkeys(at // 3600 for at in _together(watch, other, first, last))
        theirs = _print(other, hour - _AFTER_HOURS, hour, _AFTER_HOURS) if hours else None
        touched = None if theirs is None else next((at for at in hours if _sure(watch, other, at, hour, (mine, theirs))), None)
        if touched is None:
            continue
        since = _turned(watch, other, touched, hour) * 3600
        back = "swapped" in watch.faults
        for one, two in ((watch, other), (other, watch)):
            one.past.keep(since)
            if back:
                end_fault(state, one, "swapped", now)
            else:
                start_fault(state, one, "swapped", now, since, {"with": two.name, "sure": "fairly"})
        return


def _moved(watch: Watch, mine: Print, hour: int, first: int, last: int) -> bool:
    """Return whether a probe reads something else than before one of its touches or yesterday."""
    spans = [(at // 3600 - _AFTER_HOURS, at // 3600) for at in watch.breaks if first <= at <= last]
    spans.append((hour - _AFTER_HOURS - _DAY_HOURS, hour - _DAY_HOURS))
    before = [_print(watch, *span) for span in spans]
    return any(sum(_far(was, mine)) > _MOVED for was in before if was is not None)


def _peers(state: State, watch: Watch) -> list[Watch]:
    """Return the other judged probes of a room that are in no other fault; one that was silent is believed again."""
    doubted = (EXCLUDING | HUMIDITY_ONLY) - {"swapped"}
    return [
        w for w in state.watches.values()
        if w is not watch and w.role == "substrate" and w.room == watch.room and doubted.isdisjoint(w.faults)
    ]  # fmt: skip


def _sure(watch: Watch, other: Watch, touched: int, hour: int, now: tuple[Print, Print]) -> bool:
    """Return whether the prints of the last hours show two probes exchanged in the hour `touched`."""
    found = [weigh(before, now) for before in _before(watch, other, touched, hour - _AFTER_HOURS, hour)]
    # What was the same way round at this time yesterday is the night's doing; what has not turned since the touch, the day's.
    certain = any(w.whole > _SURE and w.heat > _THERMAL and w.apart <= _NEAR_C for w in found)
    return certain and found[-1].whole > _YESTERDAY and found[0].whole > -_SUSPECT


def _turned(watch: Watch, other: Watch, touched: int, hour: int) -> int:
    """Return the first hour after which no hour looks as if each were still in its own place."""
    found = touched
    for at in range(touched - 1, hour):
        mine, theirs = _print(watch, at, at + 1, 1), _print(other, at, at + 1, 1)
        if mine is None or theirs is None:
            continue
        if all(weigh(before, (mine, theirs)).whole < 0 for before in _before(watch, other, touched, at, at + 1)):
            found = at + 1
    return found


def _before(watch: Watch, other: Watch, touched: int, first: int, last: int) -> list[tuple[Print, Print]]:
    """Return the prints of both as they were before the hour of a touch: in its last hours, and at this time yesterday."""
    found = []
    for span in ((touched - _AFTER_HOURS, touched), (first - _DAY_HOURS, min(touched, last - _DAY_HOURS))):
        mine, theirs = _print(watch, *span), _print(other, *span)
        if mine is not None and theirs is not None:
            found.append((mine, theirs))
    return found


def _print(watch: Watch, first: int, last: int, fewest: int = _FEWEST_BEFORE) -> Print | None:
    """Return the print of the hours from `first` to before `last`, None when they are too few."""
    hours: Sequence[Hour] = watch.past.within(first, last)
    if len(hours) >= fewest and any(hour[8] for hour in watch.past.hours):
        # While in another fault a probe is not compared with its room; where there is no room, none ever is.
        hours = [hour for hour in hours if hour[8]]
    if len(hours) < fewest:
        return None
    return (
        median(h[1] for h in hours),
        median(100 * h[2] / saturation_hpa(h[1]) for h in hours),
        log(_STILL_C + median(h[3] - h[4] for h in hours)),
        log(_STILL_HPA + median(h[5] for h in hours)),
    )


def _print_now(watch: Watch, since: int) -> Print | None:
    """Return the print of the last hour of looks after a time, None when they are too few."""
    looks = [look for look in watch.past.looks if look[0] >= since][-_GLIMPSE_LOOKS[1] :]
    if len(looks) < _GLIMPSE_LOOKS[0]:
        return None
    t, e = [look[1] for look in looks], [look[2] for look in looks]
    percent = 100 * fmean(e) / saturation_hpa(fmean(t))
    return fmean(t), percent, log(_STILL_C + max(t) - min(t)), log(_STILL_HPA + max(e) - min(e))


def _together(watch: Watch, other: Watch, first: int, last: int) -> list[int]:
    """Return when both were disturbed within a span, newest first: nobody swaps probes without touching both.

    What disturbs both every day at the same time is a lamp or a mister, not a hand.
    """
    mine = [at for at in watch.breaks if first <= at <= last]
    pairs = [(at, there) for there in other.breaks for at in mine if there <= last and abs(at - there) <= _TOGETHER_SECONDS]
    return sorted((max(at, there) for at, there in pairs if not (_daily(watch, at) and _daily(other, there))), reverse=True)


def _daily(watch: Watch, at: int) -> bool:
    return any(abs(at - _DAY_HOURS * 3600 - before) <= _DAILY_SECONDS for before in watch.breaks)


def may_be_swapped(state: State, watch: Watch, now: int, *, habits: bool) -> bool:
    """Return whether the last hour looks as if this probe had changed places with another: a suspicion, no more.

    habits: whether heat, too, must bear it out.
    """
    hour = now // 3600
    for other in _peers(state, watch):
        if "swapped" in other.faults:
            continue
        for touched in _together(watch, other, now - _DAY_HOURS * 3600, now):
            mine, theirs = (_print_now(w, touched + _OPEN_SECONDS) for w in (watch, other))
            if mine is None or theirs is None:
                continue
            found = (weigh(b, (mine, theirs)) for b in _before(watch, other, touched // 3600, hour - 1, hour + 2))
            if any(_suspicious(w, habits=habits) for w in found):
                return True
    return False


def _suspicious(w: Weighed, *, habits: bool) -> bool:
    """Moisture comes back slowly after a clean-out; heat is there within the hour, and may speak for itself."""
    if w.apart > _SOON_NEAR_C:
        return False
    if not habits:
        return w.whole > _SUSPECT or w.heat > _THERMAL
    return w.heat > _THERMAL and (w.whole > _SUSPECT or w.heat > _HEAT_ALONE)
