"""The same judge over what was: a file, or the database, under these settings or others.

`replay` is a what-if through the judge itself, never a second implementation of it. What two settings would have told
is compared alarm by alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, Item, JournalEntry, Reading, Settings, Tick
from dewkeeper.report.readings_file import Row, format_time

TOLD = frozenset({"raised", "escalated", "cleared"})


def replay_rows(
    settings: Settings, rows: Iterable[Row], journal: Sequence[JournalEntry] = ()
) -> Iterator[Event]:
    """Yield the events that rows of a file and journal entries, both in order of time, lead to."""
    judge = Judge()
    judge_values, take_events = judge.judge_values, judge.take_events
    waiting = iter(journal)
    entry = next(waiting, None)
    started = False
    at = 0
    for at, probe, temperature_c, humidity_percent in rows:
        if not started:
            started = True
            judge.feed(replace(settings, time=min(at, entry.time) if entry is not None else at))
        while entry is not None and entry.time <= at:
            yield from judge.feed(entry).events
            entry = next(waiting, None)
        judge_values(at, probe, temperature_c, humidity_percent)
        events = take_events()
        if events:
            yield from events
    if started:
        yield from judge.feed(Tick(at)).events


def replay_items(settings: Settings | None, items: Iterable[Item], earlier: Sequence[Item] = ()) -> Iterator[Event]:
    """Yield the events a stored stream leads to, under these settings, or (None) under those that were in force.

    earlier: what came before the stream begins and still counts then: stages, enclosures out of service, what was
    learned, and the settings then in force. The judge is new at the beginning: nothing stands yet.
    """
    judge = Judge()
    started = False
    for item in items:
        if not started:
            started = True
            _begin(judge, settings, earlier, item.time)
        if isinstance(item, Reading):
            judge.judge_values(
                item.time, item.probe, item.temperature_c, item.humidity_percent,
                item.temperature_word, item.humidity_word, item.failure, item.notes,
            )  # fmt: skip
            events = judge.take_events()
            if events:
                yield from events
        elif settings is None or not isinstance(item, Settings):
            yield from judge.feed(item).events


LASTING = ("JournalEntry", "Command", "Learned", "Settings")
"""Kinds of items that may still count when a later part of the stream begins."""


def _begin(judge: Judge, settings: Settings | None, earlier: Sequence[Item], at: int) -> None:
    """Bring a new judge to where a stream begins; what it says of it is old."""
    first = settings or next((item for item in reversed(earlier) if isinstance(item, Settings)), None)
    if first is not None:
        judge.feed(replace(first, time=at))
    for item in earlier:
        if isinstance(item, JournalEntry):
            judge.feed(replace(item, entered=at))
        elif not isinstance(item, Settings):
            judge.feed(item)
    judge.take_events()


def told(event: Event) -> dict[str, Any]:
    """Return an event as one line of a replay."""
    return {
        "time": format_time(event.time),
        "enclosure": event.enclosure,
        "probe": event.probe,
        "kind": event.kind,
        "band": event.band,
        "event": event.event,
        "priority": event.priority,
        "alarm": event.alarm,
    }


@dataclass(frozen=True, slots=True)
class Excursion:
    """One alarm of a replay, whole: times are stored seconds; `cleared` is None when it still stands at the end."""

    place: str
    kind: str
    alarm: str
    since: int
    raised: int
    escalated: int | None
    cleared: int | None
    priority: str


def excursions(events: Iterable[Event]) -> list[Excursion]:
    """Return the alarms that were told, in order of raising."""
    found: dict[str, Excursion] = {}
    for event in events:
        if event.event == "raised":
            place = event.enclosure or event.probe or ""
            found[event.alarm] = Excursion(
                place, event.kind, event.alarm, event.since, event.time, None, None, event.priority
            )
        elif event.alarm in found and event.event == "escalated":
            found[event.alarm] = replace(
                found[event.alarm], escalated=event.time, priority=event.priority
            )
        elif event.alarm in found and event.event == "cleared":
            found[event.alarm] = replace(found[event.alarm], cleared=event.time)
    return sorted(found.values(), key=lambda alarm: (alarm.raised, alarm.place, alarm.kind))


@dataclass(frozen=True, slots=True)
class Difference:
    """What two settings told of the same readings. Alarms per enclosure and week; seconds earlier (+) or later (-)."""

    enclosure: str
    here_per_week: float
    there_per_week: float
    disappeared: tuple[Excursion, ...]
    appeared: tuple[Excursion, ...]
    earlier_seconds: tuple[int, ...]


def compare(here: Sequence[Excursion], there: Sequence[Excursion], weeks: float) -> list[Difference]:
    """Return enclosure by enclosure how `there` differs from `here`; alarms of a kind that overlap are the same one."""
    places = sorted({alarm.place for alarm in (*here, *there)})
    found = []
    for place in places:
        ours = [alarm for alarm in here if alarm.place == place]
        theirs = [alarm for alarm in there if alarm.place == place]
        pairs = [(a, b) for a in ours for b in theirs if _same(a, b)]
        found.append(
            Difference(
                place,
                len(ours) / weeks,
                len(theirs) / weeks,
                tuple(a for a in ours if not any(_same(a, b) for b in theirs)),
                tuple(b for b in theirs if not any(_same(a, b) for a in ours)),
                tuple(a.raised - b.raised for a, b in pairs),
            )
        )
    return found


def _same(a: Excursion, b: Excursion) -> bool:
    if a.kind != b.kind:
        return False
    a_end = a.cleared if a.cleared is not None else 1 << 60
    b_end = b.cleared if b.cleared is not None else 1 << 60
    return a.since <= b_end and b.since <= a_end
