"""An excursion is due: tell it, tell it in doubt, name the probe instead, or wait. One table, one decision.

What holds an excursion back is always a named suspicion, asked anew every few minutes, and only for so long: at the bound
of its kind (`limits.DOUBT_SECONDS`) it is told under its own kind all the same, and the suspicion is named beside it.
Nothing holds heat: the table is by `Doubtable`, which `hot` is none of.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple, cast

from dewkeeper.judge.beliefs import INFERRED, Belief, beliefs
from dewkeeper.judge.checks.displaced import (
    SLOW_SECONDS,
    SUDDEN_SECONDS,
    DisplacedMemory,
    tells_from_room,
    usually_apart,
)
from dewkeeper.judge.checks.impossible import HOLD_HPA, SOON_HOURS, below_room, falls_as_no_air, name_impossible
from dewkeeper.judge.checks.saturated import SATURATED_SECONDS, wetted
from dewkeeper.judge.checks.swapped import may_yet_turn_out_swapped, recorded_for, seems_swapped_with
from dewkeeper.judge.contract import InFault
from dewkeeper.judge.journal_words import BEFORE_SECONDS, LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.limits import DOUBT_SECONDS, Doubtable, LimitRun, Side
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.rationale import DAY, HOUR
from dewkeeper.judge.view import ProbeView, View
from dewkeeper.judge.words import KINDS

AGAIN_SECONDS: Final = 60
TARGET_AGAIN_SECONDS: Final = 600
_NAMED_SECONDS: Final = 600
"""By when `displaced` is named that may be."""


class Suspicion(NamedTuple):
    """What is suspected. other: the probe with which this one may have changed places."""

    belief: Belief
    other: ProbeView | None = None


class Decision(NamedTuple):
    """What becomes of an excursion that is due. wait: seconds, 0 to tell it. found: a probe named instead, this one or its room's. doubt: told beside it."""

    wait: int = 0
    found: tuple[InFault, ...] = ()
    doubt: Suspicion | None = None

    @property
    def named(self) -> bool:
        """Whether its own probe is named instead."""
        return any(fault.probe is None for fault in self.found)


Detail = dict[str, str | float | int]
Asked = Callable[[View, Side], Suspicion | None]


@dataclass(frozen=True, slots=True)
class HoldOff:
    """Why an excursion may be held back.

    most: kind -> seconds beyond its on-delay, at most. asks: whether it holds now, and as what it is told at the bound.
    target: of what is beyond target only, which harms over days and has no bound of its own.
    """

    why: str
    most: Mapping[Doubtable, int]
    asks: Asked
    target: bool = False
    again: int = AGAIN_SECONDS

    def __post_init__(self) -> None:
        if not self.target and any(seconds > DOUBT_SECONDS[kind] for kind, seconds in self.most.items()):
            raise ValueError(f"held longer than harm allows: {self.why}")


def decide(view: View, side: Side) -> Decision:
    """Return what becomes of an excursion of this side that is due."""
    if side.kind not in DOUBT_SECONDS:
        return Decision(doubt=_somewhere_else(view))
    kind = cast("Doubtable", side.kind)
    due = _due(side)
    explained = _explained_until(view, kind, side.beyond_since)
    late = side.read is not None and side.read.active and view.now >= explained + DOUBT_SECONDS[kind]
    from_then = view.now - max(due.since + due.delay, explained)
    for row in TABLE:
        longest = row.most.get(kind)
        if longest is None or (row.target and (late or due is side.outer)) or (from_then >= longest and not late):
            continue
        doubt = row.asks(view, side)
        if doubt is None:
            continue
        if late:
            return Decision(doubt=doubt)
        return Decision(row.again, _named_below_room(view, due.since) if row is _BELOW_ROOM else ())
    return Decision(doubt=_somewhere_else(view) if side.thermal else None)


def words(view: View, side: Side, doubt: Suspicion, usual: str) -> tuple[str, str, Detail]:
    """Return cause (empty: as ever), response and detail of an excursion that is told in doubt; usual: its usual response."""
    belief, own = doubt.belief, view.probe.place
    usual = usual or KINDS[side.kind].response
    other = doubt.other.place if doubt.other is not None else "another enclosure"
    detail: Detail = {"doubt": belief.doubt}
    if doubt.other is not None:
        detail["or"] = other
    if side.kind == "hot":
        return "", f"{usual}; {belief.heat.format(other=other)}", detail
    hours = max(1, round((view.now - side.beyond_since) / HOUR))
    said = {
        "kind": side.kind,
        "either": f"{own} or {other}",
        "percent": f"{view.probe.air.h:.0f}",
        "hours": hours,
        "usual": usual,
        "other": other,
    }
    return belief.cause.format(**said), belief.response.format(**said), detail


def _due(side: Side) -> LimitRun:
    """Return the run that is being told: the outer one where both are beyond."""
    return side.inner if side.inner is not None and side.inner.active and not side.outer.active else side.outer


def _explained_until(view: View, kind: Doubtable, since: int) -> int:
    """Return when the last of the keeper's words that the probe is out, said when it began, ends; NEVER for none.

    Only then does a belief that it is out begin to be a doubt.
    """
    ends = [
        at + word.seconds
        for at, word in view.entries(view.now - since + LONGEST_SUPPRESSION_SECONDS)
        if word.long and word.probe and kind in word.suppresses and at - BEFORE_SECONDS <= since < at + word.seconds
    ]
    return max(ends, default=NEVER)


def _believed(view: View, side: Side) -> Suspicion | None:
    """It is in a fault that takes this away from its readings."""
    for kind, belief in beliefs(view):
        if side.kind in belief.holds and belief.doubt:
            return Suspicion(belief, _other(view) if kind == "swapped" else None)
    return None


def _somewhere_else(view: View) -> Suspicion | None:
    """Its temperature is told, but may be some other place's."""
    for kind, belief in beliefs(view) if view.probe.faults else ():
        if belief.heat:
            return Suspicion(belief, _other(view) if kind == "swapped" else None)
    return None


def _other(view: View) -> ProbeView | None:
    """Return the probe with which this one is believed to have changed places, None where nobody knows."""
    alarm = view.alarm("swapped")
    name = recorded_for(view.probe, alarm.detail.get("with") if alarm is not None else "")
    return next((w for w in view.probes if w.name == name), None)


def _in_the_room(view: View, side: Side) -> Suspicion | None:
    """It fell into the room's air at once, and it is too early to name that.

    Where only a little warmth tells the two apart the name takes longer; dryness, which harms slowly, waits for it.
    """
    near, room, longest = view.probe.memory(DisplacedMemory), view.room, SLOW_SECONDS + _NAMED_SECONDS
    if near.near_since == NEVER or not near.near_sudden:
        return None
    if usually_apart(view.probe):
        longest = SUDDEN_SECONDS + _NAMED_SECONDS
    elif side.kind != "dry" or room is None or not tells_from_room(view.probe, room):
        return None
    return Suspicion(INFERRED["displaced"]) if view.now - near.near_since < longest else None


def _just_wet(view: View, side: Side) -> Suspicion | None:
    """It reads 100 % all of a sudden."""
    return Suspicion(INFERRED["saturated"]) if wetted(view) else None


def _below_its_room(view: View, side: Side) -> Suspicion | None:
    """It reads less vapour than its room holds: named when the last 20 min say so."""
    below = below_room(view, view.probe.air.e, HOLD_HPA, SOON_HOURS)
    return Suspicion(INFERRED["impossible"]) if below else None


def _named_below_room(view: View, since: int) -> tuple[InFault, ...]:
    """Return which probe is wrong, where the last 20 min say so; it may have come below its room just now."""
    e = view.probe.past.lately(view.now)
    if not below_room(view, e, HOLD_HPA, SOON_HOURS):
        return ()
    found = name_impossible(view, since, "fairly" if below_room(view, e) else "somewhat")
    return () if found is None else (found,)


def _falls_as_no_air(view: View, side: Side) -> Suspicion | None:
    """It falls as no air does, or did for a while and falls on."""
    return Suspicion(INFERRED["impossible"]) if falls_as_no_air(view, _due(side).since) else None


def _seems_swapped(view: View, side: Side) -> Suspicion | None:
    """It and another probe, touched together, seem to have changed places; heat that is told explains what dries by itself."""
    other = None if view.probe.sides[2].level else seems_swapped_with(view)
    return Suspicion(INFERRED["swapped"], other) if other is not None else None


def _may_yet_be_swapped(view: View, side: Side) -> Suspicion | None:
    """It is too early to say that it did not change places with another."""
    swapped = not view.probe.sides[2].level and may_yet_turn_out_swapped(view)
    return Suspicion(INFERRED["swapped"]) if swapped else None


_BELOW_ROOM: Final = HoldOff("it reads less vapour than its room holds", {"dry": 12 * HOUR}, _below_its_room)

TABLE: Final = (
    HoldOff("it is in a fault that takes this away from its readings", DOUBT_SECONDS, _believed),
    HoldOff("from one look to the next it reads its room's air", {"dry": SLOW_SECONDS + _NAMED_SECONDS, "cold": SUDDEN_SECONDS + _NAMED_SECONDS}, _in_the_room),
    HoldOff("it went to 100 % all of a sudden", {"damp": SATURATED_SECONDS}, _just_wet),
    _BELOW_ROOM,
    HoldOff("it falls as no air dries", {"dry": 9000}, _falls_as_no_air),
    HoldOff("it seems to have changed places with another probe", {"dry": 12 * HOUR, "damp": 12 * HOUR}, _seems_swapped),
    HoldOff(
        "it may yet turn out to have changed places with another probe", {"dry": DAY, "damp": DAY}, _may_yet_be_swapped,
        target=True, again=TARGET_AGAIN_SECONDS,
    ),
)  # fmt: skip
"""What holds back, asked in this order. DEVELOPERS.md says the same in words."""
