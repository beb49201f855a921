"""The same judge over what was: a file, or the database, under these settings or others.

`replay` is a what-if through the judge itself, never a second implementation of it. What two settings would have told
is compared alarm by alarm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from dewkeeper.interchange import format_time
from dewkeeper.judge import Judge
from dewkeeper.judge.types import (
    PRIORITIES,
    Band,
    Event,
    Item,
    JournalEntry,
    Kind,
    Priority,
    Reading,
    Settings,
)
from dewkeeper.report.readings_file import Row

if TYPE_CHECKING:
    from dewkeeper.insight.pupil import Pupil  # numpy: only where somebody learns

TOLD = frozenset({"raised", "escalated", "cleared"})


def replay_rows(
    settings: Settings, rows: Iterable[Row], journal: Sequence[JournalEntry], learning: Pupil | None = None
) -> Iterator[Event]:
    """Yield the events that rows of a file and journal entries, both in order of time, lead to.

    learning: is shown what the judge believed, and hands the judge what it learned of that.
    """
    judge = Judge()
    judge_values, take_events = judge.judge_values, judge.take_events
    waiting = iter(journal)
    entry = next(waiting, None)
    started = False
    for at, probe, temperature_c, humidity_percent in rows:
        if not started:
            started = True
            begin(judge, settings, [early for early in journal if early.time < at], at)
            while entry is not None and entry.time < at:
                # `begin` was given these.
                entry = next(waiting, None)
        while entry is not None and entry.time <= at:
            yield from _fed(judge, entry, learning)
            entry = next(waiting, None)
        if learning is not None and learning.due is not None and at >= learning.due:
            for item in learning.learned(at):
                yield from _fed(judge, item, learning)
        flag, _ = judge_values(at, probe, temperature_c, humidity_percent)
        if learning is not None:
            learning.take(at, probe, temperature_c, humidity_percent, flag)
            if exclusions := judge.take_exclusions():
                learning.take_away(exclusions)
        events = take_events()
        if events:
            yield from events


def _fed(judge: Judge, item: Item, learning: Pupil | None) -> Sequence[Event]:
    verdict = judge.feed(item)
    if learning is not None:
        learning.take_away(verdict.exclusions)
    return verdict.events


def replay_items(settings: Settings | None, items: Iterable[Item], earlier: Sequence[Item] = ()) -> Iterator[Event]:
    """Yield the events a stored stream leads to, under these settings, or (None) under those that were in force.

    earlier: what came before the stream begins and still counts then: stages, enclosures out of service, what was
    learned, and the settings then in force. The judge is new at the beginning: nothing stands yet.
    """
    run = _Run(settings, earlier)
    for item in items:
        events = run.feed(item)
        if events:
            yield from events


def replay_together(
    several: Sequence[Settings], items: Iterable[Item], earlier: Sequence[Item] = ()
) -> list[list[Event]]:
    """Return what each of several settings would have told of one stream, which is read once."""
    runs = [_Run(settings, earlier) for settings in several]
    told: list[list[Event]] = [[] for _ in runs]
    for item in items:
        for run, events in zip(runs, told, strict=True):
            events += run.feed(item)
    return told


class _Run:
    """A new judge and the stored stream."""

    def __init__(self, settings: Settings | None, earlier: Sequence[Item]) -> None:
        self._settings = settings
        self._earlier = earlier
        self._judge = Judge()
        self._started = False

    def feed(self, item: Item) -> Sequence[Event]:
        judge = self._judge
        if not self._started:
            self._started = True
            begin(judge, self._settings, self._earlier, item.time)
        if isinstance(item, Reading):
            judge.judge_values(
                item.time, item.probe, item.temperature_c, item.humidity_percent,
                item.temperature_word, item.humidity_word, item.failure, item.notes,
            )  # fmt: skip
            return judge.take_events()
        # Under given settings those of the stream are left out; that is the what-if.
        if self._settings is None or not isinstance(item, Settings):
            return judge.feed(item).events
        return ()


LASTING = ("Calibration", "JournalEntry", "Command", "Learned", "Settings")
"""Kinds of items that may still count when a later part of the stream begins."""


def begin(judge: Judge, settings: Settings | None, earlier: Sequence[Item], at: int) -> None:
    """Bring a new judge to where a stream begins; what it says of it is old."""
    first = settings or next((item for item in reversed(earlier) if isinstance(item, Settings)), None)
    if first is not None:
        judge.feed(replace(first, time=at))
    for item in earlier:
        if isinstance(item, JournalEntry):
            # The judge takes an entry by when it was typed: as if all were typed now, each about its own time.
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
    """One alarm of a replay, whole: times are stored seconds; `cleared` is None when it still stands at the end.

    band and priority: the worst it came to. place: the enclosure, else the probe, else empty.
    """

    place: str
    kind: Kind
    band: Band | None
    priority: Priority
    alarm: str
    since: int
    raised: int
    cleared: int | None = None

    def overlaps(self, other: Excursion) -> bool:
        """Return whether both stood, or were coming, at one time."""
        ends_after = other.cleared is None or self.since <= other.cleared
        return ends_after and (self.cleared is None or other.since <= self.cleared)


def excursions(events: Iterable[Event]) -> list[Excursion]:
    """Return the alarms that were told, in order of raising."""
    found: dict[str, Excursion] = {}
    for event in events:
        known = found.get(event.alarm)
        if event.event == "raised":
            place = event.enclosure or event.probe or ""
            found[event.alarm] = Excursion(
                place, event.kind, event.band, event.priority, event.alarm, event.since, event.time
            )
        elif known is not None and event.event == "escalated":
            found[event.alarm] = replace(known, band=event.band, priority=event.priority)
        elif known is not None and event.event == "cleared":
            found[event.alarm] = replace(known, cleared=event.time)
    return sorted(found.values(), key=lambda alarm: (alarm.raised, alarm.place, alarm.kind))


@dataclass(frozen=True, slots=True)
class Difference:
    """What two settings told of the same readings in one place.

    earlier_seconds: for every alarm both told, how much earlier (+) or later (-) the other one told it.
    milder, graver: alarms both told that came to a lower or a higher priority with the other.
    """

    enclosure: str
    here: int
    there: int
    disappeared: tuple[Excursion, ...]
    appeared: tuple[Excursion, ...]
    earlier_seconds: tuple[int, ...]
    milder: int = 0
    graver: int = 0

    @property
    def same(self) -> bool:
        """Whether both told the same at the same times."""
        return not (self.disappeared or self.appeared or any(self.earlier_seconds) or self.milder or self.graver)


def compare(here: Sequence[Excursion], there: Sequence[Excursion]) -> list[Difference]:
    """Return place by place how `there` differs from `here`; alarms of a kind that overlap are the same one."""
    return [
        _difference(place, [a for a in here if a.place == place], [b for b in there if b.place == place])
        for place in sorted({alarm.place for alarm in (*here, *there)})
    ]


def _difference(place: str, ours: Sequence[Excursion], theirs: Sequence[Excursion]) -> Difference:
    pairs: list[tuple[Excursion, Excursion]] = []
    matched: set[str] = set()
    gone: list[Excursion] = []
    for a in ours:
        others = [b for b in theirs if b.kind == a.kind and a.overlaps(b)]
        if not others:
            gone.append(a)
        # One long alarm may stand for several short ones: it is compared with the first of them.
        first = next((b for b in others if b.alarm not in matched), None)
        if first is not None:
            pairs.append((a, first))
        matched |= {b.alarm for b in others}
    return Difference(
        place, len(ours), len(theirs), tuple(gone), tuple(b for b in theirs if b.alarm not in matched),
        tuple(a.raised - b.raised for a, b in pairs),
        sum(PRIORITIES.index(b.priority) < PRIORITIES.index(a.priority) for a, b in pairs),
        sum(PRIORITIES.index(b.priority) > PRIORITIES.index(a.priority) for a, b in pairs),
    )  # fmt: skip
