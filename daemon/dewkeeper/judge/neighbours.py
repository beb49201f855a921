"""A probe beside its room and its rack: what cannot be, and who reads whose tub.

`impossible`: a tub with open water cannot hold less vapour than its room has held for hours (evaporation only adds).
Below that by twice the uncertainty of two probes (±2 %RH and ±0.3 °C each make 1.1 hPa, 0.8 g/m³) it is the probe that
is wrong. When most tubs of a room are below it, the room's probe is.

`swapped`: two probes exchange their levels at the same time. What both share (the room's day) is taken out first.
"""

from __future__ import annotations

from math import hypot
from typing import Final

from dewkeeper.air import vapour_hpa
from dewkeeper.judge.faults import end_fault, start_fault
from dewkeeper.judge.past import Hour
from dewkeeper.judge.signs import reads_room, room_of
from dewkeeper.judge.state import State, Watch

COMPARED: Final = frozenset({"displaced", "impossible", "swapped"})
MARGIN_HPA: Final = 2.2
HOLD_HPA: Final = 1.4
"""A dry excursion this far below its room, for its whole on-delay, is told as the probe's doubt, not as dryness."""
LONG_HOURS: Final = 6
"""Three times the drying time of a closed tub: so long the room must have been moister."""

SWAPPED_LONGEST_SECONDS: Final = 3 * 86400
"""So long a swap is believed; then the levels they have are their own."""

_T_UNIT, _E_UNIT = 0.6, 1.2
_APART: Final = 4.0


def lowest_room_e(state: State, watch: Watch, now: int, hours: int = LONG_HOURS) -> float | None:
    """Return the least vapour pressure, hPa, the room has had in the last hours, None when it is not known."""
    room = room_of(state, watch, now)
    if room is None:
        return None
    recent = [hour[2] for hour in room.past.hours if hour[0] >= now // 3600 - hours]
    return min([*recent, room.slow_e]) if len(recent) >= 1 else None


def below_room(state: State, watch: Watch, now: int, e: float, margin: float = MARGIN_HPA) -> bool:
    """Return whether a vapour pressure is lower than the room can have made it, by so many hPa."""
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    if facts is None or not facts.open_water or state.book.quiet.get((watch.place, "impossible"), -1) > now:
        return False
    lowest = lowest_room_e(state, watch, now)
    return lowest is not None and e < lowest - margin


def doubtful(state: State, watch: Watch, now: int, since: int) -> bool:
    """A dry excursion is due: name the probe instead when its readings cannot be. Returns whether it did."""
    if not all(below_room(state, watch, now, e, HOLD_HPA) for e in (watch.slow_e, watch.e)):
        return False
    sure = "fairly" if below_room(state, watch, now, watch.slow_e) else "somewhat"
    name_impossible(state, watch, now, since, sure)
    return True


def name_impossible(state: State, watch: Watch, now: int, since: int, sure: str) -> None:
    """Say which probe reads what cannot be: the tub's, or the room's when most tubs disagree with it."""
    peers = [w for w in state.watches.values() if w.room == watch.room and w.role == "substrate" and not w.faults]
    below = [w for w in peers if below_room(state, w, now, w.slow_e)]
    room = room_of(state, watch, now)
    if room is not None and len(peers) >= 3 and 3 * len(below) >= 2 * len(peers):
        start_fault(state, room, "impossible", now, now, {"sure": sure, "below it": len(below), "of": len(peers)})
        return
    detail: dict[str, str | float | int] = {"sure": sure, "hpa": round(watch.slow_e, 1)}
    if room is not None:
        detail["room_hpa"] = round(room.slow_e, 1)
    start_fault(state, watch, "impossible", now, since, detail)


def still_apart(state: State, watch: Watch, now: int, t: float, h: float, kind: str) -> bool:
    """Return whether a reading still shows a fault found by comparison; without the room it is not ended."""
    room = room_of(state, watch, now)
    if kind == "swapped":
        return bool(watch.stranger) or now - watch.faults[kind][0] < SWAPPED_LONGEST_SECONDS
    if room is None:
        return watch.role != "room"
    e = vapour_hpa(t, h)
    return reads_room(t, e, room, True) if kind == "displaced" else e < room.slow_e - HOLD_HPA / 2


def hourly(state: State, watch: Watch, now: int) -> None:
    """A new hour of a probe begins: compare the hours before it."""
    if watch.role != "substrate" or watch.faults.keys() - {"swapped"}:
        return
    recent = watch.past.hours[-LONG_HOURS:]
    if len(recent) == LONG_HOURS and all(below_room(state, watch, now, hour[2]) for hour in recent):
        name_impossible(state, watch, now, recent[0][0] * 3600, "very")
    _swapped(state, watch, now)


def _swapped(state: State, watch: Watch, now: int) -> None:
    mine = watch.past.hours
    if len(mine) < 8:
        return
    for other in state.watches.values():
        theirs = other.past.hours
        if other is watch or other.room != watch.room or other.role != "substrate" or len(theirs) < 8:
            continue
        if theirs[-1][0] != mine[-1][0] or other.faults.keys() != watch.faults.keys():
            continue
        if watch.stranger or other.stranger:
            continue  # their serial numbers tell it better
        if all(_crossed(mine[-5], theirs[-5], mine[-n], theirs[-n]) for n in (1, 2, 3)) and _parallel(mine, theirs):
            since = mine[-4][0] * 3600
            back = "swapped" in watch.faults and "swapped" in other.faults
            for one, two in ((watch, other), (other, watch)):
                one.forget()
                if back:
                    end_fault(state, one, "swapped", now)
                    continue
                start_fault(state, one, "swapped", now, since, {"with": two.name, "sure": "fairly"})
            return


def _parallel(mine: list[Hour], theirs: list[Hour]) -> bool:
    """Return whether the two kept their distance in the hours before."""
    a, b = mine[-5], theirs[-5]
    c, d = mine[-7], theirs[-7]
    return hypot((a[1] - b[1] - c[1] + d[1]) / _T_UNIT, (a[2] - b[2] - c[2] + d[2]) / _E_UNIT) < 1.0


def _crossed(
    a0: Hour,
    b0: Hour,
    a1: Hour,
    b1: Hour,
) -> bool:
    """Return whether the difference of two probes turned round and their common level stayed."""
    before_t, before_e = (a0[1] - b0[1]) / _T_UNIT, (a0[2] - b0[2]) / _E_UNIT
    after_t, after_e = (a1[1] - b1[1]) / _T_UNIT, (a1[2] - b1[2]) / _E_UNIT
    apart = hypot(before_t, before_e)
    common = hypot((a1[1] + b1[1] - a0[1] - b0[1]) / 2 / _T_UNIT, (a1[2] + b1[2] - a0[2] - b0[2]) / 2 / _E_UNIT)
    return apart >= _APART and hypot(before_t + after_t, before_e + after_e) <= 0.35 * apart and common <= 0.4 * apart
