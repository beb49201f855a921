"""When something is due by the clock on the wall: reckoned here for the calendar and for the day's messages alike."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from datetime import time as wall_time
from typing import Protocol
from zoneinfo import ZoneInfo


class Rule(Protocol):
    """When something is due."""

    def latest_slot(self, now: int) -> int:
        """Return the UTC second of the latest moment, up to now, at which it was to be done."""
        ...

    def next_slot(self, now: int) -> int:
        """Return the UTC second of the next such moment after now."""
        ...


@dataclass(frozen=True, slots=True)
class Daily:
    """Once a day at a local time. A time that a DST change skips is taken an hour later; a doubled one counts once."""

    at: wall_time
    zone: ZoneInfo

    def latest_slot(self, now: int) -> int:
        """Return the latest such moment up to now."""
        today = datetime.fromtimestamp(now, self.zone).date()
        slots = (self._on(today - timedelta(days=back)) for back in (-1, 0, 1, 2))
        return max(slot for slot in slots if slot <= now)

    def next_slot(self, now: int) -> int:
        """Return the next such moment after now."""
        today = datetime.fromtimestamp(now, self.zone).date()
        slots = (self._on(today + timedelta(days=ahead)) for ahead in (-1, 0, 1, 2))
        return min(slot for slot in slots if slot > now)

    def _on(self, day: object) -> int:
        return int(datetime.combine(day, self.at, tzinfo=self.zone).timestamp())  # type: ignore[arg-type]  # a date


@dataclass(frozen=True, slots=True)
class Every:
    """Every so many seconds, on the grid of UTC."""

    seconds: int

    def latest_slot(self, now: int) -> int:
        """Return the latest such moment up to now."""
        return now // self.seconds * self.seconds

    def next_slot(self, now: int) -> int:
        """Return the next such moment after now."""
        return self.latest_slot(now) + self.seconds


def is_due(rule: Rule, grace_seconds: int, last_done: int | None, now: int) -> bool:
    """Return whether something last done then is to be done now.

    A `last_done` in the future (the clock was wrong and was put right) counts as never done.
    """
    slot = rule.latest_slot(now)
    if grace_seconds and now - slot > grace_seconds:
        return False
    return last_done is None or last_done > now or last_done < slot
