"""Every word the journal knows, and what the judge makes of it. Page, command line and judge share this table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dewkeeper.judge.rationale import DAY, HOUR
from dewkeeper.judge.types import Kind


@dataclass(frozen=True, slots=True)
class JournalWord:
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

# fmt: off
JOURNAL: Final[Mapping[str, JournalWord]] = {
    "misted": JournalWord("misted", suppresses=("damp",), seconds=2 * HOUR, lever="misting"),
    "refilled": JournalWord("bowl refilled", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_refill"),
    "spot_cleaned": JournalWord("spot-cleaned", opens=True, suppresses=_WET, seconds=HOUR),
    "cleaned": JournalWord("cleaned out", opens=True, suppresses=_WET, seconds=2 * HOUR, lever="cleaning"),
    "disinfected": JournalWord("disinfected", opens=True, suppresses=_WET, seconds=2 * HOUR, lever="cleaning"),
    "opened": JournalWord("opened", opens=True, suppresses=_OPEN, seconds=HOUR),
    "closed": JournalWord("closed again"),
    "warm_up": JournalWord("warming up", suppresses=("cold", "dry", "damp", "heat_lost"), seconds=4 * HOUR, long=True),
    "fed": JournalWord("fed", opens=True, suppresses=("dry", "cold"), seconds=1800),
    "refused": JournalWord("refused food"),
    "handled": JournalWord("handled", opens=True, suppresses=_OPEN, seconds=HOUR),
    "weighed": JournalWord("weighed", opens=True, suppresses=("dry", "cold"), seconds=1800),
    "opaque": JournalWord("opaque (in blue)", stage="opaque", default_seconds=14 * DAY),
    "cleared": JournalWord("eyes cleared"),
    "shed": JournalWord("shed", ends=("opaque",)),
    "gravid": JournalWord("gravid", stage="gravid", default_seconds=60 * DAY),
    "laid": JournalWord("laid a clutch", ends=("gravid",)),
    "quarantine": JournalWord("quarantine", stage="quarantine", default_seconds=90 * DAY),
    "quarantine_over": JournalWord("quarantine over", ends=("quarantine",)),
    "hatchling": JournalWord("hatchling", stage="hatchling", default_seconds=365 * DAY),
    "eggs": JournalWord("eggs set up", stage="egg_box", default_seconds=65 * DAY),
    "hatched": JournalWord("hatched", ends=("egg_box",)),
    "limits_for_a_time": JournalWord("limits for a time", default_seconds=14 * DAY),
    "limits_over": JournalWord("limits for a time over"),
    "stage_over": JournalWord("stage over", ends=("opaque", "gravid", "quarantine", "hatchling", "egg_box")),
    "misting_changed": JournalWord("misting changed", lever="misting"),
    "bowl_size_changed": JournalWord("bowl size changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_size"),
    "bowl_place_changed": JournalWord("bowl moved", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="bowl_place"),
    "mesh_cover_changed": JournalWord("mesh cover changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="mesh_cover"),
    "holes_changed": JournalWord("holes changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="holes"),
    "substrate_changed": JournalWord("substrate changed", opens=True, suppresses=_WET, seconds=4 * HOUR, drinks=True, lever="substrate"),
    "humid_hide_changed": JournalWord("humid hide changed", opens=True, suppresses=("dry", "cold"), seconds=HOUR, lever="humid_hide"),
    "heater_changed": JournalWord("heater changed", suppresses=("cold", "heat_lost"), seconds=2 * HOUR, restarts_memory=True, long=True),
    "moistened": JournalWord("substrate moistened", opens=True, suppresses=("dry", "cold", "damp"), seconds=2 * HOUR, lever="substrate"),
    "probe_wiped": JournalWord("probe wiped", probe=True, suppresses=_WET, seconds=HOUR),
    "belly_smooth": JournalWord("belly scales smooth"),
    "belly_rough": JournalWord("belly scales rough"),
    "belly_discoloured": JournalWord("belly red or brown"),
    "belly_cracked": JournalWord("belly scales cracked, or lifted at their edges"),
    "surface": JournalWord("surface measured"),
    "wall_wet": JournalWord("cool wall wet"),
    "wall_dry": JournalWord("cool wall dry"),
    "wheeze": JournalWord("wheeze or mucus"),
    "open_mouth": JournalWord("breathes with an open mouth"),
    "probe_moved": JournalWord("probe moved", probe=True, suppresses=_WET, seconds=HOUR, restarts_memory=True),
    "probe_replaced": JournalWord("probe replaced", probe=True, suppresses=_WET, seconds=HOUR, restarts_memory=True),
    "probe_checked": JournalWord("probe checked", probe=True, suppresses=_WET, seconds=2 * HOUR, long=True),
    "moved_in": JournalWord("snake moved in", opens=True, suppresses=("dry", "cold"), seconds=HOUR),
    "moved_out": JournalWord("snake moved out", opens=True, suppresses=("dry", "cold"), seconds=HOUR),
    "described": JournalWord("about the snake"),
    "vet": JournalWord("vet seen"),
    "looked": JournalWord("looked at again"),
    "not_today": JournalWord("not today"),
    "note": JournalWord("note"),
    "withdrawn": JournalWord("taken back"),
}
# fmt: on

BEFORE_SECONDS: Final = 600
"""What was so for longer than this before a deed is not explained by it."""

SICK: Final = frozenset({"wheeze", "open_mouth", "belly_discoloured", "belly_cracked"})
"""What a keeper notes of an animal that no number should be tuned for any more."""
SOON_BACK: Final = frozenset[Kind]({"dry", "cold"})
SOON_BACK_SECONDS: Final = HOUR
"""A hand in the tub explains these for an hour; what lasts longer is told like any other."""

WITHDRAWN: Final = "withdrawn"
"""The word that takes an entry back: nothing of that one holds any more, and both are kept."""

LONGEST_SUPPRESSION_SECONDS: Final = 4 * HOUR
"""Common practice, no source."""
