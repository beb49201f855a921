"""Why humidity changed, in figures: what of it warmth, the room's air and moisture made, as the judge split it.

One account for page, terminal and whatever else shows it: the judge's, kept with the alarm.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewkeeper.report.model import ChangeParts
from dewkeeper.report.wording import Wording

_MADE = ("percent_by_temperature", "percent_by_room", "percent_by_moisture")


def parts_of(detail: Mapping[str, str | float | int]) -> ChangeParts | None:
    """Return the parts of a change from the detail of its alarm, None where it has none."""
    found = [detail.get(name) for name in ("changed_since", "percent_before", *_MADE)]
    numbers = [float(value) for value in found if isinstance(value, int | float)]
    if len(numbers) < len(found):
        return None
    since, before, *made = numbers
    return ChangeParts(int(since), before, before + sum(made), *made)


def part_names(parts: ChangeParts) -> tuple[tuple[str, float], ...]:
    """Return each part with its name: what it did, %RH."""
    warmth = "it cooled" if parts.temperature > 0 else "it warmed"
    water = "moisture added" if parts.moisture > 0 else "moisture lost"
    return ((warmth, parts.temperature), ("the room's air", parts.room), (water, parts.moisture))


def why_words(parts: ChangeParts | None, wording: Wording, now: int) -> str:
    """Return "From 66 % to 52 % since 03:00, of which in %RH: it warmed -4, ...", "" where nothing is known."""
    if parts is None:
        return ""
    made = ", ".join(f"{name} {value:+.0f}" for name, value in part_names(parts))
    first, last = wording.humidity(parts.before), wording.humidity(parts.after)
    return f"From {first} to {last} since {wording.clock(parts.since, now)}, of which in %RH: {made}."
