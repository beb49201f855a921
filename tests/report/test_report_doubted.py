"""Hours in which the humidity alone is doubted keep their temperature, on every screen."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import pytest
from tests.report.conftest import judged, seconds
from werkzeug.test import Client

from dewkeeper.cli.plot import plot
from dewkeeper.clock import ManualClock
from dewkeeper.judge.beliefs import INFERRED
from dewkeeper.judge.types import FAIL, PASS, SUSPECT, SUSPECT_WHOLE, Quality
from dewkeeper.report.enclosure import enclosure
from dewkeeper.report.glimpse import glimpse_of, now_words
from dewkeeper.report.morning import morning
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History
from dewkeeper.web.chart import humidity_chart, temperature_chart, vapour_chart
from dewkeeper.web.serve import PageServer
from dewkeeper.web.visit import COOKIE

START, END = seconds("2026-11-24 20:00"), seconds("2026-11-25 07:00")
WET = seconds("2026-11-25 01:00"), seconds("2026-11-25 06:00")
HOT = seconds("2026-11-25 03:00")


def _doubted(at: int, temperature_c: float, humidity: float) -> tuple[Any, Quality]:
    reading, _ = judged("p1", at, temperature_c, humidity)
    return reading, Quality(at, "p1", SUSPECT, ("saturated",))


@pytest.fixture
def wet(shelf: Callable[..., Any]) -> Any:
    """A tub whose probe is wet from one to six; at three its heat stands at 39 °C for a quarter of an hour."""
    one = shelf()
    one.keep(items=(judge_settings(one.config, START - 86400),))
    rows = []
    for at in range(START, END, 300):
        warm = 39.0 if HOT <= at < HOT + 900 else 29.0 + (at - START) / 36000
        rows.append(_doubted(at, warm, 100.0) if WET[0] <= at < WET[1] else judged("p1", at, warm, 62.0))
        rows.append(judged("p2", at, 28.0, 65.0))
    one.keep(rows)
    return one


def test_the_morning_tells_the_heat_of_a_night_with_a_wet_probe(wet: Any) -> None:
    """The highest temperature, when, and for how long it was too hot; humidity, and the time watched, leave those hours out."""
    with wet.past() as past:
        row, other = sorted(morning(past, wet.config, END).enclosures, key=lambda row: row.enclosure)
    assert row.temperature_max is not None
    assert row.temperature_max.value == pytest.approx(39.0, abs=0.05)
    assert row.temperature_max.at == HOT
    assert row.minutes_too_hot == 15
    assert row.humidity_max is not None
    assert row.humidity_max.value == pytest.approx(62.0, abs=0.05)
    assert row.minutes_watched == other.minutes_watched - (WET[1] - WET[0]) / 60


def test_a_wet_probe_in_a_hot_tub_still_says_how_hot_it_is_now(shelf: Callable[..., Any]) -> None:
    """Row and tub give the temperature of now, without a humidity that nobody believes."""
    one = shelf()
    one.keep(items=(judge_settings(one.config, START - 86400),))
    times = range(START, HOT + 300, 300)
    rows = [_doubted(at, 39.0, 100.0) if at >= WET[0] else judged("p1", at, 29.0, 62.0) for at in times]
    one.keep([*rows, *(judged("p2", at, 28.0, 65.0) for at in times)])
    wording = Wording.of(one.config.site)
    with one.past() as past:
        row = next(row for row in morning(past, one.config, HOT + 300).enclosures if row.enclosure == "T1")
        report = enclosure(past, one.config, "T1", "night", HOT + 300)
    assert row.now is None
    assert now_words(row, wording).replace("\N{NO-BREAK SPACE}", " ") == "now 39.0 °C, no humidity believed"
    assert report.warmth_now_c == pytest.approx(39.0, abs=0.05)


def test_its_readings_leave_as_a_file(wet: Any) -> None:
    """The file of the page has the rows that were believed whole, as `dewkeeper import` takes them, and the page does not fail."""
    page = PageServer(
        wet.config, lambda: History.open(wet.config.storage.folder), lambda _: {}, list, ManualClock(wall=END)
    )
    browser = Client(page.application)
    browser.set_cookie(COOKIE, page._memory.open_session("Ina", END))
    answer = browser.get("/export/readings.csv?enclosure=T1&days=1")
    assert answer.status_code == 200
    rows = list(csv.reader(io.StringIO(answer.text)))[1:]
    assert {row[3] for row in rows} == {"62.0"}
    assert len(rows) == (END - START - (WET[1] - WET[0])) // 300


def test_its_curves_show_the_heat_and_no_humidity(wet: Any) -> None:
    """The temperature is drawn through those hours and is no gap; humidity and vapour have one, with its times."""
    wording = Wording.of(wet.config.site)
    with wet.past() as past:
        report = enclosure(past, wet.config, "T1", "night", END)
        small = glimpse_of(past, START, END)
    points = report.traces[0].points
    assert max(p.temperature_high for p in points) == pytest.approx(39.0, abs=0.05)
    assert {p.humidity_percent is None for p in points if WET[0] <= p.at <= WET[1] - p.seconds} == {True}
    (gap,) = report.gaps
    assert (gap.start, gap.end) == pytest.approx(WET, abs=300)
    assert report.temperature_gaps == ()
    drawn = str(temperature_chart(report, wording))
    assert 'class="gap"' not in drawn
    assert "highest 39.0" in drawn.replace("\N{NO-BREAK SPACE}", " ")
    for chart in (humidity_chart(report, wording), vapour_chart(report, (), wording)):
        assert str(chart).count('class="gap"') == 1
    assert max(s.temperature_high for s in small.slices["T1"]) == pytest.approx(39.0, abs=0.05)
    assert {s.humidity_high is None for s in small.slices["T1"] if WET[0] <= s.at < WET[1]} == {True}
    lines = "\n".join(plot("T1", points, START, END, 60, wording))
    assert "39.0" in lines


def test_a_day_of_nothing_but_a_wet_probe_has_its_temperature(wet: Any) -> None:
    """Its humidity is nothing, and so is the time watched."""
    with wet.past() as past:
        days = past.days("T1", [WET[0], WET[1]])
        nights = past.nights(*WET)
        (point,) = past.series("T1", *WET, 1)
    (day,) = days.values()
    assert (day.watched_seconds, day.humidity_low, day.humidity_high) == (0, None, None)
    assert day.temperature_high == pytest.approx(39.0, abs=0.05)
    assert nights["T1"].humidity_min is None
    assert nights["T1"].temperature_max.value == pytest.approx(39.0, abs=0.05)
    assert (point.humidity_percent, point.temperature_high) == (None, pytest.approx(39.0, abs=0.05))


def test_what_is_inferred_of_a_probe_leaves_its_temperature(wet: Any) -> None:
    """Every fault that may be inferred does; what makes a whole reading suspect, or a sensor states itself, does not."""
    assert all(Quality(0, "p1", SUSPECT, (kind,)).temperature_counts for kind in INFERRED)
    assert not any(Quality(0, "p1", SUSPECT, (test,)).temperature_counts for test in SUSPECT_WHOLE)
    assert not Quality(0, "p1", FAIL, ("flat_line",)).temperature_counts
    assert Quality(0, "p1", PASS).temperature_counts
