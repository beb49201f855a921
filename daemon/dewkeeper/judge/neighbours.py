"""A probe beside its room: what cannot be.

`impossible`: a tub with open water cannot hold less vapour than its room has held for hours (evaporation only adds).
Below that by twice the uncertainty of two probes (±2 %RH and ±0.3 °C each make 1.1 hPa, 0.8 g/m³) it is the probe that
is wrong. When most tubs of a room are below it, the room's probe is.
"""

from __future__ import annotations

from math import exp
from typing import Final

from dewkeeper.air import vapour_hpa
from dewkeeper.judge.faults import start_fault
from dewkeeper.judge.signs import reads_room, room_of
from dewkeeper.judge.state import State, Watch
from dewkeeper.judge.swaps import LONGEST_SECONDS, look_for_swaps

COMPARED: Final = frozenset({"displaced", "impossible", "swapped"})
MARGIN_HPA: Final = 2.2
HOLD_HPA: Final = 1.4
"""A dry excursion this far below its room, for its whole on-delay, is told as the probe's doubt, not as dryness."""
_FLOOR_HPA: Final = 1.0
SOON_HOURS: Final = 2
"""What decides whether a dry excursion, itself an hour old, is told: a tub below the room's air of all that time."""
LONG_HOURS: Final = 6
"""Three times the drying time of a closed tub: so long the room must have been moister."""

LEAD_SECONDS: Final = 1200
LONGEST_FALL_SECONDS: Final = 6600
_FEWEST_LOOKS: Final = 9
"""A fall is looked at from 20 min before the limit was passed, over 110 min at most, by so many looks at least."""
LEAST_FALL_HPA: Final = 1.5
SOON_MINUTES: Final = 200
STRAIGHTER: Final = 3.0
NOT_AT_ALL: Final = -1e9
_TIME_CONSTANTS: Final = tuple(16 * 1.13**n for n in range(40))
"""16 min to 31 h."""


def lowest_room_e(state: State, watch: Watch, now: int, hours: int = LONG_HOURS) -> float | None:
    """Return the least vapour pressure, hPa, the room has had in the last hours, None when it is not known."""
    room = room_of(state, watch, now)
    if room is None:
        return None
    recent = [hour[2] for hour in room.past.hours if hour[0] >= now // 3600 - hours]
    return min([*recent, room.slow_e]) if len(recent) >= 1 else None


def below_room(
    state: State, watch: Watch, now: int, e: float, margin: float = MARGIN_HPA, hours: int = LONG_HOURS
) -> bool:
    """Return whether a vapour pressure is lower than the room can have made it, by so many hPa."""
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    if facts is None or state.book.quiet.get((watch.place, "impossible"), -1) > now:
        return False
    lowest = lowest_room_e(state, watch, now, hours)
    # Without open water a dry floor may drink for a while: more is asked before the probe is blamed.
    return lowest is not None and e < lowest - margin - (0.0 if facts.open_water else _FLOOR_HPA)


def heading_below_room(state: State, watch: Watch, now: int, since: int) -> bool:
    """Return whether vapour falls as no air does, towards where no air can go; it is beyond its limit since `since`.

    Air that dries towards its room slows down on the way, by two thirds in every time constant; a probe that fails does
    not know of the room. So it has fallen in a straight line where any drying would have bent; less of a proof is needed
    when the fall of the last 20 min, no slower than half of what it was before, would take it below the room within the hour.
    """
    room = lowest_room_e(state, watch, now, SOON_HOURS)
    if room is None:
        return False
    needed = STRAIGHTER
    falls = _falling(watch, now)
    if falls is not None:
        last, before, first = falls[1] - falls[0], falls[2] - falls[1], falls[3] - falls[2]
        steady = min(last, before, first) >= 0.4 and last >= 0.5 * before
        if steady and below_room(state, watch, now, falls[0] - 1.3 * (last + before), HOLD_HPA, SOON_HOURS):
            needed = 0.0
    return _straighter(watch, now, since, room - HOLD_HPA) >= needed


def _straighter(watch: Watch, now: int, since: int, bottom: float) -> float:
    """Return by how much a line fits the fall better than drying towards `bottom`, hPa, in variances of what it leaves.

    Both are fitted to the looks by least squares: a line, and the best decay that ends at `bottom`, which of all
    decays that air can make is the straightest. Far below zero where it does not fall, or will not soon be there.
    """
    begin = max(since - LEAD_SECONDS, now - LONGEST_FALL_SECONDS)
    slope = _breath(watch, begin)
    points = [((at - now) / 60, e - slope * (t - watch.slow_t)) for at, t, e in watch.past.looks if at >= begin]
    top = max(range(len(points) // 2), key=lambda i: points[i][1], default=0)
    points = points[top:]
    if len(points) < _FEWEST_LOOKS:
        return NOT_AT_ALL
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    rate = sum((x - mean_x) * (y - mean_y) for x, y in points) / sum((x - mean_x) ** 2 for x, _ in points)
    end = mean_y - rate * mean_x
    if rate * points[0][0] < LEAST_FALL_HPA or end - bottom > -rate * SOON_MINUTES:
        return NOT_AT_ALL
    line = sum((mean_y + rate * (x - mean_x) - y) ** 2 for x, y in points)
    decay = min(_misfit(points, bottom, minutes) for minutes in _TIME_CONSTANTS)
    return (decay - line) / max(line / (len(points) - 2), 0.02)


def _misfit(points: list[tuple[float, float]], bottom: float, minutes: float) -> float:
    """Return the sum of squares left by the best decay with this time constant towards `bottom`."""
    shape = [exp((points[0][0] - x) / minutes) for x, _ in points]
    size = sum(s * (y - bottom) for s, (_, y) in zip(shape, points, strict=True)) / sum(s * s for s in shape)
    return sum((bottom + size * s - y) ** 2 for s, (_, y) in zip(shape, points, strict=True))


def _breath(watch: Watch, until: int) -> float:
    """Return how vapour follows temperature, hPa per °C, in the looks before a time: a warmed floor gives water up."""
    before = [(t, e) for at, t, e in watch.past.looks if at < until]
    if len(before) < 12:
        return 0.0
    mean_t = sum(t for t, _ in before) / len(before)
    mean_e = sum(e for _, e in before) / len(before)
    spread = sum((t - mean_t) ** 2 for t, _ in before)
    if spread <= 0.5:
        return 0.0
    return min(3.0, max(0.0, sum((t - mean_t) * (e - mean_e) for t, e in before) / spread))


def _falling(watch: Watch, now: int) -> list[float] | None:
    """Return the mean vapour of the last four spans of 20 min, newest first, freed of the thermostat's swing."""
    slope = _breath(watch, now - 4799)
    parts: list[list[float]] = [[], [], [], []]
    for at, t, e in watch.past.looks:
        if now - at < 4800:
            parts[(now - at) // 1200].append(e - slope * (t - watch.slow_t))
    if min(len(part) for part in parts) < 3:
        return None
    return [sum(part) / len(part) for part in parts]


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
        return bool(watch.stranger) or now - watch.faults[kind][0] < LONGEST_SECONDS
    e = vapour_hpa(t, h)
    if watch.role == "room":
        peers = [w for w in state.watches.values() if w.room == watch.room and w.role == "substrate" and not w.faults]
        return 2 * sum(w.slow_e < e - HOLD_HPA / 2 for w in peers) >= len(peers) > 0
    if room is None:
        return True
    return reads_room(t, e, room, True) if kind == "displaced" else e < room.slow_e - HOLD_HPA / 2


def hourly(state: State, watch: Watch, now: int) -> None:
    """A new hour of a probe begins: compare the hours before it."""
    if watch.role != "substrate" or watch.faults.keys() - {"swapped"}:
        return
    recent = watch.past.hours[-LONG_HOURS:]
    if len(recent) == LONG_HOURS and all(below_room(state, watch, now, hour[2]) for hour in recent):
        name_impossible(state, watch, now, recent[0][0] * 3600, "very")
    look_for_swaps(state, watch, now)
