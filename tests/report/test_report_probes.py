"""Several probes in one enclosure: each is told of by name, and the worst of the judged ones is what counts."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from tests.report.conftest import FAIL, PASS, judged, seconds

from dewkeeper.judge.types import Event, JournalEntry, Role
from dewkeeper.report.enclosure import enclosure
from dewkeeper.report.morning import morning
from dewkeeper.report.standing import standing_now
from dewkeeper.report.wording import Wording, measured_by, outside_words
from dewkeeper.service.settings import judge_settings
from dewkeeper_config.models import Config

START = seconds("2026-11-24T21:00")
END = START + 11 * 3600


def with_more(config: Config, **roles: Role) -> Config:
    """Return the configuration with more probes in T1: name -> role."""
    first = config.probe[0]
    more = [first.but(name=name, role=role) for name, role in roles.items()]
    return config.but(probe=[*config.probe, *more])


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_worst_of_all_judged_probes_is_told_by_name(shelf: Callable[..., Any], seed: int) -> None:
    """Over two judged probes with random nights and bad readings, every extreme is that of the raw lists, with its probe; one that only informs moves none."""
    one, dice = shelf(), random.Random(seed)
    config = with_more(one.config, p1b="substrate", hide="humid_hide")
    one.keep(items=(judge_settings(config, START - 86400),))
    rows = [
        judged(
            name,
            START + n * 300,
            28 + 4 * dice.random(),
            58 + 16 * dice.random(),
            FAIL if dice.random() < 0.1 else PASS,
        )
        for n in range(11 * 12)
        for name in ("p1", "p1b")
    ]
    one.keep(rows + [judged("hide", START + n * 300, 40.0, 30.0) for n in range(11 * 12)])
    with one.past() as past:
        row = next(r for r in morning(past, config, END).enclosures if r.enclosure == "T1")
    believed = [reading for reading, quality in rows if quality.flag == PASS]
    for mark, worst, value in (
        (row.humidity_min, min, "humidity_percent"), (row.humidity_max, max, "humidity_percent"),
        (row.temperature_min, min, "temperature_c"), (row.temperature_max, max, "temperature_c"),
    ):  # fmt: skip
        found = worst(believed, key=lambda reading: getattr(reading, value))
        assert mark is not None
        assert mark.value == pytest.approx(getattr(found, value))
        assert (mark.at, mark.probe) == (found.time, found.probe)
        assert measured_by(row, mark) == f" ({found.probe})"
    assert row.judged == ("p1", "p1b")


def test_the_reading_of_most_concern_is_the_one_of_now(shelf: Callable[..., Any]) -> None:
    """Of two judged probes that are read now the one too hot is shown, else the one nearer to dry; an old reading hides none."""
    one = shelf()
    config = with_more(one.config, p1b="substrate")
    one.keep(items=(judge_settings(config, START - 86400),))

    def now(at: int) -> Any:
        with one.past() as past:
            row = next(r for r in morning(past, config, at).enclosures if r.enclosure == "T1")
            assert row.now == enclosure(past, config, "T1", "night", at).now
        return row

    one.keep([judged("p1", START, 29.0, 66.0), judged("p1b", START, 29.0, 61.0)])
    assert now(START + 60).now.probe == "p1b"
    one.keep([judged("p1", START + 300, 35.0, 66.0), judged("p1b", START + 300, 29.0, 58.0)])
    assert now(START + 360).now.probe == "p1"
    one.keep([judged("p1b", START + 7200, 29.0, 66.0)])
    assert now(START + 7260).now.probe == "p1b"
    assert not now(START + 7260).now.stale
    assert outside_words(now(END), Wording.of(config.site))[0] == "too hot for 15 min, up to 35.0 °C 21:05 (p1)"


def test_an_alarm_tells_the_air_by_the_limits_of_the_stage(shelf: Callable[..., Any]) -> None:
    """While a snake is opaque the drier of two probes is of concern, though by the tub's own limits the damper one would be."""
    one, at = shelf(), START + 3600
    config = with_more(one.config, p1b="substrate")
    one.keep(
        items=(
            judge_settings(config, START - 86400),
            JournalEntry("j1", START, "T1", "opaque", until=START + 14 * 86400),
        )
    )
    one.keep([judged("p1", at - 60, 29.0, 64.0), judged("p1b", at - 60, 29.0, 72.0)])
    dry = Event(
        id="e1", alarm="a1", time=at - 600, event="raised", kind="dry", enclosure="T1", probe="p1", band="target",
        priority="low", state="unacknowledged", since=at - 3600,
    )  # fmt: skip
    one.keep(events=(dry,))
    with one.past() as past:
        (alarm,) = standing_now(past, config, at)
        assert alarm.air is not None
        assert alarm.air == enclosure(past, config, "T1", "night", at).now
        assert alarm.air.probe == "p1"


def test_every_probe_of_an_enclosure_has_its_own_curve(shelf: Callable[..., Any]) -> None:
    """Two judged probes and one that informs give three traces, the judged first, each with its own readings and pauses; only where no judged one was believed is there a gap."""
    one = shelf()
    config = with_more(one.config, warm="warm_end", p1b="substrate")
    one.keep(items=(judge_settings(config, START - 86400),))
    rows = []
    for n in range(11 * 12):
        at = START + n * 300
        rows.append(judged("warm", at, 33.0, 45.0))
        if not 40 <= n < 60:
            rows.append(judged("p1", at, 29.0, 64.0))
        if not 50 <= n < 80:
            rows.append(judged("p1b", at, 28.0, 68.0))
    one.keep(rows)
    with one.past() as past:
        report = enclosure(past, config, "T1", "night", END)
        assert [(t.probe, t.role, t.judged) for t in report.traces] == [
            ("p1", "substrate", True), ("p1b", "substrate", True), ("warm", "warm_end", False),
        ]  # fmt: skip
        together = past.series("T1", START, END, 240)
    assert [len(t.points) for t in report.traces] == [112, 102, 132]
    for trace, value in zip(report.traces, (64, 68, 45), strict=True):
        assert all(p.humidity_percent == pytest.approx(value, abs=0.1) for p in trace.points)
    (gap,) = report.gaps
    assert gap.start == pytest.approx(START + 50 * 300, abs=300)
    assert gap.end == pytest.approx(START + 60 * 300, abs=300)
    assert {round(p.humidity_low) for p in together} == {64, 68}
    assert {round(p.humidity_high) for p in together} == {64, 68}


def test_a_tub_whose_other_probe_is_believed_is_not_listed_as_unwatched(shelf: Callable[..., Any]) -> None:
    """One of two probes is silent: in the list of alarms a dry tub comes before that; when both are silent, the blind tub does."""
    one, at = shelf(), START + 3600
    config = with_more(one.config, p1b="substrate")
    one.keep(items=(judge_settings(config, START - 86400),))
    one.keep([judged("p1b", at - 60, 29.0, 65.0), judged("p2", at - 60, 29.0, 50.0)])
    raised: dict[str, Any] = {"event": "raised", "priority": "medium", "state": "unacknowledged"}
    silent = Event(
        id="e1",
        alarm="a1",
        time=at - 600,
        kind="missing",
        enclosure="T1",
        probe="p1",
        band=None,
        since=at - 600,
        **raised,
    )
    dry = Event(
        id="e2", alarm="a2", time=at - 600, kind="dry", enclosure="T2", probe="p2", band="tolerable", since=at - 3600,
        detail={"dose_percent_hours": 5.0}, **raised,
    )  # fmt: skip
    one.keep(events=(silent, dry))
    with one.past() as past:
        assert [alarm.kind for alarm in standing_now(past, config, at)] == ["dry", "missing"]
        assert [alarm.kind for alarm in standing_now(past, config, at + 1800)] == ["missing", "dry"]
