"""A probe beside its room: what cannot be.

`impossible`: a tub with open water cannot hold less vapour than its room has held for hours (evaporation only adds).
Below that by twice the uncertainty of two probes (±2 %RH and ±0.3 °C each make 1.1 hPa, 0.8 g/m³) one of the two probes
is wrong. It is the room's when most tubs of the room are below it, or when it is the one that moved: what jumped is
suspect first, a humidifier beside it for example, and a tub under it is believed.
"""

from __future__ import annotations

from statistics import median
from typing import Final

from dewkeeper.air import vapour_hpa
from dewkeeper.judge.falls import falls_past
from dewkeeper.judge.faults import start_fault
from dewkeeper.judge.signs import reads_room, room_of
from dewkeeper.judge.state import NEVER_JUMPED, State, Watch
from dewkeeper.judge.swaps import LONGEST_SECONDS, look_for_swaps
from dewkeeper.judge.types import Kind
from dewkeeper.judge.words import JOURNAL

COMPARED: Final = frozenset({"displaced", "impossible", "swapped"})
MARGIN_HPA: Final = 2.2
HOLD_HPA: Final = 1.4
"""A dry excursion this far below its room, for its whole on-delay, is told as the probe's doubt, not as dryness."""
_BELIEVED_HPA: Final = 4.4
"""Twice the margin; a tub that is usually nearer to its room need only be half its usual way above it."""
_FLOOR_HPA: Final = 1.0
SOON_HOURS: Final = 2
"""What decides whether a dry excursion, itself an hour old, is told: a tub below the room's air of all that time."""
_HOURS_BEFORE: Final = 3
_FEWEST_PEERS: Final = 3
"""Two tubs may both be wrong; of three or more, two thirds are not."""
LONG_HOURS: Final = 6
"""Three times the drying time of a closed tub: so long the room must have been moister."""


def lowest_room_e(state: State, watch: Watch, now: int, hours: int = LONG_HOURS) -> float | None:
    """Return the least vapour pressure, hPa, the room has had in the last hours, None when it is not known.

    After an outage it is the least of what it has now and had in the last hour that was read.
    """
    room = room_of(state, watch, now)
    if room is None:
        return None
    hour = now // 3600
    read = room.past.within(hour - hours, hour) or room.past.within(hour - LONG_HOURS, hour)[-1:]
    return min([*(h[2] for h in read), room.slow_e]) if read else None


def below_room(
    state: State, watch: Watch, now: int, e: float, margin: float = MARGIN_HPA, hours: int = LONG_HOURS
) -> bool:
    """Return whether a vapour pressure is lower than the room can have made it, by so many hPa."""
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    if facts is None or _floor_drinks(state, watch, now):
        return False
    lowest = lowest_room_e(state, watch, now, hours)
    # Without open water a dry floor may drink for a while: more is asked before the probe is blamed.
    return lowest is not None and e < lowest - margin - (0.0 if facts.open_water else _FLOOR_HPA)


def heading_below_room(state: State, watch: Watch, now: int, since: int) -> bool:
    """Return whether humidity falls as no air does, towards where no air can go; it is beyond its limit since `since`."""
    room = lowest_room_e(state, watch, now, SOON_HOURS)
    return room is not None and falls_past(watch, now, since, room - HOLD_HPA)


def _floor_drinks(state: State, watch: Watch, now: int) -> bool:
    """Return whether a floor was put in lately that takes water from the air."""
    tub = state.tubs.get(watch.enclosure or "")
    return tub is not None and any(
        JOURNAL[what].drinks and 0 <= now - at < JOURNAL[what].seconds for at, _, what, _ in tub.deeds
    )


def name_impossible(state: State, watch: Watch, now: int, since: int, sure: str) -> None:
    """Say which probe reads what cannot be: the tub's, or the room's when it moved, or when most tubs disagree with it."""
    room = room_of(state, watch, now)
    if room is None:
        return
    peers = [w for w in state.watches.values() if w.room == watch.room and w.role == "substrate" and not w.faults]
    below = [w for w in peers if below_room(state, w, now, w.slow_e)]
    detail: dict[str, str | float | int] = {"sure": sure}
    rose = _room_rose(watch, room, peers, now)
    if rose is not None:
        room.jumped_from = rose
        start_fault(
            state, room, "impossible", now, now, detail | {"hpa": round(room.slow_e, 1), "before_hpa": round(rose, 1)},
            cause="the room's reading rose and no enclosure followed", response="look what stands beside the room's probe: a humidifier, a kettle, a vent",
        )  # fmt: skip
    elif len(peers) >= _FEWEST_PEERS and 3 * len(below) >= 2 * len(peers):
        room.jumped_from = NEVER_JUMPED
        start_fault(state, room, "impossible", now, now, detail | {"below it": len(below), "of": len(peers)})
    else:
        start_fault(
            state,
            watch,
            "impossible",
            now,
            since,
            detail | {"hpa": round(watch.slow_e, 1), "room_hpa": round(room.slow_e, 1)},
        )


def _room_rose(watch: Watch, room: Watch, peers: list[Watch], now: int) -> float | None:
    """Return what the room held before, hPa, when it is the room's probe that moved since a tub was last above it.

    None when the tub fell rather than the room rose, when other tubs went up with it, or when nothing is known.
    """
    rooms = {hour[0]: hour[2] for hour in room.past.hours}
    above = [(hour[0], hour[2]) for hour in watch.past.hours if hour[2] >= rooms.get(hour[0], 1e9)]
    if not above:
        return None
    number, before = above[-_HOURS_BEFORE:][0]  # the last of them may be the one in which it rose
    rose, fell = room.slow_e - rooms[number], before - watch.slow_e
    if rose <= max(MARGIN_HPA, fell):
        return None
    others = [w.slow_e - hour[2] for w in peers if w is not watch for hour in w.past.within(number, number + 1)]
    return None if others and median(others) > 0.5 * rose else rooms[number]


def _room_still_wrong(state: State, room: Watch, e: float) -> bool:
    """Return whether a room's probe that was blamed still reads what no enclosure bears out."""
    peers = [w for w in state.watches.values() if w.room == room.room and w.role == "substrate" and not w.faults]
    below = sum(w.slow_e < e - HOLD_HPA / 2 for w in peers)
    if room.jumped_from == NEVER_JUMPED:
        return 2 * below >= len(peers) > 0
    return below > 0 and e > room.jumped_from + MARGIN_HPA


def still_apart(state: State, watch: Watch, now: int, t: float, h: float, kind: Kind) -> bool:
    """Return whether a reading still shows a fault found by comparison; without the room it is not ended."""
    room = room_of(state, watch, now)
    if kind == "swapped":
        return bool(watch.stranger) or now - watch.faults[kind][0] < LONGEST_SECONDS
    e = vapour_hpa(t, h)
    if watch.role == "room":
        return _room_still_wrong(state, watch, e)
    if room is None:
        return True
    return reads_room(t, e, room, True) if kind == "displaced" else e < room.slow_e + _believed_above(watch)


def _believed_above(watch: Watch) -> float:
    """Return how far above its room, hPa, a probe that read the impossible must be to be believed again.

    An offset that stays comes above the room whenever the room dries; a mended probe reads about what it did before.
    """
    return min(_BELIEVED_HPA, 0.5 * watch.past.usual_de) if watch.past.usual_de > 0 else -HOLD_HPA / 2


def hourly(state: State, watch: Watch, now: int) -> None:
    """A new hour of a probe begins: compare the hours before it."""
    if watch.role != "substrate" or watch.faults.keys() - {"swapped"}:
        return
    recent = watch.past.hours[-LONG_HOURS:]
    if len(recent) == LONG_HOURS and all(below_room(state, watch, now, hour[2]) for hour in recent):
        name_impossible(state, watch, now, recent[0][0] * 3600, "very")
    look_for_swaps(state, watch, now)
