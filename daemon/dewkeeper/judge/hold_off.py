"""An excursion is due: tell it, tell it in doubt, name the probe instead, or wait. One table, one decision.

What holds an excursion back is always a named suspicion, asked anew every few minutes, and only for so long: at the bound
of its kind (`limits.DOUBT_SECONDS`) it is told under its own kind all the same, and the suspicion is named beside it.
Nothing holds heat: the table is by `Doubtable`, which `hot` is none of.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple, cast
from urllib.parse import unquote

from dewkeeper.judge.beliefs import INFERRED, Belief, beliefs
from dewkeeper.judge.limits import DOUBT_SECONDS, Doubtable, Run, Side
from dewkeeper.judge.neighbours import HOLD_HPA, SOON_HOURS, below_room, heading_below_room, name_impossible
from dewkeeper.judge.signs import (
    DISPLACED_SLOW_SECONDS,
    DISPLACED_SUDDEN_SECONDS,
    SATURATED_SECONDS,
    room_of,
    tells_from_room,
    usually_apart,
    wetted,
)
from dewkeeper.judge.state import BEFORE_SECONDS, NEVER, State, Watch
from dewkeeper.judge.swaps import may_yet_turn_out_swapped, seems_swapped_with
from dewkeeper.judge.words import DAY, HOUR, JOURNAL, KINDS

AGAIN_SECONDS: Final = 60
TARGET_AGAIN_SECONDS: Final = 600
_HEADING_KNOWN_SECONDS: Final = 900
"""A fall known for a quarter of an hour to be none of the air's stays known while it goes on."""


class Doubt(NamedTuple):
    """What is suspected. other: the probe with which this one may have changed places."""

    belief: Belief
    other: Watch | None = None


class Decision(NamedTuple):
    """What becomes of an excursion that is due. wait: seconds, 0 to tell it. named: its probe was named instead. doubt: told beside it."""

    wait: int = 0
    named: bool = False
    doubt: Doubt | None = None


Detail = dict[str, str | float | int]
Asked = Callable[[State, Watch, Side, int], Doubt | None]


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


def decide(state: State, watch: Watch, side: Side, now: int) -> Decision:
    """Return what becomes of an excursion of this side that is due."""
    if side.kind not in DOUBT_SECONDS:
        return Decision(doubt=_somewhere_else(state, watch, now))
    kind = cast("Doubtable", side.kind)
    due = _due(side)
    explained = _explained_until(state, watch, kind, side.beyond_since)
    late = side.read is not None and side.read.active and now >= explained + DOUBT_SECONDS[kind]
    from_then = now - max(due.since + due.delay, explained)
    for row in TABLE:
        longest = row.most.get(kind)
        if longest is None or (row.target and (late or due is side.outer)) or (from_then >= longest and not late):
            continue
        doubt = row.asks(state, watch, side, now)
        if doubt is None:
            continue
        if late:
            return Decision(doubt=doubt)
        if row is _BELOW_ROOM and _named_below_room(state, watch, due.since, now):
            return Decision(named=True)
        return Decision(wait=row.again)
    return Decision(doubt=_somewhere_else(state, watch, now) if side.thermal else None)


def words(state: State, watch: Watch, side: Side, doubt: Doubt, usual: str, now: int) -> tuple[str, str, Detail]:
    """Return cause (empty: as ever), response and detail of an excursion that is told in doubt; usual: its usual response."""
    belief, own = doubt.belief, watch.enclosure or watch.place
    usual = usual or KINDS[side.kind].response
    other = doubt.other.place if doubt.other is not None else "another enclosure"
    detail: Detail = {"doubt": belief.doubt}
    if doubt.other is not None:
        detail["or"] = other
    if side.kind == "hot":
        return "", f"{usual}; {belief.heat.format(other=other)}", detail
    hours = max(1, round((now - side.beyond_since) / HOUR))
    said = {
        "kind": side.kind,
        "either": f"{own} or {other}",
        "percent": f"{watch.h:.0f}",
        "hours": hours,
        "usual": usual,
        "other": other,
    }
    return belief.cause.format(**said), belief.response.format(**said), detail


def _due(side: Side) -> Run:
    """Return the run that is being told: the outer one where both are beyond."""
    return side.inner if side.inner is not None and side.inner.active and not side.outer.active else side.outer


def _explained_until(state: State, watch: Watch, kind: Doubtable, since: int) -> int:
    """Return when the last of the keeper's words that the probe is out, said when it began, ends; NEVER for none.

    Only then does a belief that it is out begin to be a doubt.
    """
    tub = state.tubs.get(watch.enclosure or "")
    ends = [
        at + word.seconds
        for at, _, what, _ in (tub.deeds if tub is not None else ())
        if (word := JOURNAL[what]).long
        and word.probe
        and kind in word.suppresses
        and at - BEFORE_SECONDS <= since < at + word.seconds
    ]
    return max(ends, default=NEVER)


def _believed(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It is in a fault that takes this away from its readings."""
    for kind, belief in beliefs(state, watch, now):
        if side.kind in belief.holds and belief.doubt:
            return Doubt(belief, _other(state, watch) if kind == "swapped" else None)
    return None


def _somewhere_else(state: State, watch: Watch, now: int) -> Doubt | None:
    """Its temperature is told, but may be some other place's."""
    if not watch.faults:
        return None
    for kind, belief in beliefs(state, watch, now):
        if belief.heat:
            return Doubt(belief, _other(state, watch) if kind == "swapped" else None)
    return None


def _other(state: State, watch: Watch) -> Watch | None:
    """Return the probe with which this one is believed to have changed places, None where nobody knows."""
    life = state.book.lives.get((watch.place, "swapped"))
    name = (
        unquote(watch.stranger.partition(":")[2])
        if watch.stranger
        else str(life.detail.get("with", ""))
        if life is not None
        else ""
    )
    return state.watches.get(name)


def _in_the_room(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It fell into the room's air at once, and it is too early to name that.

    Where only a little warmth tells the two apart the name takes longer; dryness, which harms slowly, waits for it.
    """
    if watch.near_since == NEVER or not watch.near_sudden:
        return None
    room = room_of(state, watch, now)
    since, longest = now - watch.near_since, DISPLACED_SLOW_SECONDS + 600
    if usually_apart(watch):
        longest = DISPLACED_SUDDEN_SECONDS + 600
    elif side.kind != "dry" or room is None or not tells_from_room(watch, room):
        return None
    return Doubt(INFERRED["displaced"]) if since < longest else None


def _just_wet(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It reads 100 % all of a sudden."""
    return Doubt(INFERRED["saturated"]) if wetted(watch, now) else None


def _below_its_room(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It reads less vapour than its room holds: named when the last 20 min say so."""
    return Doubt(INFERRED["impossible"]) if below_room(state, watch, now, watch.e, HOLD_HPA, SOON_HOURS) else None


def _named_below_room(state: State, watch: Watch, since: int, now: int) -> bool:
    """Return whether it was named as wrong; it may have come below its room just now."""
    e = watch.past.lately(now)
    if not below_room(state, watch, now, e, HOLD_HPA, SOON_HOURS):
        return False
    name_impossible(state, watch, now, since, "fairly" if below_room(state, watch, now, e) else "somewhat")
    return "impossible" in watch.faults


def _falls_as_no_air(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It falls as no air does, or did for a while and falls on: a thermostat may blur that, not undo it."""
    since = _due(side).since
    if heading_below_room(state, watch, now, since):
        if now - watch.heading_last > 3 * AGAIN_SECONDS:
            watch.heading_first = now
        watch.heading_last = now
        return Doubt(INFERRED["impossible"])
    if watch.heading_last < since or watch.heading_last - watch.heading_first < _HEADING_KNOWN_SECONDS:
        return None
    before = [e for at, _, e in watch.past.looks if 1200 < now - at <= 2400]
    falls = bool(before) and watch.past.lately(now) < sum(before) / len(before)
    return Doubt(INFERRED["impossible"]) if falls else None


def _seems_swapped(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It and another probe, touched together, seem to have changed places; heat that is told explains what dries by itself."""
    if watch.sides[2].level:
        return None
    other = seems_swapped_with(state, watch, now)
    return Doubt(INFERRED["swapped"], other) if other is not None else None


def _may_yet_be_swapped(state: State, watch: Watch, side: Side, now: int) -> Doubt | None:
    """It is too early to say that it did not change places with another."""
    swapped = not watch.sides[2].level and may_yet_turn_out_swapped(state, watch, now)
    return Doubt(INFERRED["swapped"]) if swapped else None


_BELOW_ROOM: Final = HoldOff("it reads less vapour than its room holds", {"dry": 12 * HOUR}, _below_its_room)

TABLE: Final = (
    HoldOff("it is in a fault that takes this away from its readings", DOUBT_SECONDS, _believed),
    HoldOff("from one look to the next it reads its room's air", {"dry": DISPLACED_SLOW_SECONDS + 600, "cold": DISPLACED_SUDDEN_SECONDS + 600}, _in_the_room),
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
