"""Nights and charts by what held then: limits before a change, a stage's limits, a probe that was moved."""

from __future__ import annotations

from collections.abc import Callable
from cProfile import Profile
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.report.conftest import RACK, judged, seconds

from dewkeeper.judge import Judge
from dewkeeper.judge.stages import NOTHING_HOLDS, STAGE_WORDS, holding, stage_deed
from dewkeeper.judge.types import Event, JournalEntry, Settings
from dewkeeper.report.enclosure import enclosure
from dewkeeper.report.morning import morning
from dewkeeper.service.settings import judge_settings
from dewkeeper.store.in_force import InForce
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config, HumiditySpan

START = seconds("2026-11-24T21:00")
END = seconds("2026-11-25T08:00")


def wetter(settings: Settings, at: int) -> Settings:
    """Return settings from `at` on whose first enclosure wants 80-90 %."""
    facts = settings.enclosures["T1"]
    limits = facts.limits.but(
        humidity_target=HumiditySpan(low=80, high=90), humidity_tolerable=HumiditySpan(low=75, high=95)
    )
    return replace(settings, time=at, enclosures={**settings.enclosures, "T1": replace(facts, limits=limits)})


def test_a_night_keeps_the_limits_it_was_judged_by(shelf: Callable[..., Any]) -> None:
    """Limits raised at noon leave the past night calm; raised at midnight, only the hours after it were beyond."""
    for change, beyond in ((END + 4 * 3600, 0), (seconds("2026-11-25T00:00"), 8 * 60)):
        one = shelf()
        one.keep([judged("p1", START + n * 300, 27.0, 65.0) for n in range(-12, 11 * 12 + 1)])
        settings = judge_settings(one.config, START - 86400)
        one.keep(items=(settings, wetter(settings, change)))
        with one.past() as past:
            row = next(r for r in morning(past, one.config, END + 5 * 3600).enclosures if r.enclosure == "T1")
        assert row.minutes_watched == 660
        assert (row.minutes_beyond_target, row.minutes_beyond_tolerable) == (beyond, beyond)
        assert row.dose_percent_hours == pytest.approx(15 * beyond / 60, abs=0.2)  # a word of the sensor is 0.0015 %
        assert row.limits.target_low == 80


def test_a_stage_has_its_own_limits_while_it_lasts(shelf: Callable[..., Any]) -> None:
    """An opaque snake's night is compared with the opaque band; before the entry and after the shed with the usual one."""
    one = shelf()
    one.keep([judged("p1", START + n * 300, 30.0, 62.0) for n in range(11 * 12 + 1)])
    one.keep(items=(judge_settings(one.config, START - 86400),))
    opaque = JournalEntry("j1", START + 3600, "T1", "opaque", entered=START + 2 * 3600)
    one.keep(items=(opaque, JournalEntry("j2", START + 5 * 3600, "T1", "shed", entered=START + 5 * 3600)))
    with one.past() as past:
        row = next(r for r in morning(past, one.config, START + 4 * 3600).enclosures if r.enclosure == "T1")
        later = next(r for r in morning(past, one.config, END).enclosures if r.enclosure == "T1")
    assert row.stage == "opaque"
    assert row.limits.target_low > 62 > later.limits.target_low
    # Written down at eleven: it holds from then on, whatever time the entry names.
    assert row.minutes_beyond_target == 120
    assert (later.stage, later.minutes_beyond_target) == ("adult", 180)


def swapped(config: Config) -> Config:
    """Return the configuration with the two probes in each other's enclosure."""
    return config.but(probe=[p.but(enclosure={"T1": "T2", "T2": "T1"}[p.enclosure or ""]) for p in config.probe])


def test_a_moved_probe_leaves_its_history_with_the_enclosure(shelf: Callable[..., Any]) -> None:
    """After two probes changed places an enclosure's chart and night go on with the other probe, without a jump."""
    one = shelf()
    move = seconds("2026-11-25T02:00")
    readings = []
    for n in range(11 * 12 + 1):
        at = START + n * 300
        wet, dry = ("p1", "p2") if at < move else ("p2", "p1")
        readings += [judged(wet, at, 30.0, 68.0), judged(dry, at, 30.0, 61.0)]
    one.keep(readings)
    before = judge_settings(one.config, START - 86400)
    after = swapped(one.config)
    one.keep(items=(before, judge_settings(after, move)))
    with one.past() as past:
        report = enclosure(past, after, "T1", "night", END)
        rows = {r.enclosure: r for r in morning(past, after, END).enclosures}
    assert [trace.probe for trace in report.traces] == ["p1", "p2"]
    assert all(p.humidity_low == pytest.approx(68, abs=0.1) for trace in report.traces for p in trace.points)
    assert report.gaps == ()
    assert rows["T1"].humidity_min is not None
    assert rows["T1"].humidity_min.value == pytest.approx(68, abs=0.1)
    assert rows["T2"].humidity_max is not None
    assert rows["T2"].humidity_max.value == pytest.approx(61, abs=0.1)
    assert rows["T1"].minutes_watched == rows["T2"].minutes_watched == 660


_DEEDS = st.lists(
    st.tuples(
        st.integers(0, 400), st.sampled_from(sorted(STAGE_WORDS)), st.none() | st.integers(1, 60),
        st.sampled_from(["T1", "T2"]), st.sampled_from(["", "Cinder", "Ash, the small one"]),
    ), max_size=8,
)  # fmt: skip


@settings(max_examples=amount(15, 600))
@given(deeds=_DEEDS, asked=st.lists(st.integers(0, 800), min_size=1, max_size=5))
def test_stage_is_the_judges(
    tmp_path_factory: Any, deeds: list[tuple[int, str, int | None, str, str]], asked: list[int]
) -> None:
    """For any stages and moves entered in order, the limits in force at a time are those the judge says it changed to."""
    folder = tmp_path_factory.getbasetemp()
    config = parse(RACK.format(zone="Europe/Vienna", folder=folder).encode(), folder / "rack.toml")
    day, first = 86400, 1_800_000_000
    in_the_beginning = judge_settings(config, first - 1)
    entries = [
        JournalEntry(
            str(n),
            first + at * day + n,
            place,
            what,
            about,
            until=None if length is None else first + (at + length) * day,
        )
        for n, (at, what, length, place, about) in enumerate(sorted(deeds, key=lambda deed: deed[0]))
    ]
    judge = Judge()
    logged: list[Event] = []
    judge.feed(in_the_beginning)
    for entry in entries:
        logged += judge.feed(entry).events
    # A later entry about nothing lets every timer up to then fire.
    logged += judge.feed(JournalEntry("end", first + 900 * day, "T1", "note")).events
    in_force = InForce((in_the_beginning,), entries)
    for at in asked:
        moment = first + at * day + 12 * 3600
        for place in ("T1", "T2"):
            assert (in_force.stage(place, moment)[0] or "usual") == _said(logged, place, moment)


def _said(events: list[Event], place: str, at: int) -> str:
    changes = [
        e.why.split(" -> ")[1] for e in events if e.enclosure == place and e.why.startswith("stage ") and e.time <= at
    ]
    return changes[-1] if changes else "usual"


def test_a_past_polled_more_slowly_is_no_row_of_gaps(shelf: Callable[..., Any]) -> None:
    """Polls of five minutes made one a minute today leave no gaps behind; minutes without polls since then are one."""
    one = shelf()
    faster = START + 6 * 3600
    before = replace(judge_settings(one.config, START - 1800), poll_seconds=300)
    times = [*range(START, faster, 300), *range(faster, END - 3600, 60)]
    one.keep([judged("p1", at, 29.0, 64.0) for at in times if not faster + 3600 <= at < faster + 4200])
    one.keep(items=(before, replace(before, time=faster, poll_seconds=60)))
    with one.past() as past:
        report = enclosure(past, one.config, "T1", "night", END - 3600)
        first_day = enclosure(past, one.config, "T1", "month", END - 3600)
    (gap,) = report.gaps
    assert gap.start == pytest.approx(faster + 3600, abs=180)
    assert gap.end == pytest.approx(faster + 4200, abs=180)
    assert report.pause_seconds == 900
    assert all(gap.start >= START - 1800 for gap in first_day.gaps)


_PLACES = ("T1", "T2", "T3")


@given(
    st.lists(
        st.tuples(
            st.integers(0, 60), st.integers(0, 20), st.sampled_from(_PLACES), st.sampled_from(sorted(STAGE_WORDS)),
            st.sampled_from(("", "Ada", "Ben")), st.none() | st.integers(1, 30),
        ),
        max_size=14,
    ),
    st.integers(0, 120),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_what_held_is_what_the_deeds_known_then_say(
    noted: list[tuple[int, int, str, str, str, int | None]], at: int
) -> None:
    """At any moment what is said to have held is what a walk through the deeds known by then gives, however late they were written."""
    day = 86400
    entries = [
        JournalEntry(
            str(number), START + when * day, place, what, "60-80" if what == "limits_for_a_time" else name,
            until=None if length is None else START + (when + length) * day, entered=START + (when + late) * day,
        )
        for number, (when, late, place, what, name, length) in enumerate(noted)
    ]  # fmt: skip
    now = START + at * day
    known = [entry for entry in sorted(entries, key=lambda entry: entry.time) if (entry.entered or 0) <= now]
    held = holding([stage_deed(entry) for entry in known], now)
    in_force = InForce((), entries)
    assert {p: h for p in _PLACES if (h := in_force.holding(p, now)) != NOTHING_HOLDS} == held


def test_a_look_at_many_tubs_and_many_moves_is_not_slower_than_they_are_many() -> None:
    """Twice as many tubs, with twice as many moves between them, take about twice the steps, not four or eight times."""
    config = parse(RACK.format(zone="UTC", folder="/nowhere").encode(), Path("rack.toml"))
    base = judge_settings(config, START)

    def steps(tubs: int) -> int:
        names, dice = [f"T{number}" for number in range(tubs)], Random(tubs)
        facts = replace(base, enclosures=dict.fromkeys(names, base.enclosures["T1"]))
        entries = [
            JournalEntry(str(n), START + n * 3600, dice.choice(names), "moved_in", f"Snake {dice.randrange(tubs)}")
            for n in range(10 * tubs)
        ]
        in_force, counted = InForce((facts,), entries), Profile()
        end = START + 10 * tubs * 3600
        counted.runcall(lambda: [in_force.windows(name, end - 86400, end) for name in names])
        return sum(entry.callcount for entry in counted.getstats())

    assert steps(80) < 2.6 * steps(40)
