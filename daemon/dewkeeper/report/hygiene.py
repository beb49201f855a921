"""Hygiene with humidity: a floor that is dirty harms skin where it is damp as well, so the two are weighed together.

Every half day above the target band counts as one more day since the deep clean. The weight is our own, with no source
behind it: it brings a clean forward, it never puts one off.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.history import Past
from dewkeeper_config.models import Config

DAMP_SECONDS_A_DAY: Final = 12 * 3600
"""So long above target counts as one day more."""
_LONGEST_SECONDS: Final = 190 * 86400
_QUARTER_SECONDS: Final = 900


def damp_seconds(
    past: Past, config: Config, journal: Sequence[JournalEntry], now: int, hidden: Collection[str]
) -> dict[str, int]:
    """Return for how many seconds each enclosure was above its target band since its last deep clean, in whole quarter hours.

    Enclosures never cleaned, and those in `hidden` (a shed there is still to be graded), are left out. Raises StoreError.
    """
    found = dict[str, int]()
    cleaned = {entry.enclosure: entry.time for entry in journal if entry.what == "cleaned" and entry.time <= now}
    for enclosure in config.enclosure:
        name, since = enclosure.name, cleaned.get(enclosure.name)
        if since is None or name in hidden:
            continue
        # Whole quarter hours are stored with their time above target: no reading is read again.
        start = -(-max(since, now - _LONGEST_SECONDS) // _QUARTER_SECONDS) * _QUARTER_SECONDS
        damp = past.above_target_seconds(name, start, now // _QUARTER_SECONDS * _QUARTER_SECONDS)
        if damp:
            found[name] = damp
    return found
