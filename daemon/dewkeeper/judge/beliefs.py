"""What is believed of a probe in a fault: what that takes away from its readings, and what it may hold back.

Only the sensor itself may take temperature away: an impossible word, its own status bit, one word over and over (that is
no answer at all). What is inferred, from shapes, from the room, from neighbours, may be wrong, and then heat would be
argued away: it takes away humidity at most. Nor is humidity silenced for good: see `hold_off`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from dewkeeper.judge.checks.gross_range import rare
from dewkeeper.judge.limits import Doubtable
from dewkeeper.judge.types import Kind
from dewkeeper.judge.view import View

Taken = Literal["humidity", "temperature"]
BOTH: Final = frozenset[Taken]({"humidity", "temperature"})
HUMIDITY: Final = frozenset[Taken]({"humidity"})
_MOIST: Final = frozenset[Doubtable]({"dry", "damp"})

_STATED_SECONDS: Final = 300
"""So long after the sensor last said so its temperature is not taken: a heater cools, a plug settles. As `RECOVERY_SECONDS`."""


@dataclass(frozen=True, slots=True)
class Belief:
    """One thing that may be wrong with a probe.

    takes: the quantities that count for nothing while it is believed. stated: by the sensor itself, and believed for
    `stated_seconds` after it last said so. elsewhere: it reads other air than its enclosure's, so nothing is learned from it.
    holds: what it holds back, for `limits.DOUBT_SECONDS` at most. doubt, cause, response: what is said of an excursion that
    is told though this is believed; {kind}, {either}, {percent}, {hours} and {usual} are filled in. heat: where else the
    heat, or the cold, may be; empty where the temperature is the enclosure's own.
    """

    takes: frozenset[Taken]
    stated: bool = False
    stated_seconds: int = 0
    elsewhere: bool = False
    holds: frozenset[Doubtable] = _MOIST
    doubt: str = ""
    cause: str = ""
    response: str = ""
    heat: str = ""

    def __post_init__(self) -> None:
        if "temperature" in self.takes and not self.stated:
            raise ValueError("only the sensor itself may take temperature away")
        if not self.stated and not (self.doubt and self.cause and self.response):
            raise ValueError("an inferred belief without words for what is told in spite of it")


STATED: Final[Mapping[str, Belief]] = {
    "gross_range": Belief(BOTH, stated=True, stated_seconds=_STATED_SECONDS),
    "flat_line": Belief(BOTH, stated=True),  # the first other word is an answer again
    "sensor_heater": Belief(BOTH, stated=True, stated_seconds=_STATED_SECONDS, elsewhere=True),
}
"""Faults the sensor itself states."""

INFERRED: Final[Mapping[str, Belief]] = {
    "gross_range": Belief(
        HUMIDITY, doubt="jumping probe", cause="its probe jumps about, and between its jumps it reads too {kind}",
        response="check its cable and the probe; {usual}",
    ),
    "flat_line": Belief(
        HUMIDITY, doubt="stuck probe", cause="its probe may be stuck, but what it reads is too {kind}",
        response="unplug and replug the probe first; {usual}",
    ),
    "sensor_heater": Belief(
        HUMIDITY, elsewhere=True, doubt="probe's own heat",
        cause="something warmed the probe at once, its own heater or a lamp over it, and it reads too {kind}",
        response="look for a lamp or a hot spot at the probe first; {usual}",
        heat="if the air is not hot, look for a lamp over the probe, or the probe's own heater",
    ),
    "displaced": Belief(
        HUMIDITY, elsewhere=True, holds=_MOIST | {"cold"}, doubt="probe in its room's air",
        cause="it reads its room's air, too {kind}: the probe fell out, or the enclosure is open or has lost its heat",
        response="look at the probe and the lid first; {usual}",
        heat="look beside the enclosure too: the probe may have fallen out",
    ),
    "saturated": Belief(
        HUMIDITY, doubt="wet probe", cause="{percent} % for {hours} h: a wet probe, or condensation",
        response="dry the probe and put it back: if it reads as wet again within the hour, the air is wet; {usual}",
    ),
    "impossible": Belief(
        HUMIDITY, doubt="probe below its room", cause="too {kind}, and drier than its room, which cannot be: its probe is wrong, or the room's is",
        response="check its probe and the room's first, and what stands beside them; {usual}",
    ),
    "swapped": Belief(
        HUMIDITY, doubt="exchanged probe", cause="{either}: their probes may be exchanged",
        response="check both probes first: `dewkeeper probes check` says which sensor is where; {usual}",
        heat="look into {other} too: this probe may hang there",
    ),
}  # fmt: skip
"""Faults found by comparison, by shape, or by whose sensor it is."""


def belief(view: View, kind: Kind) -> Belief | None:
    """Return what is believed of a probe because of a fault it is in; None where the fault takes nothing away."""
    if kind == "gross_range" and rare(view):
        return None
    stated = STATED.get(kind)
    if stated is not None and 0 <= view.now - view.probe.faults[kind][2] <= stated.stated_seconds:
        return stated
    return INFERRED.get(kind)


def beliefs(view: View) -> list[tuple[Kind, Belief]]:
    """Return (fault, what is believed of it) of a probe: all that take something away."""
    found = ((kind, belief(view, kind)) for kind in sorted(view.probe.faults))
    return [(kind, held) for kind, held in found if held is not None]
