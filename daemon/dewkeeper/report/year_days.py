"""A year of one enclosure as days: lowest and highest, hours beyond tolerable, and what nobody watched."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo

from dewkeeper.report.animal_months import change_words
from dewkeeper.report.contract import CHANGES, Past
from dewkeeper.report.model import UNWATCHED_MINUTES
from dewkeeper.report.nights import day_start
from dewkeeper.report.watching import due_seconds

DayState = Literal["calm", "beyond", "unwatched", "nothing"]


@dataclass(frozen=True, slots=True)
class DayOfYear:
    """One local day. state: "nothing" where it was not to be watched; "beyond" before "unwatched" where both are so.

    lowest and highest in %RH, None where nothing believed was read. beyond_seconds: beyond tolerable humidity or
    temperature. unwatched_seconds: of the time it was in service. changes: what was changed about it that day, in words.
    """

    day: date
    lowest: float | None
    highest: float | None
    beyond_seconds: int
    unwatched_seconds: int
    state: DayState
    changes: tuple[str, ...] = ()


def year_of(past: Past, enclosure: str, last: date, zone: ZoneInfo, now: int) -> list[DayOfYear]:
    """Return the days of the year up to the local date `last`, oldest first, from the first there is anything of.

    now: UTC seconds. Raises StoreError.
    """
    first = last - timedelta(days=365)
    dates = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    moments = [day_start(day, zone) for day in dates]
    read, in_force = past.days(enclosure, moments), past.in_force()
    changes: dict[date, list[str]] = {}
    for entry in past.journal(moments[0], words=CHANGES, enclosure=enclosure):
        changes.setdefault(datetime.fromtimestamp(entry.time, zone).date(), []).append(change_words(entry))
    found = []
    for day, (begin, finish) in zip(dates, pairwise(moments), strict=False):
        # A day is known by its first whole quarter hour, as the store sums them up.
        at = -(-begin // 900) * 900
        whole, end = read.get(at), min(finish, now // 900 * 900)
        due = due_seconds(in_force, enclosure, begin, max(begin, end)) if in_force.began is not None else 0
        lost = max(0, due - (whole.watched_seconds if whole is not None else 0))
        beyond = whole.beyond_seconds if whole is not None else 0
        state: DayState = "calm" if whole is not None else "nothing"
        if lost >= UNWATCHED_MINUTES * 60:
            state = "unwatched"
        if beyond >= 60:
            state = "beyond"
        found.append(
            DayOfYear(
                day,
                whole.humidity_low if whole is not None else None,
                whole.humidity_high if whole is not None else None,
                beyond,
                lost,
                state,
                tuple(changes.get(day, ())),
            )
        )
    known = next((n for n, one in enumerate(found) if one.state != "nothing"), len(found))
    return found[known:]


def by_month(days: list[DayOfYear]) -> list[tuple[str, list[list[DayOfYear | None]]]]:
    """Return ("October 2026", its weeks from Monday) oldest first; None where a week has a day of another month."""
    months: dict[str, list[list[DayOfYear | None]]] = {}
    for one in days:
        weeks = months.setdefault(f"{one.day:%b %Y}", [])
        if not weeks or one.day.weekday() == 0:
            weeks.append([None] * 7)
        weeks[-1][one.day.weekday()] = one
    return list(months.items())


def hours_words(seconds: int) -> str:
    """Return so many seconds in the few letters that a day of a calendar has room for: "20 m", "3 h"."""
    minutes = seconds // 60
    return f"{minutes} m" if minutes < 60 else f"{round(minutes / 60)} h"
