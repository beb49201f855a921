"""A night in few numbers and a year by days, over a real store, against the raw list."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.report.conftest import FAIL, PASS, judged, seconds

from dewkeeper.judge.types import Calibration
from dewkeeper.report.glimpse import glimpse
from dewkeeper.report.morning import morning
from dewkeeper.report.year_days import by_month, hours_words, year_of
from dewkeeper.service.settings import judge_settings


def random_air(start: int, end: int, seed: int) -> list[Any]:
    """Return readings every five minutes, some not believed, with a silence of two hours."""
    dice, rows, humidity = random.Random(seed), [], 62.0
    for at in range(start, end, 300):
        humidity = min(95.0, max(30.0, humidity + dice.uniform(-3, 3)))
        if start + 4 * 3600 <= at < start + 6 * 3600:
            continue
        rows.append(judged("p1", at, 27 + dice.random(), humidity, FAIL if dice.random() < 0.1 else PASS))
    return rows


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("calibrated", [False, True])
def test_the_nights_slices_are_the_raw_lists_extremes(shelf: Callable[..., Any], seed: int, calibrated: bool) -> None:
    """Each slice's lowest and highest are those of its believed readings, across tables and a calibration; the silence has none."""
    one = shelf()
    start = seconds("2026-11-24T18:00")
    one.keep(items=(judge_settings(one.config, start),))
    offset_from = start + 5 * 3600 + 1800
    if calibrated:
        one.keep(items=(Calibration(offset_from, "p1", humidity_offset_percent=4.0),))
    rows = random_air(start, start + 13 * 3600, seed)
    one.keep(rows)
    now = start + 13 * 3600
    with one.past() as past:
        night = glimpse(past, morning(past, one.config, now))
    assert night.seconds == 1800
    assert night.slices["T2"] == []
    held: dict[int, list[float]] = {}
    for reading, quality in rows:
        if quality.flag == PASS and night.start <= reading.time < night.until:
            offset = 4.0 if calibrated and reading.time >= offset_from else 0.0
            slice_start = night.start + (reading.time - night.start) // night.seconds * night.seconds
            assert reading.humidity_percent is not None
            held.setdefault(slice_start, []).append(reading.humidity_percent + offset)
    found = {s.at: (s.humidity_low, s.humidity_high) for s in night.slices["T1"] if s.at < night.until}
    assert found == {at: pytest.approx((min(values), max(values))) for at, values in held.items()}
    assert start + 5 * 3600 not in found


@pytest.mark.parametrize(
    ("zone", "first", "last"),
    [
        ("Europe/Vienna", date(2026, 10, 22), date(2026, 10, 27)),
        ("Australia/Lord_Howe", date(2026, 10, 2), date(2026, 10, 6)),
    ],
)
def test_days_of_a_year_are_local_days_over_a_change_of_clocks(
    shelf: Callable[..., Any], zone: str, first: date, last: date
) -> None:
    """Lowest, highest and time beyond tolerable of each wall-clock day equal the raw list's; a day of silence is unwatched, one before the first is not shown."""
    one, place = shelf(zone), ZoneInfo(zone)
    start = int(datetime(first.year, first.month, first.day, tzinfo=place).timestamp())
    end = int(datetime(last.year, last.month, last.day, 12, tzinfo=place).timestamp())
    one.keep(items=(judge_settings(one.config, start),))
    dice, rows = random.Random(5), []
    silent = first.replace(day=first.day + 1)
    for at in range(start, end, 300):
        if datetime.fromtimestamp(at, place).date() == silent:
            continue
        rows.append(judged("p1", at, 28.0, dice.uniform(50, 85)))
    one.keep(rows)
    with one.past() as past:
        days = {d.day: d for d in year_of(past, "T1", last, place, end)}
    assert min(days) == first
    assert days[silent].state == "unwatched"
    assert days[silent].lowest is None
    for day in (d for d in days if d not in (silent, last)):
        values = [r.humidity_percent or 0.0 for r, _ in rows if datetime.fromtimestamp(r.time, place).date() == day]
        assert (days[day].lowest, days[day].highest) == pytest.approx((min(values), max(values)))
        beyond = sum(300 for v in values if not 55 <= v <= 80)
        # The last reading before the silence stands for three polls instead of one.
        assert days[day].beyond_seconds == pytest.approx(beyond, abs=600)
        assert days[day].state == "beyond"
    assert days[last].unwatched_seconds < 1800


def test_weeks_begin_on_monday_and_hours_have_few_letters(shelf: Callable[..., Any]) -> None:
    """A month's weeks run from Monday with empty places for days of other months; times are told in minutes or hours."""
    one = shelf()
    start = seconds("2026-10-29T00:00")
    one.keep(items=(judge_settings(one.config, start),))
    one.keep([judged("p1", at, 28.0, 65.0) for at in range(start, start + 5 * 86400, 300)])
    with one.past() as past:
        months = by_month(year_of(past, "T1", date(2026, 11, 2), ZoneInfo("UTC"), start + 5 * 86400))
    assert [name for name, _ in months] == ["Oct 2026", "Nov 2026"]
    october, november = (weeks for _, weeks in months)
    assert [d.day.day if d else None for d in october[0]] == [None, None, None, 29, 30, 31, None]
    assert [[d.day.day if d else None for d in week] for week in november] == [[None] * 6 + [1], [2] + [None] * 6]
    assert {d.state for weeks in (october, november) for week in weeks for d in week if d} == {"calm"}
    assert [hours_words(s) for s in (60, 3599, 3600, 9000, 86400)] == ["1 m", "59 m", "1 h", "2 h", "24 h"]
