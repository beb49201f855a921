"""What may be wrong with a probe: one table of hypotheses, and what each may take away from its readings, hold back and for how long.

A row is believed from the moment its fault is named; before that its grounds may hold an excursion back until it can be.
Only the sensor itself may take temperature away: an impossible word, its own status bit, one word over and over (that is
no answer at all). What is inferred, from shapes, from the room, from neighbours, may be wrong, and then heat would be
argued away: it takes away humidity at most. Nor is humidity silenced for good: at the longest of its kind an excursion is
told all the same, in the row's words. `hold_off` decides by this table. Nothing in it holds heat: it is by `Doubtable`, which `hot` is
none of.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from dewkeeper.judge.checks.displaced import (
    SLOW_SECONDS,
    SUDDEN_SECONDS,
    DisplacedMemory,
    tells_from_room,
    usually_apart,
)
from dewkeeper.judge.checks.gross_range import rare
from dewkeeper.judge.checks.impossible import HOLD_HPA, SOON_HOURS, below_room, falls_as_no_air
from dewkeeper.judge.checks.swapped import may_yet_turn_out_swapped, partner
from dewkeeper.judge.limit_alarm import DOUBT_SECONDS, Doubtable, Side
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.rationale import DAY, HOUR, TYPED
from dewkeeper.judge.types import Kind
from dewkeeper.judge.view import ProbeView, View

Taken = Literal["humidity", "temperature"]
BOTH: Final = frozenset[Taken]({"humidity", "temperature"})
HUMIDITY: Final = frozenset[Taken]({"humidity"})

AGAIN_SECONDS: Final = 60
TARGET_AGAIN_SECONDS: Final = 600
_STATED_SECONDS: Final = 300
"""So long after the sensor last said so its temperature is not taken: a heater cools, a plug settles. As `contract.RECOVERY_SECONDS`."""
_NAMED_SECONDS: Final = 600
"""By when `displaced` is named that may be."""
_MOIST: Final[Mapping[Doubtable, int]] = {"dry": DOUBT_SECONDS["dry"], "damp": DOUBT_SECONDS["damp"]}


@dataclass(frozen=True, slots=True)
class Ground:
    """Why a hypothesis is likely though its fault is not named yet.

    asks: whether it is so now, of an excursion of this side that is due. most: kind -> seconds beyond its on-delay, at most.
    target: of what is beyond target only, which harms over days and has no bound of its own. again: asked anew after so many seconds.
    """

    why: str
    most: Mapping[Doubtable, int]
    asks: Callable[[View, Side], bool]
    target: bool = False

    @property
    def again(self) -> int:
        """After how many seconds it is asked anew."""
        return TARGET_AGAIN_SECONDS if self.target else AGAIN_SECONDS


@dataclass(frozen=True, slots=True)
class Belief:
    """One thing that may be wrong with a probe, of which `fault` is the name.

    takes: the quantities that count for nothing while it is believed. stated: by the sensor itself, and believed for
    `stated_seconds` after it last said so. elsewhere: it reads other air than its enclosure's, so nothing is learned from it.
    holds: kind -> seconds beyond its on-delay that it holds an excursion back once it is named. grounds: what holds before.
    other: the probe whose air it may read. doubt, cause, response: what is said of an excursion that is told though this
    is believed; {kind}, {either}, {percent}, {hours} and {usual} are filled in. heat: where else the heat, or the cold, may
    be; empty where the temperature is the enclosure's own.
    """

    fault: Kind
    takes: frozenset[Taken]
    stated: bool = False
    stated_seconds: int = 0
    elsewhere: bool = False
    holds: Mapping[Doubtable, int] = field(default_factory=lambda: _MOIST)
    grounds: tuple[Ground, ...] = ()
    other: Callable[[View], ProbeView | None] | None = None
    doubt: str = ""
    cause: str = ""
    response: str = ""
    heat: str = ""

    def __post_init__(self) -> None:
        if "temperature" in self.takes and not self.stated:
            raise ValueError("only the sensor itself may take temperature away")
        if not self.stated and not (self.doubt and self.cause and self.response):
            raise ValueError("an inferred belief without words for what is told in spite of it")
        held = [self.holds, *(ground.most for ground in self.grounds if not ground.target)]
        if any(seconds > DOUBT_SECONDS[kind] for most in held for kind, seconds in most.items()):
            raise ValueError(f"{self.fault} holds back for longer than harm allows")


def _in_the_room(view: View, side: Side) -> bool:
    # Where only a little warmth tells the two apart the name takes longer; dryness, which harms slowly, waits for it.
    near, room, longest = view.probe.memory(DisplacedMemory), view.room, SLOW_SECONDS + _NAMED_SECONDS
    if near.near_since == NEVER or not near.near_sudden:
        return False
    if usually_apart(view.probe):
        longest = SUDDEN_SECONDS + _NAMED_SECONDS
    elif side.kind != "dry" or room is None or not tells_from_room(view.probe, room):
        return False
    return view.now - near.near_since < longest


def _below_its_room(view: View, side: Side) -> bool:
    return below_room(view, view.probe.air.e, HOLD_HPA, SOON_HOURS)


def _falls_as_no_air(view: View, side: Side) -> bool:
    return falls_as_no_air(view, side.due.since)


def _may_yet_be_swapped(view: View, side: Side) -> bool:
    # Heat that is told explains what dries by itself.
    return not view.probe.sides[2].level and may_yet_turn_out_swapped(view)


BELOW_ROOM: Final = Ground("it reads less vapour than its room holds", {"dry": 12 * HOUR}, _below_its_room)
"""At once, and named when the last 20 min say so."""

TABLE: Final = (
    Belief("flat_line", BOTH, stated=True, holds={}),  # the first other word is an answer again
    Belief(
        "flat_line", HUMIDITY, doubt="stuck probe", cause="its probe may be stuck, but what it reads is too {kind}",
        response="unplug and replug the probe first; {usual}",
    ),
    Belief("gross_range", BOTH, stated=True, stated_seconds=_STATED_SECONDS, holds={}),
    Belief(
        "gross_range", HUMIDITY, doubt="jumping probe", cause="its probe jumps about, and between its jumps it reads too {kind}",
        response="check its cable and the probe; {usual}",
    ),
    Belief("sensor_heater", BOTH, stated=True, stated_seconds=_STATED_SECONDS, elsewhere=True, holds={}),
    Belief(
        "sensor_heater", HUMIDITY, elsewhere=True, doubt="probe's own heat",
        cause="something warmed the probe at once, its own heater or a lamp over it, and it reads too {kind}",
        response="look for a lamp or a hot spot at the probe first; {usual}",
        heat="if the air is not hot, look for a lamp over the probe, or the probe's own heater",
    ),
    Belief(
        "displaced", HUMIDITY, elsewhere=True, holds=DOUBT_SECONDS, doubt="probe in its room's air",
        grounds=(
            Ground("from one look to the next it reads its room's air", {"dry": SLOW_SECONDS + _NAMED_SECONDS, "cold": SUDDEN_SECONDS + _NAMED_SECONDS}, _in_the_room),
        ),
        cause="it reads its room's air, too {kind}: the probe fell out, or the enclosure is open or has lost its heat",
        response="look at the probe and the lid first; {usual}",
        heat="look beside the enclosure too: the probe may have fallen out",
    ),
    Belief(
        "saturated", HUMIDITY, doubt="wet probe", cause="{percent} % for {hours} h: a wet probe, or condensation",
        response="look at the probe first: if it is wet, dry it, put it back, wait an hour and change nothing else; wet again by then, or it was dry: the air is wet, {usual}",
    ),
    Belief(
        "impossible", HUMIDITY, doubt="probe below its room", cause="too {kind}, and drier than its room, which cannot be: its probe is wrong, or the room's is",
        grounds=(BELOW_ROOM, Ground("it falls as no air dries, or did for a while and falls on", {"dry": 9000}, _falls_as_no_air)),
        response="check its probe and the room's first, and what stands beside them; {usual}",
    ),
    Belief(
        "swapped", HUMIDITY, other=partner, doubt="exchanged probe", cause="{either}: their probes may be exchanged",
        grounds=(
            Ground("it may yet turn out to have changed places with another probe", {"dry": DAY, "damp": DAY}, _may_yet_be_swapped, target=True),
        ),
        response=f"check both probes first; {TYPED}: `dewkeeper probes check` says which sensor is where; {{usual}}",
        heat="look into {other} too: this probe may hang there",
    ),
)  # fmt: skip
"""Asked in this order. DEVELOPERS.md says the same in words."""

_STATED: Final[Mapping[Kind, Belief]] = {row.fault: row for row in TABLE if row.stated}
INFERRED: Final[Mapping[Kind, Belief]] = {row.fault: row for row in TABLE if not row.stated}
"""Faults found by comparison, by shape, or by whose sensor it is."""


def belief(view: View, kind: Kind) -> Belief | None:
    """Return what is believed of a probe because of a fault it is in; None where the fault takes nothing away."""
    if kind == "gross_range" and rare(view):
        return None
    stated = _STATED.get(kind)
    if stated is not None and 0 <= view.now - view.probe.faults[kind][2] <= stated.stated_seconds:
        return stated
    return INFERRED.get(kind)


def beliefs(view: View) -> list[tuple[Kind, Belief]]:
    """Return (fault, what is believed of it) of a probe: all that take something away."""
    found = ((kind, belief(view, kind)) for kind in sorted(view.probe.faults))
    return [(kind, held) for kind, held in found if held is not None]
