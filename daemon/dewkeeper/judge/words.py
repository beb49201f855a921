"""What every alarm says, and every word the journal knows. Tables only: no alarm kind exists without its row.

Priorities follow consequence and time to harm: heat kills within the hour, dry or damp air harms over days. Numbers
are common practice, not veterinary advice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

from dewkeeper.judge.types import Band, Kind, Priority

HOUR: Final = 3600
DAY: Final = 24 * HOUR

Class = Literal["failure", "function_check", "out_of_specification", "maintenance"]
"""Classes of NAMUR NE 107 for what is wrong with a probe."""


@dataclass(frozen=True, slots=True)
class Rationale:
    """Why an alarm kind exists: what to tell, how urgently, and what harm waits.

    within_seconds: time to respond. ne107: class of a probe fault, None for anything else.
    tolerable_priority: priority once tolerable is passed; `priority` holds for the target band and where there is none.
    """

    label: str
    cause: str
    consequence: str
    response: str
    within_seconds: int
    priority: Priority = "low"
    tolerable_priority: Priority | None = None
    tolerable_within_seconds: int | None = None
    ne107: Class | None = None

    def __post_init__(self) -> None:
        for name in ("label", "cause", "consequence", "response"):
            if not getattr(self, name).strip():
                raise ValueError(f"an alarm kind without {name}")
        if self.within_seconds <= 0:
            raise ValueError("an alarm kind without a time to respond")

    def priority_for(self, band: Band | None) -> Priority:
        """Return the one priority of this kind and band."""
        return self.tolerable_priority if band == "tolerable" and self.tolerable_priority else self.priority

    def within_for(self, band: Band | None) -> int:
        """Return the time to respond, seconds, of this kind and band."""
        beyond = self.tolerable_within_seconds
        return beyond if band == "tolerable" and beyond is not None else self.within_seconds


_UNWATCHED: Final = "unwatched: nobody sees its air until the probe is believed again"


def _fault(
    label: str, cause: str, response: str, ne107: Class, within: int = DAY, consequence: str = _UNWATCHED
) -> Rationale:
    return Rationale(
        label, cause, consequence, response, within,
        priority="low" if ne107 in ("function_check", "maintenance") else "medium", ne107=ne107,
    )  # fmt: skip


KINDS: Final[Mapping[Kind, Rationale]] = {
    "dry": Rationale(
        "too dry", "moisture left the air, or the air warmed", "a poor shed over days",
        "refill the bowl, then look at the ventilation", 2 * DAY, "low", "medium", 12 * HOUR,
    ),
    "damp": Rationale(
        "too damp", "moisture was added and does not leave", "skin and lung disease over days",
        "let it dry: more air, less misting, look at the floor", 2 * DAY, "low", "medium", DAY,
    ),
    "hot": Rationale(
        "too hot", "the heat source gives too much, or the room is hot", "death within hours",
        "switch the heat off at the plug, open, move the snake", 15 * 60, "urgent", "urgent",
    ),
    "cold": Rationale(
        "too cold", "the heat source fails, or the room is cold", "no digestion, weak defences, in a day or two",
        "check the heater, its thermostat and the plug", 2 * HOUR, "medium", "medium",
    ),
    "heat_stuck_on": Rationale(
        "heat does not stop", "heater or thermostat stuck on", "overheating, death within hours",
        "switch the heat off at the plug and stay until it falls", 15 * 60, "urgent",
    ),
    "heat_lost": Rationale(
        "heat source stopped", "heater, thermostat or plug failed", "it cools to the room within hours",
        "check plug, thermostat and heater", 2 * HOUR, "medium",
    ),
    "dry_soon": Rationale(
        "will be too dry", "moisture is leaving as it did before", "below tolerable within hours",
        "refill the bowl when you pass", 12 * HOUR, "low",
    ),
    "lid_open": Rationale(
        "not closed again", "the air is still the room's after an opening", "it dries and cools; a snake may escape",
        "close it and check the lock", HOUR, "medium",
    ),
    "room_heat": Rationale(
        "room too hot", "the room is as hot as an enclosure may be", "no enclosure in it can cool down",
        "cool the room: shade, air, fewer heaters", HOUR, "medium",
    ),
    "room_frost": Rationale(
        "room cold or bone-dry", "cold or frost-dry air in the room", "every enclosure in it dries or cools",
        "warm or moisten the room; change no tub", 6 * HOUR, "low",
    ),
    "system": Rationale(
        "dewkeeper itself", "the monitor has trouble of its own", "it may see or say less than it should",
        "see the detail and `dewkeeper selftest`", DAY, "medium",
    ),
    "missing": _fault("no reading", "cable, plug or probe dead", "check cable and plug, then the probe", "failure"),
    "crc": _fault("garbled readings", "wiring, supply or a dying probe", "check cable, plug and supply", "failure"),
    "gross_range": _fault("impossible values", "wiring or a dying probe", "check the cable, replace the probe", "failure"),
    "flat_line": _fault("stuck reading", "probe or driver repeats one value", "unplug and replug the probe", "failure"),
    "saturated": _fault(
        "wet probe", "water on the sensor: it reads the film, not the air", "take it out, let it dry, place it higher",
        "out_of_specification",
    ),
    "sensor_heater": _fault(
        "probe heats itself", "the probe's own heater is on", "restart the daemon; replace the probe if it stays",
        "function_check",
    ),
    "brownout": _fault(
        "probe lost power", "supply dips reset the probe", "check supply and cable length", "maintenance",
        consequence="nothing is read while it is off; a supply that sags gets worse",
    ),
    "displaced": _fault(
        "probe fell out", "it reads the room's air", "put the probe back near the substrate", "out_of_specification",
    ),
    "impossible": _fault(
        "reads drier than can be", "a tub with open water cannot hold less vapour than its room",
        "check this probe and the room's, and what stands beside them, before you change the tub", "out_of_specification",
    ),
    "drift": _fault("reads wrong by a growing step", "age or contamination", "calibrate or replace", "maintenance", 30 * DAY),
    "swapped": _fault(
        "wrong probe", "two probes read each other's enclosure", "swap them back, or their names",
        "function_check", HOUR,
    ),
}  # fmt: skip
"""One row per alarm kind; a test holds it complete."""

if missing := set(get_args(Kind)) - set(KINDS):
    raise TypeError(f"alarm kinds without a rationale: {sorted(missing)}")

FAULTS: Final = frozenset(kind for kind, row in KINDS.items() if row.ne107)
FORECASTS: Final = frozenset[Kind]({"dry_soon"})
EXCURSIONS: Final = frozenset({"dry", "damp", "hot", "cold"})


@dataclass(frozen=True, slots=True)
class Word:
    """One word of the journal.

    stage: limits of this profile hold until the entry's `until` (or `default_seconds`).
    suppresses: kinds withheld for `seconds` after the entry's time; heat is never among them.
    long: `dry` and `cold` too are withheld for longer than an hour: it warms up, or the probe is not in the tub; `cold` for no
    longer than it may be doubted.
    drinks: a dry floor takes water from the air for `seconds`: what holds less vapour than its room may well be right.
    ends: stages this entry ends. lever: what it changed, for advice. restarts_memory: what was usual is learned anew. opens: the enclosure was opened.
    probe: its probe was in somebody's hand.
    """

    label: str
    stage: str | None = None
    default_seconds: int = 0
    suppresses: tuple[Kind, ...] = ()
    seconds: int = 0
    ends: tuple[str, ...] = ()
    lever: str | None = None
    restarts_memory: bool = False
    opens: bool = False
    long: bool = False
    drinks: bool = False
    probe: bool = False


_OPEN: Final[tuple[Kind, ...]] = ("dry", "cold", "displaced", "heat_lost")
_WET: Final[tuple[Kind, ...]] = (*_OPEN, "damp")
"""What a hand in the tub can cause, and a wet cloth in it. Nothing is quieted that a deed cannot cause."""

JOURNAL: Final[Mapping[str, Word]] = {
    "misted": Word("misted", suppresses=("damp",), seconds=2 * HOUR, lever="misting"),
    "refilled": Word("bowl refilled", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_refill"),
    "spot_cleaned": Word("spot-cleaned", opens=True, suppresses=_WET, seconds=HOUR),
    "cleaned": Word("cleaned out", opens=True, suppresses=_WET, seconds=2 * HOUR, lever="cleaning"),
    "disinfected": Word("disinfected", opens=True, suppresses=_WET, seconds=2 * HOUR, lever="cleaning"),
    "opened": Word("opened", opens=True, suppresses=_OPEN, seconds=HOUR),
    "closed": Word("closed again"),
    "warm_up": Word("warming up", suppresses=("cold", "dry", "damp", "heat_lost"), seconds=4 * HOUR, long=True),
    "fed": Word("fed", opens=True, suppresses=("dry", "cold"), seconds=1800),
    "refused": Word("refused food"),
    "handled": Word("handled", opens=True, suppresses=_OPEN, seconds=HOUR),
    "weighed": Word("weighed", opens=True, suppresses=("dry", "cold"), seconds=1800),
    "opaque": Word("opaque (in blue)", stage="opaque", default_seconds=14 * DAY),
    "cleared": Word("eyes cleared"),
    "shed": Word("shed", ends=("opaque",)),
    "gravid": Word("gravid", stage="gravid", default_seconds=60 * DAY),
    "laid": Word("laid a clutch", ends=("gravid",)),
    "quarantine": Word("quarantine", stage="quarantine", default_seconds=90 * DAY),
    "quarantine_over": Word("quarantine over", ends=("quarantine",)),
    "hatchling": Word("hatchling", stage="hatchling", default_seconds=365 * DAY),
    "eggs": Word("eggs set up", stage="egg_box", default_seconds=65 * DAY),
    "hatched": Word("hatched", ends=("egg_box",)),
    "stage_over": Word("stage over", ends=("opaque", "gravid", "quarantine", "hatchling", "egg_box")),
    "misting_changed": Word("misting changed", lever="misting"),
    "bowl_size_changed": Word(
        "bowl size changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_size"
    ),
    "bowl_place_changed": Word("bowl moved", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_place"),
    "mesh_cover_changed": Word(
        "mesh cover changed",
        opens=True,
        suppresses=("dry", "cold"),
        seconds=HOUR,
        lever="mesh_cover",
    ),
    "holes_changed": Word("holes changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="holes"),
    "substrate_changed": Word(
        "substrate changed",
        opens=True,
        suppresses=_WET,
        seconds=4 * HOUR,
        drinks=True,
        lever="substrate",
    ),
    "humid_hide_changed": Word(
        "humid hide changed",
        opens=True,
        suppresses=("dry", "cold"),
        seconds=HOUR,
        lever="humid_hide",
    ),
    "heater_changed": Word(
        "heater changed", suppresses=("cold", "heat_lost"), seconds=2 * HOUR, restarts_memory=True, long=True
    ),
    "moistened": Word(
        "substrate moistened", opens=True, suppresses=("dry", "cold", "damp"), seconds=2 * HOUR, lever="substrate"
    ),
    "probe_wiped": Word("probe wiped", probe=True, suppresses=_WET, seconds=HOUR),
    "belly_smooth": Word("belly scales smooth"),
    "belly_rough": Word("belly scales rough"),
    "belly_discoloured": Word("belly red or brown"),
    "belly_cracked": Word("belly scales cracked, or lifted at their edges"),
    "wheeze": Word("wheeze or mucus"),
    "open_mouth": Word("breathes with an open mouth"),
    "probe_moved": Word("probe moved", probe=True, suppresses=_WET, seconds=HOUR, restarts_memory=True),
    "probe_replaced": Word("probe replaced", probe=True, suppresses=_WET, seconds=HOUR, restarts_memory=True),
    "probe_checked": Word("probe checked", probe=True, suppresses=_WET, seconds=2 * HOUR, long=True),
    "moved_in": Word("snake moved in", opens=True, suppresses=("dry", "cold"), seconds=HOUR),
    "moved_out": Word("snake moved out", opens=True, suppresses=("dry", "cold"), seconds=HOUR),
    "vet": Word("vet seen"),
    "looked": Word("looked at again"),
    "not_today": Word("not today"),
    "note": Word("note"),
}
"""Every journal word and what the judge makes of it. Page, command line and judge share this table."""

LATCHED: Final = frozenset[Kind]({"hot", "heat_stuck_on"})
"""Kinds that stand until somebody has seen them: over by itself is not well, a short heat also harms."""

SOON_BACK: Final = frozenset[Kind]({"dry", "cold"})
SOON_BACK_SECONDS: Final = HOUR
"""A hand in the tub explains these for an hour; what lasts longer is told like any other."""

LONGEST_SUPPRESSION_SECONDS: Final = 4 * HOUR
LONGEST_SHELF_SECONDS: Final = DAY
REVIEW_SECONDS: Final = 7 * DAY
STALE_SECONDS: Final = DAY
