"""`impossible`: a tub with open water cannot hold less vapour than its room has held for hours (evaporation only adds).

Below that by twice the uncertainty of two probes (±2 %RH and ±0.3 °C each make 1.1 hPa, 0.8 g/m³) one of the two probes
is wrong. It is the room's when most tubs of the room are below it, or when it is the one that moved: what jumped is
suspect first, a humidifier beside it for example, and a tub under it is believed.
"""

from __future__ import annotations

from statistics import median
from typing import Final

from dewkeeper.judge.checks.falls import falls_past
from dewkeeper.judge.contract import RECOVERY_SECONDS, Check, Findings, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.journal_words import JOURNAL, LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.memory import NEVER, Corrected, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.types import Figures
from dewkeeper.judge.view import ProbeView, View

NEVER_JUMPED: Final = -1.0
"""In place of a vapour pressure: it did not jump."""
_HEADING_BREAK_SECONDS: Final = 180
_HEADING_KNOWN_SECONDS: Final = 900
"""A fall known for a quarter of an hour to be none of the air's stays known while it goes on. Tuned on bench, seeds 1-9."""
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
LIFTED_SECONDS: Final = JOURNAL["misted"].seconds
"""So long a misting moistens, as the journal has it: a probe that is above its room for longer is there without it."""
LONG_HOURS: Final = 6
"""Three times the drying time of a closed tub: so long the room must have been moister."""


@remembered
class ImpossibleMemory(ProbeMemory):
    """jumped_from: of a room's probe that rose while no tub did, the vapour before, hPa. heading_first, heading_last: since when and until when its humidity was seen to fall as no air does."""

    heading_first: int = NEVER
    heading_last: int = NEVER
    jumped_from: float = NEVER_JUMPED

    def correct(self, by: Corrected) -> None:
        if self.jumped_from >= 0:
            self.jumped_from = by.vapour(by.t, self.jumped_from)[1]


def _lowest_room_e(view: View, hours: int = LONG_HOURS) -> float | None:
    """Return the least vapour pressure, hPa, the room has had in the last hours, None when it is not known.

    After an outage it is the least of what it has now and had in the last hour that was read.
    """
    room = view.room
    if room is None:
        return None
    hour = view.now // 3600
    read = room.past.within(hour - hours, hour) or room.past.within(hour - LONG_HOURS, hour)[-1:]
    return min([*(h[2] for h in read), room.air.slow_e]) if read else None


def below_room(view: View, e: float, margin: float = MARGIN_HPA, hours: int = LONG_HOURS) -> bool:
    """Return whether a vapour pressure is lower than the room can have made it, by so many hPa."""
    facts = view.facts
    if facts is None or _floor_drinks(view):
        return False
    lowest = _lowest_room_e(view, hours)
    # Without open water a dry floor may drink for a while: more is asked before the probe is blamed.
    return lowest is not None and e < lowest - margin - (0.0 if facts.open_water else _FLOOR_HPA)


def falls_as_no_air(view: View, since: int) -> bool:
    """Return whether it falls as no air does, or did for a while and falls on: a thermostat may blur that, not undo it."""
    memory, past, now = view.probe.memory(ImpossibleMemory), view.probe.past, view.now
    room = _lowest_room_e(view, SOON_HOURS)
    if room is not None and falls_past(view.probe, now, since, room - HOLD_HPA):
        if now - memory.heading_last > _HEADING_BREAK_SECONDS:
            memory.heading_first = now
        memory.heading_last = now
        return True
    if memory.heading_last < since or memory.heading_last - memory.heading_first < _HEADING_KNOWN_SECONDS:
        return False
    before = [e for at, _, e in past.looks if 1200 < now - at <= 2400]
    return bool(before) and past.lately(now) < sum(before) / len(before)


def _floor_drinks(view: View) -> bool:
    """Return whether a floor was put in lately that takes water from the air."""
    return any(
        word.drinks and view.now - at < word.seconds for at, word in view.entries(LONGEST_SUPPRESSION_SECONDS + 1)
    )


def name_impossible(view: View, since: int, sure: str) -> tuple[InFault, ...]:
    """Find which probe reads what cannot be: the tub's, or the room's when it moved, or when most tubs disagree with it."""
    probe, room = view.probe, view.room
    if room is None:
        return ()
    peers = [w for w in view.neighbours if not w.faults]
    below = [w for w in peers if below_room(view.of(w), w.air.slow_e)]
    detail: Figures = {"sure": sure}
    rose = _room_rose(probe, room, peers)
    if rose is not None:
        room.memory(ImpossibleMemory).jumped_from = rose
        hpa = {"hpa": round(room.air.slow_e, 1), "before_hpa": round(rose, 1)}
        found = InFault(
            "impossible", view.now, detail | hpa, cause="the room's reading rose and no enclosure followed",
            response="look what stands beside the room's probe: a humidifier, a kettle, a vent", probe=room,
        )  # fmt: skip
        return (found,)
    if len(peers) >= _FEWEST_PEERS and 3 * len(below) >= 2 * len(peers):
        room.memory(ImpossibleMemory).jumped_from = NEVER_JUMPED
        return (InFault("impossible", view.now, detail | {"below it": len(below), "of": len(peers)}, probe=room),)
    hpa = {"hpa": round(probe.air.slow_e, 1), "room_hpa": round(room.air.slow_e, 1)}
    return (InFault("impossible", since, detail | hpa),)


def _room_rose(probe: ProbeView, room: ProbeView, peers: list[ProbeView]) -> float | None:
    """Return what the room held before, hPa, when it is the room's probe that moved since a tub was last above it.

    None when the tub fell rather than the room rose, when other tubs went up with it, or when nothing is known.
    """
    rooms = {hour[0]: hour[2] for hour in room.past.hours}
    above = [(hour[0], hour[2]) for hour in probe.past.hours if hour[2] >= rooms.get(hour[0], 1e9)]
    if not above:
        return None
    number, before = above[-_HOURS_BEFORE:][0]  # the last of them may be the one in which it rose
    rose, fell = room.air.slow_e - rooms[number], before - probe.air.slow_e
    if rose <= max(MARGIN_HPA, fell):
        return None
    others = [w.air.slow_e - hour[2] for w in peers if w is not probe for hour in w.past.within(number, number + 1)]
    return None if others and median(others) > 0.5 * rose else rooms[number]


def _room_still_wrong(view: View, e: float) -> bool:
    """Return whether a room's probe that was blamed still reads what no enclosure bears out."""
    peers = [w for w in view.neighbours if not w.faults]
    below = sum(w.air.slow_e < e - HOLD_HPA / 2 for w in peers)
    jumped_from = view.probe.memory(ImpossibleMemory).jumped_from
    if jumped_from == NEVER_JUMPED:
        return 2 * below >= len(peers) > 0
    return below > 0 and e > jumped_from + MARGIN_HPA


def still_impossible(view: View, e: float) -> bool:
    """Return whether a vapour pressure still cannot be; without the room that is not known, and so not ended."""
    if view.probe.role == "room":
        return _room_still_wrong(view, e)
    room = view.room
    return room is None or e < room.air.slow_e + _believed_above(view.probe)


def _believed_above(probe: ProbeView) -> float:
    """Return how far above its room, hPa, a probe that read the impossible must be to be believed again.

    An offset that stays comes above the room whenever the room dries; a mended probe reads about what it did before.
    """
    return min(_BELIEVED_HPA, 0.5 * probe.past.usual_de) if probe.past.usual_de > 0 else -HOLD_HPA / 2


def _may_be_lifted(view: View) -> bool:
    """Return whether water that was added may be all that lifts it above its room: it does not read what it did before.

    A misting lifts a wrong probe with the air around it, and dries off; a mended one is back where it was within one mean.
    """
    probe, room = view.probe, view.room
    if probe.role == "room" or room is None:
        return False
    return probe.air.slow_e < room.air.slow_e + probe.past.usual_de - MARGIN_HPA


def _recovery(view: View) -> int:
    return LIFTED_SECONDS if _may_be_lifted(view) else RECOVERY_SECONDS


def hourly(view: View) -> Findings:
    """A new hour of a probe begins: was it below its room in all of the last ones?"""
    recent = view.probe.past.last(LONG_HOURS)
    if len(recent) < LONG_HOURS or not all(below_room(view, hour[2]) for hour in recent):
        return ()
    return name_impossible(view, recent[0][0] * 3600, "very")


CHECK: Final = Check(
    "impossible",
    {
        "impossible": fault(
            "reads drier than can be", "a tub with open water cannot hold less vapour than the room",
            "check this probe and the room's, and what stands beside them, before you change the tub", "out_of_specification",
        ),
    },
    ImpossibleMemory,
    hourly=hourly,
    recovery=_recovery,
    timed_meanwhile=True,
)  # fmt: skip
