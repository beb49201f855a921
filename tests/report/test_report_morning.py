"""The morning glance over a real store, against sums made independently over the raw list."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.report.conftest import FAIL, MISSING, PASS, judged, seconds

from dewkeeper.judge.types import Alarm, Event, Exclusion, JournalEntry
from dewkeeper.notify.daily import morning_words
from dewkeeper.report.alarm_words import now_against, to_do
from dewkeeper.report.morning import morning
from dewkeeper.report.morning_words import partly_words, row_words
from dewkeeper.report.wording import Wording, happened
from dewkeeper.service.settings import judge_settings
from dewkeeper_config.models import Site

DST = [
    ("Europe/Vienna", date(2026, 3, 29)),
    ("Europe/Vienna", date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8)),
    ("America/New_York", date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 4, 5)),
    ("Australia/Lord_Howe", date(2026, 10, 4)),
]


def by_hand(rows: list[Any], zone: ZoneInfo, day: date) -> dict[str, float]:
    """Sum up the raw list minute by minute: wall time decides what is night, the last reading holds for 15 minutes."""
    begins, ends = datetime.combine(day - timedelta(days=1), time(21)), datetime.combine(day, time(8))
    sums = {"target": 0.0, "tolerable": 0.0, "dose": 0.0, "watched": 0.0}
    lows: list[float] = []
    held = None
    by_time = {r.time: (r, q) for r, q in rows}
    for minute in range(rows[0][0].time, rows[-1][0].time + 86400, 60):
        wall = datetime.fromtimestamp(minute, zone).replace(tzinfo=None)
        if not begins <= wall < ends:
            held = None
            continue
        if minute in by_time:
            reading, quality = by_time[minute]
            held = reading if quality.flag == PASS else None
            if held is not None:
                lows.append(held.humidity_percent)
        if held is None or minute - held.time >= 900:
            continue
        sums["watched"] += 1
        outside = max(60 - held.humidity_percent, held.humidity_percent - 70, 0)
        sums["target"] += outside > 0
        sums["dose"] += outside / 60
        sums["tolerable"] += not 55 <= held.humidity_percent <= 80
    return sums | {"low": min(lows)}


@pytest.mark.parametrize(("zone_name", "day"), DST)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_nights_equal_sums_by_hand(shelf: Callable[..., Any], zone_name: str, day: date, seed: int) -> None:
    """Random nights with gaps, disbelieved readings and a late fault, on DST nights of three zones: sums equal the list's."""
    dice, zone = random.Random(seed), ZoneInfo(zone_name)
    one = shelf(zone_name)
    start = int(datetime.combine(day - timedelta(days=1), time(15), zone).timestamp()) // 300 * 300
    one.keep(items=(judge_settings(one.config, start),))
    rows, at, humidity = [], start, 62.0
    while at < start + 24 * 3600:
        humidity = min(95.0, max(30.0, humidity + dice.uniform(-4, 4)))
        flag = dice.choices((PASS, FAIL, MISSING), (8, 1, 1))[0]
        rows.append(judged("p1", at, 27 + dice.random(), humidity, flag))
        at += 300 * (dice.randrange(2, 9) if dice.random() < 0.08 else 1)
    one.keep(rows)
    # A fault found out at the end: what was believed for a while is not believed any more.
    since = start + dice.randrange(6, 14) * 3600
    until = since + dice.randrange(1, 5) * 3600
    one.keep(exclusions=(Exclusion("p1", since, until, ("displaced",)),))
    rows = [(r, replace(q, flag=FAIL) if since <= r.time <= until and q.flag == PASS else q) for r, q in rows]
    noon = int(datetime.combine(day, time(12), zone).timestamp())
    with one.past() as past:
        row = next(r for r in morning(past, one.config, noon).enclosures if r.enclosure == "T1")
    expected = by_hand(rows, zone, day)
    assert row.humidity_min is not None
    assert row.humidity_min.value == pytest.approx(expected["low"])
    assert row.minutes_watched == pytest.approx(expected["watched"])
    assert row.minutes_beyond_target == pytest.approx(expected["target"])
    assert row.minutes_beyond_tolerable == pytest.approx(expected["tolerable"])
    assert row.dose_percent_hours == pytest.approx(
        expected["dose"], abs=0.01
    )  # kept as whole %RH seconds a quarter hour


def test_minimum_is_referred_to_the_day_temperature(shelf: Callable[..., Any]) -> None:
    """62 % at 27 °C is told as the 52 % it is back at 30 °C."""
    one = shelf()
    start = seconds("2026-11-25T00:00")
    one.keep([judged("p1", start + n * 300, 27.0, 62.0) for n in range(90)])
    with one.past() as past:
        row = next(r for r in morning(past, one.config, start + 90 * 300).enclosures if r.enclosure == "T1")
    assert row.humidity_min_at_day_percent == pytest.approx(52, abs=0.3)


def _alarm(kind: str, enclosure: str, at: int, **more: Any) -> tuple[Event, Alarm]:
    common: dict[str, Any] = {
        "alarm": f"a-{enclosure}", "kind": kind, "enclosure": enclosure, "probe": None, "band": None,
        "priority": "medium", "state": "unacknowledged", "since": at,
    } | more  # fmt: skip
    return Event(id=f"e-{enclosure}", time=at, event="raised", **common), Alarm(raised=at, **common)


def test_worst_first_and_silence_is_not_calm(shelf: Callable[..., Any]) -> None:
    """An urgent alarm comes before an enclosure whose probe went silent; neither is calm, and both say since when."""
    one = shelf()
    start = seconds("2026-11-25T00:00")
    one.keep([judged("p1", start + n * 300, 29.0, 65.0) for n in range(20)])
    one.keep([judged("p2", start + n * 300, 40.0, 65.0) for n in range(60, 90)])
    event, _ = _alarm("hot", "T2", start + 70 * 300, priority="urgent", band="tolerable")
    one.keep(events=(event,))
    with one.past() as past:
        glance = morning(past, one.config, start + 90 * 300)
    assert [(row.enclosure, row.rank) for row in glance.enclosures] == [("T2", "urgent"), ("T1", "unwatched")]
    silent = glance.enclosures[1]
    assert silent.unwatched.now
    assert silent.unwatched.since == start + 19 * 300
    assert silent.unwatched.minutes > 300
    assert glance.to_json()["enclosures"][0]["alarms"][0]["since"] == "2026-11-25T05:50:00Z"


def test_a_gap_nobody_can_explain_says_from_when_to_when(shelf: Callable[..., Any]) -> None:
    """Two holes in the readings of a night, and dewkeeper was not off: the row and the message name both by the clock."""
    one = shelf()
    start = seconds("2026-11-24T21:00")
    one.keep(items=(judge_settings(one.config, start - 3600),))
    holes = [("2026-11-25T01:00", "2026-11-25T03:10"), ("2026-11-25T05:00", "2026-11-25T06:00")]
    away = [(seconds(first), seconds(last)) for first, last in holes]
    times = (start + n * 300 for n in range(12 * 11 + 1))
    one.keep([judged("p1", at, 29.0, 65.0) for at in times if not any(a <= at < b for a, b in away)])
    with one.past() as past:
        glance = morning(past, one.config, start + 11 * 3600 + 60)
    row, wording = next(r for r in glance.enclosures if r.enclosure == "T1"), Wording.of(one.config.site)
    assert row.rank == "unwatched"
    assert not row.unwatched.now
    assert partly_words(row, wording).startswith("00:56–03:10 and 04:56–06:00, ")
    assert any("00:56–03:10 and 04:56–06:00" in line for line in morning_words(glance, wording)[1])


@pytest.mark.parametrize(
    ("beyond", "said"),
    [
        ([("03:15", "05:00")], "too dry 03:15–05:00"),
        ([("02:00", "02:45"), ("06:00", "06:45")], "too dry on and off 02:00–06:45"),
    ],
)
def test_a_night_that_mended_itself_says_from_when_to_when(
    shelf: Callable[..., Any], beyond: list[tuple[str, str]], said: str
) -> None:
    """Below tolerable for a part of the night and no alarm: row and message name it by the clock, to a quarter of an hour."""
    one = shelf()
    start = seconds("2026-11-24T21:00")
    one.keep(items=(judge_settings(one.config, start - 3600),))
    low = [(seconds(f"2026-11-25T{first}"), seconds(f"2026-11-25T{last}")) for first, last in beyond]
    times = (start + n * 300 for n in range(12 * 11 + 1))
    one.keep([judged("p1", at, 29.0, 50.0 if any(a <= at < b for a, b in low) else 65.0) for at in times])
    with one.past() as past:
        glance = morning(past, one.config, start + 11 * 3600 + 60)
    row, wording = next(r for r in glance.enclosures if r.enclosure == "T1"), Wording.of(one.config.site)
    assert row.rank == "outside"
    assert row_words(row, glance, wording) == f": {said}"
    assert any(said in line for line in morning_words(glance, wording)[1])


def test_heat_that_is_over_asks_for_a_look_and_not_for_the_plug(shelf: Callable[..., Any]) -> None:
    """An overheating that ended unseen is no longer urgent, is told from when to when, and asks to look at the snake."""
    one = shelf()
    start = seconds("2026-11-25T00:00")
    one.keep([judged("p1", start + n * 300, 29.0, 65.0) for n in range(90)])
    event, _ = _alarm("hot", "T1", start + 3600, priority="urgent", band="tolerable", response="heat off at the plug")
    over = replace(
        event,
        id="over",
        time=start + 7200,
        event="cleared",
        state="returned_unacknowledged",
        detail={"highest_c": 39.2},
    )
    one.keep(events=(event, over))
    with one.past() as past:
        row = next(r for r in morning(past, one.config, start + 90 * 300).enclosures if r.enclosure == "T1")
    wording = Wording.of(one.config.site)
    assert row.rank == "alarm"
    assert now_against(row.alarms[0], wording).startswith("up to 39.2 °C, now 29.0 °C")
    assert wording.stood(row.alarms[0], start + 90 * 300) == "01:00–02:00, 1 h"
    assert "look at the snake" in to_do(row.alarms[0])
    assert "heat off" not in to_do(row.alarms[0])


def test_what_changed_since_yesterday_is_listed(shelf: Callable[..., Any]) -> None:
    """What began and ended and a journal entry of the last day stand among the changes, older ones and doubled words do not."""
    one = shelf()
    now = seconds("2026-11-25T08:00")
    event, _ = _alarm("dry", "T1", now - 7200, band="tolerable")
    old = JournalEntry("j0", now - 90000, "T1", "fed")
    new = JournalEntry("j1", now - 3600, "T1", "misted", "two sprays")
    soon, _ = _alarm("dry_soon", "T1", now - 9000, priority="low", alarm="a-soon")
    soon = replace(soon, id="soon")
    over = replace(soon, id="over", time=now - 7200, event="cleared", why="it is too dry now")
    note = replace(over, id="note", event="annotated")
    one.keep(events=(soon, over, note, event), items=(old, new))
    with one.past() as past:
        changes = next(r for r in morning(past, one.config, now).enclosures if r.enclosure == "T1").changes
    assert changes == (
        "05:30 will be too dry: began", "06:00 will be too dry: is over (it is too dry now)", "06:00 too dry: began",
        "07:00 misted: two sprays",
    )  # fmt: skip


def test_a_changed_limit_is_told_in_the_sites_unit() -> None:
    """A temperature limit changed from 24 to 25 °C reads 75.2 to 77 °F where the site has °F, a deadband of 0.5 °C as 0.9 °F; humidity keeps its per cent."""
    detail = {
        "temperature_tolerable.low": "24.0 -> 25.0",
        "humidity_target.low": "60.0 -> 62.5",
        "delays.temperature_deadband": "0.5 -> 1.0",
    }
    event = Event(
        "e",
        "a",
        0,
        "annotated",
        "system",
        "T1",
        None,
        None,
        "low",
        "normal",
        0,
        detail=detail,
        why="colder room",
        who="Ina",
    )
    vienna = Wording(ZoneInfo("Europe/Vienna"))
    assert happened(event, vienna) == (
        "setting changed: temperature tolerable low 24 °C → 25 °C; humidity target low 60 % → 62.5 %; "
        "delays temperature deadband 0.5 °C → 1 °C (colder room, Ina)"
    )
    assert happened(event, replace(vienna, fahrenheit=True)) == (
        "setting changed: temperature tolerable low 75.2 °F → 77 °F; humidity target low 60 % → 62.5 %; "
        "delays temperature deadband 0.9 °F → 1.8 °F (colder room, Ina)"
    )


def test_an_extreme_is_dated_as_exactly_as_it_is_known() -> None:
    """Of a chart's slice of minutes the minute is told, of one of hours its ends, of one of days the days, never one moment."""
    wording = Wording.of(Site(timezone="Europe/Vienna"))
    at, now = seconds("2026-11-24T07:00"), seconds("2026-11-24T08:20")
    assert wording.within(at, 360, now) == "08:00"
    assert wording.within(at - 3600, 3 * 3600, now) == "07:00–09:20"
    assert wording.within(at - 3 * 86400, 3 * 3600, now) == "Sat 21 Nov 08:00–11:00"
    assert wording.within(at - 20 * 3600, 36 * 3600, now) == "Mon 23 Nov to Tue 24 Nov"
