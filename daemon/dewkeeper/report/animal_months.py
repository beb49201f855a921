"""The air an animal had, month by month and day by day, wherever it lived: from the quarter hours that are stored."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.animals import Animal
from dewkeeper.report.contract import CHANGES, Past
from dewkeeper.report.nights import day_start
from dewkeeper.report.wording import Wording
from dewkeeper.store.quarters import QUARTER_SECONDS

MOST_MONTHS: Final = 12

Range = tuple[float, float]


@dataclass(slots=True)
class LivedDay:
    """A local day of an animal: lowest and highest believed %RH and °C where it lived, and for how much of it that was read, in seconds.

    lived_seconds: how much of the day the journal says where it lived.
    """

    lived_seconds: int = 0
    watched_seconds: int = 0
    humidity: Range | None = None
    temperature: Range | None = None


@dataclass(slots=True)
class LivedMonth:
    """A calendar month of an animal, from its local date `first` on; days: by day of the month.

    target: %RH, as it was in force last. changes: day of the month -> what was changed where it lived, in words.
    withheld: a shed in it is still to be graded, so its air is not told.
    """

    first: date
    homes: list[str] = field(default_factory=list)
    days: dict[int, LivedDay] = field(default_factory=dict)
    target: Range | None = None
    changes: dict[int, list[str]] = field(default_factory=dict)
    withheld: bool = False

    @property
    def length(self) -> int:
        """Days of the month."""
        return monthrange(self.first.year, self.first.month)[1]

    def words(self, wording: Wording) -> str:
        """Return what it was like: "in T2: humidity 52–68 %, temperature 26.1–31.0 °C, unwatched 3 % of the time"."""
        where = f"in {', '.join(self.homes)}: "
        if self.withheld:
            return f"{where}its air is shown once the shed is graded"
        humid = [day.humidity for day in self.days.values() if day.humidity is not None]
        warm = [day.temperature for day in self.days.values() if day.temperature is not None]
        if not warm:
            return f"{where}nothing measured"
        lived = sum(day.lived_seconds for day in self.days.values())
        lost = 1 - min(1.0, sum(day.watched_seconds for day in self.days.values()) / max(1, lived))
        moist = wording.humidity_range(min(h[0] for h in humid), max(h[1] for h in humid)) if humid else "not measured"
        said = (
            f"{where}humidity {moist}, "
            f"temperature {wording.temperature_range(min(t[0] for t in warm), max(t[1] for t in warm))}"
        )
        return said + (f", unwatched {100 * lost:.0f} % of the time" if lost >= 0.005 else "")


def lived_months(
    past: Past, animal: Animal, zone: ZoneInfo, now: int, hidden: tuple[int, int] | None
) -> list[LivedMonth]:
    """Return the last twelve months of an animal's air, newest first, from when it came on. Raises StoreError.

    now: UTC seconds; hidden: of which time nothing is told yet (`report.sheds.ungraded`).
    """
    today = datetime.fromtimestamp(now, zone).date()
    # In months since the year 0; the first of the twelve lies eleven before this one.
    month_index = today.year * 12 + today.month - MOST_MONTHS
    earliest = date(month_index // 12, month_index % 12 + 1, 1)
    months: dict[date, LivedMonth] = {}
    in_force = past.in_force()
    for stay in animal.stays:
        # The quarter hour in which it was carried over is of two places.
        start = max(-(-stay.start // QUARTER_SECONDS) * QUARTER_SECONDS, day_start(earliest, zone))
        end = min(stay.end if stay.end is not None else now, now) // QUARTER_SECONDS * QUARTER_SECONDS
        if start >= end:
            continue
        moments = _moments(start, end, zone)
        for begin, finish in pairwise(moments):
            month, number = _month(months, datetime.fromtimestamp(begin, zone).date())
            month.days.setdefault(number, LivedDay()).lived_seconds += finish - begin
            if stay.enclosure not in month.homes:
                month.homes.append(stay.enclosure)
        for at, read in past.days(stay.enclosure, moments).items():
            month, number = _month(months, datetime.fromtimestamp(at, zone).date())
            day = month.days.setdefault(number, LivedDay())
            day.watched_seconds += read.watched_seconds
            if read.humidity_low is not None and read.humidity_high is not None:
                day.humidity = _wider(day.humidity, (read.humidity_low, read.humidity_high))
            day.temperature = _wider(day.temperature, (read.temperature_low, read.temperature_high))
            limits = in_force.limits(stay.enclosure, at)
            if limits is not None:
                month.target = (limits.humidity_target.low, limits.humidity_target.high)
        for entry in past.journal(start, words=CHANGES, enclosure=stay.enclosure):
            if entry.time < end:
                month, number = _month(months, datetime.fromtimestamp(entry.time, zone).date())
                month.changes.setdefault(number, []).append(change_words(entry))
    for month in months.values():
        month.withheld = hidden is not None and _overlaps(month, hidden, zone)
    return [months[first] for first in sorted(months, reverse=True)]


def change_words(entry: JournalEntry) -> str:
    """Return what was changed, in words."""
    return JOURNAL[entry.what].label + (f": {entry.detail}" if entry.detail else "")


def _moments(start: int, end: int, zone: ZoneInfo) -> Sequence[int]:
    """Return start, every local midnight between, and end."""
    day = datetime.fromtimestamp(start, zone).date() + timedelta(1)
    found = [start]
    while (at := day_start(day, zone)) < end:
        found.append(at)
        day += timedelta(1)
    return [*found, end]


def _month(months: dict[date, LivedMonth], day: date) -> tuple[LivedMonth, int]:
    first = day.replace(day=1)
    return months.setdefault(first, LivedMonth(first)), day.day


def _overlaps(month: LivedMonth, hidden: tuple[int, int], zone: ZoneInfo) -> bool:
    end = day_start(month.first + timedelta(month.length), zone)
    return hidden[0] < end and hidden[1] > day_start(month.first, zone)


def _wider(one: Range | None, other: Range) -> Range:
    return other if one is None else (min(one[0], other[0]), max(one[1], other[1]))
