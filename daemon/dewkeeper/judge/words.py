"""What every alarm says and every word the journal knows, in one place for whoever tells of it.

The words of a kind stand at the head of the file of its check or detector; `said` is written from them, so whoever only
tells of alarms needs none of what finds them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, get_args

from dewkeeper.judge.journal_words import (
    JOURNAL,
    LONGEST_SUPPRESSION_SECONDS,
    SOON_BACK,
    SOON_BACK_SECONDS,
    WITHDRAWN,
    JournalWord,
)
from dewkeeper.judge.rationale import DAY, HOUR, Rationale
from dewkeeper.judge.said import RATIONALES
from dewkeeper.judge.types import Kind

__all__ = [
    "DAY", "ENCLOSURE_GONE", "EXCURSIONS", "FAULTS", "FORECASTS", "HOUR", "JOURNAL", "KINDS", "LATCHED", "LONGEST_SHELF_SECONDS",
    "LONGEST_SUPPRESSION_SECONDS", "PROBE_ELSEWHERE", "PROBE_RETIRED", "REVIEW_SECONDS", "SOON_BACK", "SOON_BACK_SECONDS", "STALE_SECONDS", "UNMEASURED_ENDS", "WITHDRAWN", "JournalWord", "Rationale",
]  # fmt: skip

KINDS: Final[Mapping[Kind, Rationale]] = {kind: RATIONALES[kind] for kind in get_args(Kind)}
"""One row per alarm kind; a test holds it complete."""

FAULTS: Final = frozenset(kind for kind, row in KINDS.items() if row.ne107)
FORECASTS: Final = frozenset[Kind]({"dry_soon", "room_heat_soon"})
EXCURSIONS: Final = frozenset({"dry", "damp", "hot", "cold"})

LATCHED: Final = frozenset[Kind]({"hot", "heat_stuck_on"})
"""Kinds that stand until somebody has seen them: over by itself is not well, a short heat also harms."""

PROBE_ELSEWHERE: Final = "the probe is no longer configured here"
PROBE_RETIRED: Final = "the probe was retired"
ENCLOSURE_GONE: Final = "the enclosure is no longer configured"
UNMEASURED_ENDS: Final = frozenset({PROBE_ELSEWHERE, PROBE_RETIRED, ENCLOSURE_GONE})
"""Why an alarm may end although nobody measured that what it is about is over."""

LONGEST_SHELF_SECONDS: Final = DAY
REVIEW_SECONDS: Final = 7 * DAY
STALE_SECONDS: Final = DAY
"""A day on the shelf at most, a week out of service before it is asked about, stale after a day (keeper's goals)."""
