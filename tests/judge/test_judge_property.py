"""No stream, however broken, crashes the judge, and a loaded judge goes on as if nothing had been."""

from __future__ import annotations

import math
from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.judge.judge_desk import START, rack

from dewkeeper.judge import Judge
from dewkeeper.judge.types import (
    Command,
    Event,
    Fact,
    Item,
    JournalEntry,
    Learned,
    Reading,
    Rebase,
    SystemReport,
    Tick,
)
from dewkeeper.judge.words import JOURNAL, KINDS

_TIMES = st.integers(-600, 40_000).map(lambda s: START + s * 7)
_VALUES = st.one_of(
    st.none(),
    st.sampled_from([math.nan, math.inf, -math.inf, 0.0, 100.0, -45.0, 130.0]),
    st.floats(20, 45),
    st.floats(30, 100),
)
_PROBES = st.sampled_from(["p1", "p2", "air", "stranger"])
_PLACES = st.sampled_from(["B1", "B2", "nowhere"])
_FACTS = st.builds(
    Fact, st.sampled_from(["drying_hours", "usual_peak_c"]), st.one_of(st.none(), st.floats(0, 1e5)), until=_TIMES
)
_ITEMS: st.SearchStrategy[Item] = st.one_of(
    st.builds(
        Reading, _TIMES, _PROBES, _VALUES, _VALUES,
        failure=st.sampled_from(["missing", "crc", "bus", "brownout", None]),
        notes=st.sampled_from([(), ("heater_on",), ("reset_seen",), ("crc_burst",)]),
    ),
    st.builds(JournalEntry, st.uuids().map(str), _TIMES, _PLACES, st.sampled_from(sorted(JOURNAL))),
    st.builds(
        Command, st.uuids().map(str), _TIMES,
        st.sampled_from(["out_of_service", "in_service", "suppress", "unsuppress", "exclude", "away", "nonsense"]),
        st.just("m"), enclosure=_PLACES, probe=_PROBES, kind=st.sampled_from([None, *sorted(KINDS)]),
        until=st.one_of(st.none(), _TIMES),
    ),
    st.builds(Rebase, _TIMES, st.integers(-200_000, 200_000)),
    st.builds(Tick, _TIMES),
    st.builds(Learned, _TIMES, _PLACES, st.lists(_FACTS, max_size=3).map(tuple)),
    st.builds(SystemReport, _TIMES, st.sampled_from(["disk", "clock"]), st.booleans()),
    st.builds(rack, st.sampled_from([("B1", "B2"), ("B2",), ("B1", "B2", "B3")]), room=st.booleans()),
)  # fmt: skip


def _runs(items: list[Item]) -> list[Item]:
    """Stretch some readings into runs, so that timers ripen."""
    stretched: list[Item] = []
    for item in items:
        stretched.append(item)
        if isinstance(item, Reading) and item.time % 3 == 0:
            stretched += [
                Reading(item.time + 60 * n, item.probe, item.temperature_c, item.humidity_percent) for n in range(1, 90)
            ]
    return stretched


@settings(max_examples=amount(40, 1500))
@given(
    st.lists(_ITEMS, max_size=40).map(_runs),
    st.lists(st.sampled_from(["acknowledge", "shelve", "unshelve"]), max_size=8),
)
def test_nothing_crashes_and_one_kind_stands_once(items: list[Item], verbs: list[str]) -> None:
    """Readings, gaps, repeats, disorder, NaN, infinities, commands, steps, settings: no crash, no two alarms of a kind."""
    judge = Judge()
    judge.feed(rack(("B1", "B2"), room=True))
    ids: set[str] = set()
    for n, item in enumerate(items):
        verdict = judge.feed(item)
        for event in verdict.events:
            assert event.id not in ids, "an event id came twice"
            ids.add(event.id)
            assert event.cause
            assert event.consequence
            assert event.response
            assert event.within_seconds > 0
        standing = Counter((a.enclosure, a.kind) for a in judge.alarms() if a.enclosure and a.kind != "system")
        assert all(count == 1 for count in standing.values())
        if verbs and n % 5 == 0 and judge.alarms():
            alarm = judge.alarms()[0]
            judge.feed(Command(f"c{n}", item.time, verbs[n % len(verbs)], "m", "why", alarm=alarm.alarm))


@settings(max_examples=amount(25, 1000))
@given(st.lists(_ITEMS, max_size=30).map(_runs), st.data())
def test_a_loaded_judge_goes_on_exactly(items: list[Item], data: st.DataObject) -> None:
    """Dumped and loaded at random points, the judge gives the same events, quality and exclusions as undisturbed."""
    whole, parts = Judge(), Judge()
    for item in (rack(("B1", "B2"), room=True), *items):
        if data.draw(st.integers(0, 60)) == 0:
            parts = Judge.load(parts.dump())
        assert repr(whole.feed(item)) == repr(parts.feed(item))
    assert whole.dump() == parts.dump()


def test_ticks_change_nothing_but_when_a_timer_is_noticed() -> None:
    """The same readings with and without ticks between give the same events: a timer is dated when it was due."""

    def events(ticks: bool) -> list[Event]:
        judge = Judge()
        found = list(judge.feed(rack()).events)
        for minute in range(1, 600):
            at = START + 60 * minute
            if not 100 < minute < 300:
                found += judge.feed(Reading(at, "p1", 29.0 + minute % 7 / 100, 50.0 + minute % 11 / 100)).events
            if ticks:
                found += judge.feed(Tick(at)).events
        return found

    assert events(ticks=True) == events(ticks=False)
    assert {e.kind for e in events(ticks=True)} == {"dry", "missing"}


def test_a_clock_step_moves_no_timer() -> None:
    """A wall clock stepped by a day in the middle of an excursion changes neither its timer nor its beginning."""
    judge = Judge()
    judge.feed(rack())
    told: list[Event] = []
    step = 0
    for minute in range(1, 200):
        if minute == 130:
            step = 86400
            told += judge.feed(Rebase(START + 60 * minute + step, step)).events
        humidity = (65.0 if minute < 100 else 50.0) + minute % 7 / 50
        told += judge.feed(Reading(START + 60 * minute + step, "p1", 29.0, humidity)).events
    assert [(e.kind, e.event, e.since, e.time) for e in told] == [("dry", "raised", START + 6000, START + 9600 + 86400)]
