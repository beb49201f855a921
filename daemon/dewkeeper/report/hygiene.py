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
_SLICE_SECONDS: Final = 6 * 3600
_LONGEST_SECONDS: Final = 190 * 86400


def damp_seconds(
    past: Past, config: Config, journal: Sequence[JournalEntry], now: int, hidden: Collection[str]
) -> dict[str, int]:
    """Return for how many seconds each enclosure was above its target band since its last deep clean, by slices of six hours.

    Enclosures never cleaned, and those in `hidden` (a shed there is still to be graded), are left out. Raises StoreError.
    """
    in_force, found = past.in_force(), dict[str, int]()
    cleaned = {entry.enclosure: entry.time for entry in journal if entry.what == "cleaned" and entry.time <= now}
    for enclosure in config.enclosure:
        name, since = enclosure.name, cleaned.get(enclosure.name)
        if since is None or name in hidden:
            continue
        start = max(since, now - _LONGEST_SECONDS)
        if now - start < _SLICE_SECONDS:
            continue
        windows = in_force.windows(name, start, now)
        for point in past.series(name, start, now, (now - start) // _SLICE_SECONDS):
            begun = max(point.at, start)
            high = next((w.limits.humidity_target.high for w in windows if w.start <= begun < w.end), None)
            if high is not None and point.humidity_percent > high:
                found[name] = found.get(name, 0) + max(0, min(point.at + point.seconds, now) - begun)
    return found
