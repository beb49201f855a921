"""Hygiene with humidity: a floor that is dirty harms skin where it is damp as well, so the two are weighed together.

Every half day above the target band counts as one more day since the deep clean. The weight is our own, with no source
behind it: it brings a clean forward, it never puts one off.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.contract import Past
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper_config.models import Config, Enclosure

DAMP_SECONDS_A_DAY: Final = 12 * 3600
"""So long above target counts as one day more."""
_FASTEST: Final = 1 + 86400 / DAMP_SECONDS_A_DAY
"""Damp all day long, the days to the next deep clean go by so much faster."""
_LONGEST_SECONDS: Final = 190 * 86400


def deep_clean_days(config: Config, enclosure: Enclosure) -> int:
    """Return after how many days an enclosure of this kind is to be deep-cleaned when its air was never damp."""
    ways = config.round
    return ways.deep_clean_furnished_days if enclosure.kind == "furnished" else ways.deep_clean_days


def damp_seconds(
    past: Past, config: Config, journal: Sequence[JournalEntry], now: int, hidden: Collection[str]
) -> dict[str, int]:
    """Return for how many seconds each enclosure was above its target band since its last deep clean, in whole quarter hours.

    Enclosures never cleaned, those cleaned so lately that no dampness makes them due, and those in `hidden` (a shed there
    is still to be graded) are left out. Raises StoreError.
    """
    since: dict[str, int] = {}
    cleaned = {entry.enclosure: entry.time for entry in journal if entry.what == "cleaned" and entry.time <= now}
    for enclosure in config.enclosure:
        name, last = enclosure.name, cleaned.get(enclosure.name)
        # A day less than the fastest: two moments a little less than a day apart are of two dates.
        soonest = (deep_clean_days(config, enclosure) / _FASTEST - 1) * 86400
        if last is None or name in hidden or now - last < soonest:
            continue
        # Whole quarter hours are stored with their time above target: no reading is read again.
        since[name] = -(-max(last, now - _LONGEST_SECONDS) // QUARTER_SECONDS) * QUARTER_SECONDS
    found = past.above_target_seconds(since, now // QUARTER_SECONDS * QUARTER_SECONDS)
    return {name: seconds for name, seconds in found.items() if seconds}
