"""Tables of the words that fit on a lock screen, by kind: what it is, what it was, what to do; and for groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from dewkeeper.judge.rationale import (
    COLD_CAUSE,
    DRY_CAUSE,
    MEANWHILE_WARM,
    SWITCH_ON,
    TO_THE_HEATER,
    TO_THE_THERMOSTAT,
    heat_off,
)
from dewkeeper.judge.types import Band, Kind
from dewkeeper.judge.words import DAY, FAULTS, KINDS, Rationale


@dataclass(frozen=True, slots=True)
class Short:
    """A kind on a lock screen: what it is, what is said when it is over, and what to do (`response` says it in full).

    still: what it is while it goes on; for the kinds whose subject is not the enclosure.
    """

    what: str
    was: str
    action: str
    still: str = ""


SHORT: Final[Mapping[Kind, Short]] = {
    "dry": Short("too dry", "was too dry", "refill bowl"),
    "damp": Short("too damp", "was too damp", "let it air"),
    "hot": Short("too hot", "was too hot", "breaker or unplug"),
    "cold": Short("too cold", "was too cold", "check its heater"),
    "heat_stuck_on": Short("heater stuck on", "heater was stuck on", "breaker or unplug", "heater still stuck on"),
    "heat_lost": Short("heater stopped", "heater had stopped", "check it", "heater still off"),
    "dry_soon": Short("drying out", "was drying out", "refill bowl"),
    "stale_air": Short("stale and wet", "was stale and wet", "uncover some mesh"),
    "lid_open": Short("not closed", "was not closed", "is the snake in?"),
    "room_heat": Short("room too hot", "room was too hot", "cool the room", "room still too hot"),
    "room_heat_soon": Short("room is warming", "room was warming", "shade and air it", "room still warming"),
    "room_frost": Short("room cold or dry", "room was cold or dry", "warm the room", "room still cold or dry"),
    "system": Short("monitor trouble", "monitor had trouble", "see page"),
    "missing": Short("probe silent", "probe was silent", "look at the tub", "probe still silent"),
    "crc": Short("probe garbled", "probe was garbled", "look at the tub", "probe still garbled"),
    "gross_range": Short("probe reads junk", "probe read junk", "check cable", "probe still reads junk"),
    "flat_line": Short("probe stuck", "probe was stuck", "replug probe", "probe still stuck"),
    "saturated": Short("probe wet", "probe was wet", "dry the probe", "probe still wet"),
    "sensor_heater": Short("probe heats itself", "probe heated itself", "restart", "probe still heats itself"),
    "brownout": Short("lost probe power", "had lost probe power", "check supply", "still loses probe power"),
    "displaced": Short("probe fell out", "probe had fallen out", "put it back", "probe still out of place"),
    "impossible": Short("probe not credible", "probe was not credible", "check probe", "probe still not credible"),
    "intermittent": Short("probe comes and goes", "probe came and went", "check plug", "probe still comes and goes"),
    "drift": Short("probe drifts", "probe drifted", "calibrate", "probe still drifts"),
    "swapped": Short("wrong probe", "had the wrong probe", "swap or accept"),
}


OF_ROOM: Final[Mapping[str, Short]] = {
    COLD_CAUSE: Short("room cold", "room was cold", "warm the room", "room still cold"),
    DRY_CAUSE: Short("room too dry", "room was too dry", "moisten the room", "room still too dry"),
}
"""The same of a room, by its cause: one kind for two things that ask for different steps."""


@dataclass(frozen=True, slots=True)
class Shared:
    """What is said when several have it together: action for the first line, cause and response for the text."""

    action: str
    cause: str
    response: str


_STEPS: Final[Mapping[Kind, Sequence[tuple[str, str]]]] = {
    "dry": (
        ("refill the bowl", "refill bowl"),
        ("the bowl is full", "too much air"),
        ("the bowl was filled", "second bowl"),
        ("a wider bowl", "wider bowl"),
        ("move the bowl", "move the bowl"),
        ("two changes", "check the probe"),
        ("in blue", "humid hide"),
        ("misting is", "mist for now"),
    ),
    "dry_soon": (("refill the bowl", "refill bowl"), ("the bowl was filled", "look at bowl")),
    "damp": (
        ("clean it out", "clean it out"),
        ("open more holes", "more holes"),
        ("uncover the mesh", "uncover mesh"),
        ("mist less", "mist less"),
        ("change a wet floor", "change wet floor"),
        ("look for a spilt", "look for a spill"),
    ),
}
"""How the first step of an advice is called on a lock screen; what is not here goes by the kind's own words."""
_ANY_STEP: Final = (
    ("change nothing more", "call the vet"),
    ("treat the room's air", "treat the room"),
    (TO_THE_HEATER, "check its heater"),
    (TO_THE_THERMOSTAT, "check thermostat"),
    ("warm the room;", "warm the room"),
    ("moisten the room", "moisten the room"),
)


def short_step(kind: str, response: str) -> str:
    """Return the first step of an advice in a few words; the first line never says another thing than the text."""
    # Without an advice there is none to name: the kind's own step is said.
    own = _STEPS.get(kind, ()) if response else ()  # type: ignore[call-overload]  # any text
    for beginning, said in (*own, *_ANY_STEP):
        if response.startswith(beginning):
            return str(said)
    # An advice found for this very tub that is called nothing here: the usual step might be the wrong one.
    advised = own and response != rationale_of(kind).response
    return "see advice" if advised and kind == "dry" else short_of(kind).action


OWN_CAUSES: Final = frozenset[Kind]({"dry", "damp", "hot"})
"""Kinds that several may have at once each by itself: the judge's cause says whether it is the room."""

_ROOM = "several at once: most likely the room's air, or something they share"
_MAINS = "several at once: most likely a breaker, the mains, or a plug they share"
_CABLE = "several at once: most likely the cable, plug or supply they share"

GROUPS: Final[Mapping[Kind, Shared]] = {
    "dry": Shared(
        "treat the room",
        _ROOM,
        "shut the window, fill the humidifier, else wet cloths away from plugs and leads; leave the tubs as they are for now",
    ),
    "damp": Shared("air the room", _ROOM, "air the room first; leave the tubs as they are until it is right"),
    "hot": Shared(
        "cool the room",
        _ROOM,
        "smoke: get out. Else breaker off (cool plugs: pull them); cool the room: shade, air; then look at every snake",
    ),
    "cold": Shared(
        "check room and plugs",
        _ROOM,
        f"check the room's heating, then plugs, breaker and heaters; {SWITCH_ON}; {MEANWHILE_WARM}",
    ),
    "dry_soon": Shared(
        "look at bowls", "moisture is leaving several at once", "look at the bowls when you pass, and at the room"
    ),
    "heat_lost": Shared(
        "plugs, breaker",
        _MAINS,
        f"look at plugs, breaker, and thermostats that must be switched on by hand; {SWITCH_ON}; {MEANWHILE_WARM}; no mains: keep doors and tubs shut",
    ),
    "heat_stuck_on": Shared(
        "heat off now",
        _MAINS,
        heat_off(several=True),
    ),
    "missing": Shared(
        "look at tubs",
        _CABLE,
        "look at the tubs and their heat, then check the cable, plug or adapter their probes share",
    ),
    "crc": Shared(
        "look at tubs",
        _CABLE,
        "look at the tubs and their heat, then check the cable, plug and supply their probes share",
    ),
    "gross_range": Shared("check the cable", _CABLE, "check the cable, plug and supply they share"),
    "flat_line": Shared("check the cable", _CABLE, "unplug the cable they share and plug it in again"),
    "brownout": Shared("check the supply", _CABLE, "check the supply they share and the length of its cable"),
}
"""Kinds that mean something else when several have them; the others keep their own words."""


OWN: Final[Mapping[str, tuple[str, str]]] = {
    "recording": ("nothing is recorded", "nothing was recorded"),
    "telling": ("cannot send messages", "could not send messages"),
    "heartbeat": ("heartbeat unanswered", "heartbeat was unanswered"),
    "set aside": ("something was given up", "had given something up"),
    "dropped": ("something was lost", "had lost something"),
}
"""What the daemon says of its own troubles where "trouble with" would not say it: what it is, what it was."""

OF_OTHERS: Final[Mapping[str, tuple[str, str]]] = {
    "silence": ("silent", "was silent"),
    "clock": ("clock differs", "clock differed"),
    "monitor": ("monitor trouble", "had monitor trouble"),
    "probes": ("probe trouble", "had probe trouble"),
    "heartbeat": ("does not hear us", "did not hear us"),
}
"""The same of another site's troubles."""


def short_of(kind: str) -> Short:
    """Return how a kind is called on a lock screen; one that another version knows goes by the name it is stored under."""
    plain = _plain(kind)
    return SHORT.get(kind) or Short(plain, f"was {plain}", "look yourself")  # type: ignore[call-overload]  # any text


def rationale_of(kind: str) -> Rationale:
    """Return what is to be told of a kind; of one that only another version knows, that it is so."""
    known: Rationale | None = KINDS.get(kind)  # type: ignore[call-overload]  # any text
    return known or Rationale(
        _plain(kind), "this version does not know this kind of alarm, another one raised it", "not known to this version",
        "look yourself; Alarms on the page shows what stands", DAY,
    )  # fmt: skip


class Responded(Protocol):
    """What is to be answered in time: an event, an alarm, or what is told of one."""

    @property
    def kind(self) -> Kind: ...  # noqa: D102
    @property
    def band(self) -> Band | None: ...  # noqa: D102
    @property
    def within_seconds(self) -> int: ...  # noqa: D102


def time_to_respond(item: Responded) -> int:
    """Return its time to respond, seconds; where an older version named none, that of its kind and band."""
    return item.within_seconds or rationale_of(item.kind).within_for(item.band)


def _plain(kind: str) -> str:
    return kind.replace("_", " ").strip() or "unnamed"


# At import: else the first such fault would be what finds it, at night.
if not set(SHORT) >= FAULTS:
    raise TypeError("a probe fault without words for a lock screen")
