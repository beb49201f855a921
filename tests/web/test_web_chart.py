"""The drawing itself: what its lines say, read back from the SVG, against the numbers they were drawn from."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.report.contract import Point, Trace, moist
from dewkeeper.report.enclosure import EnclosureReport, JournalMark
from dewkeeper.report.gaps import Stretch
from dewkeeper.report.model import Gap, Limiting
from dewkeeper.report.wording import Wording
from dewkeeper.web.axis import LETTER_HIGH, WIDE
from dewkeeper.web.chart import DRAWN, LEFT, TALL, Outlook, humidity_chart, temperature_chart, vapour_chart

VIENNA = Wording(ZoneInfo("Europe/Vienna"))
START = int(datetime(2026, 11, 24, 20, tzinfo=UTC).timestamp())
END = START + 11 * 3600
LIMITS = Limiting(60, 70, 55, 80, 24, 34, 30)


def points(first: int, count: int, humidity: float, step: int = 300) -> tuple[Point, ...]:
    """Return slices whose humidity rises by a tenth each, from `first` on."""
    made = []
    for n in range(count):
        h, t = humidity + n / 10, 28 + n / 50
        made.append(Point(first + n * step, step, h, h - 1, h + 2, t, t - 0.2, t + 0.3))
    return tuple(made)


GAPS = (Gap(START + 40 * 300, START + 80 * 300, "no reading"),)
REPORT = EnclosureReport(
    enclosure="B4", span="night", start=START, end=END, limits=LIMITS,
    traces=(Trace("floor", "substrate", points(START, 40, 58) + points(START + 80 * 300, 52, 64)),),
    pause_seconds=900, gaps=GAPS, temperature_gaps=GAPS,
    stretches=(Stretch(START + 600, START + 7200, "dry", "too dry", fault=False), Stretch(START + 40 * 300, None, "missing", "no reading", fault=True)),
    marks=(JournalMark("1", START + 3600, "misted", misting=True), JournalMark("2", START + 7200, "fed", misting=False)),
    now=None, alarms=(), stage="adult", stage_until=None, out_of_service=None,
)  # fmt: skip


def paths(drawing: str, name: str) -> list[list[tuple[float, float]]]:
    """Return the corners of every path whose class begins with `name`."""
    found = []
    for element in ElementTree.fromstring(f"<x>{drawing}</x>").iter("path"):  # noqa: S314  our own text
        if (element.get("class") or "").split(" ")[0] == name:
            found.append(
                [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", element.get("d") or "")]
            )
    return found


def inside(per_cent: str) -> float:
    """Return x in the inner drawing of a place in per cent of the outer one."""
    return (float(per_cent) - LEFT) / DRAWN * WIDE


def when(x: float) -> float:
    """Return the instant of an x."""
    return START + x / WIDE * (END - START)


def test_every_point_of_the_curve_is_where_its_number_is() -> None:
    """Read back by the two tolerable lines, each corner is its slice's middle and mean, the shade its lowest and highest."""
    drawing = str(humidity_chart(REPORT, VIENNA))
    lines = [float(y) for y in re.findall(r'class="tolerable" d="M0 ([\d.]+)H', drawing)]
    assert len(lines) == 2

    def value(y: float) -> float:
        return 55 + (y - lines[0]) / (lines[1] - lines[0]) * 25

    drawn = [corner for run in paths(drawing, "curve") for corner in run]
    given = REPORT.traces[0].points
    assert len(drawn) == len(given)
    for (x, y), point in zip(drawn, given, strict=True):
        assert when(x) == pytest.approx(point.at + 150, abs=30)
        assert value(y) == pytest.approx(point.humidity_percent, abs=0.05)
    shades = paths(drawing, "spread")
    for run, part in zip(shades, (given[:40], given[40:]), strict=True):
        assert [value(y) for _, y in run[: len(part)]] == pytest.approx([p.humidity_high for p in part], abs=0.05)
        assert [value(y) for _, y in reversed(run[len(part) :])] == pytest.approx(
            [p.humidity_low for p in part], abs=0.05
        )


def test_nothing_is_drawn_through_missing_time() -> None:
    """A curve breaks at the gap, which is hatched from end to end; a pause shorter than three polls does not break it."""
    drawing = str(humidity_chart(REPORT, VIENNA))
    runs = paths(drawing, "curve")
    assert [len(run) for run in runs] == [40, 52]
    for run in runs:
        assert all(when(b) - when(a) < 900 for (a, _), (b, _) in pairwise(run))
    left, right = re.findall(r'class="gap" fill="url\(#hatch-humidity\)" d="M([\d.]+) \d+H([\d.]+)V', drawing)[0]
    assert when(float(left)) == pytest.approx(START + 40 * 300, abs=30)
    assert when(float(right)) == pytest.approx(START + 80 * 300, abs=30)


def test_a_second_probe_is_another_line_and_one_that_informs_has_no_shade() -> None:
    """Each trace has its own pattern; the scale holds all of them; what is not judged is drawn without a shade, below the rest."""
    warm = Trace("warm", "warm_end", points(START, 92, 30))
    two = replace(REPORT, traces=(*REPORT.traces, Trace("back", "substrate", points(START, 92, 70)), warm))
    drawing = str(humidity_chart(two, VIENNA))
    classes = re.findall(r'class="curve (\w+)"', drawing)
    assert classes == ["beside1", "judged2", "judged1", "judged1"]
    assert len(paths(drawing, "spread")) == 3
    assert all(0 < y < TALL for run in paths(drawing, "curve") for _, y in run)


def test_marks_and_bars_stand_at_their_time() -> None:
    """Mistings are wedges and other entries ticks at their time; an alarm is a filled bar, a fault a hollow one that lasts."""
    drawing = str(humidity_chart(REPORT, VIENNA))
    at = re.findall(r'<svg x="([\d.]+)%" y[^>]*><path class="(\w+)"', drawing)
    assert [kind for _, kind in at] == ["misting", "mark"]
    assert [when(inside(x)) for x, _ in at] == pytest.approx([START + 3600, START + 7200], abs=30)
    bars = {
        kind: (float(a), float(b))
        for kind, a, b in re.findall(r'class="(excursion|fault)" d="M([\d.]+) \d+H([\d.]+)V', drawing)
    }
    assert [when(x) for x in bars["excursion"]] == pytest.approx([START + 600, START + 7200], abs=30)
    assert bars["fault"][1] == WIDE


def test_limits_are_written_in_the_sites_unit() -> None:
    """A temperature chart names 24 and 34 °C, or 75.2 and 93.2 °F, as exact as they were set; the curve is the same."""
    celsius, fahrenheit = (str(temperature_chart(REPORT, w)) for w in (VIENNA, replace(VIENNA, fahrenheit=True)))
    assert {"24 °C", "34 °C"} <= set(re.findall(r">tolerable (?:from|to) (\d+ °[CF])<", celsius))
    assert {"75.2 °F", "93.2 °F"} <= set(re.findall(r">tolerable (?:from|to) ([\d.]+ °[CF])<", fahrenheit))
    assert "°C" not in fahrenheit
    assert paths(celsius, "curve") == paths(fahrenheit, "curve")
    for drawing, low, high in ((celsius, 24, 34), (fahrenheit, 75, 93)):
        numbers = [
            (float(y) * LETTER_HIGH - 4, float(n))
            for y, n in re.findall(r'class="number"[^>]* y="([\d.]+)em"[^>]*>(\d+)<', drawing)
        ]
        assert 4 <= len(numbers) <= 8
        lines = [float(y) for y in re.findall(r'class="tolerable" d="M0 ([\d.]+)H', drawing)]
        for y, number in numbers:  # each stands at its own height, by the two limits
            exact = (75.2, 93.2) if high == 93 else (low, high)
            at = lines[0] + (number - exact[0]) / (exact[1] - exact[0]) * (lines[1] - lines[0])
            assert y == pytest.approx(at, abs=0.6)


@pytest.mark.parametrize(
    ("zone", "start", "days", "said"),
    [
        ("Europe/Vienna", "2026-11-24T21:00", 11 / 24, ["00:00", "03:00", "06:00"]),
        # Vienna's last Sunday of October has its hour from two to three twice; three o'clock comes once.
        ("Europe/Vienna", "2026-10-24T21:00", 12 / 24, ["00:00", "03:00", "06:00"]),
        ("America/New_York", "2026-11-24T12:20", 1, ["18:00", "00:00", "06:00"]),
        ("Europe/Vienna", "2026-11-18T00:00", 6.5, ["20 Nov", "22 Nov", "24 Nov"]),
        ("Europe/Vienna", "2026-10-25T00:00", 30.5, ["1 Nov", "8 Nov", "15 Nov", "22 Nov"]),
        ("Australia/Lord_Howe", "2025-11-24T00:00", 365.5, ["Jan 2026", "Apr 2026", "Jul 2026", "Oct 2026"]),
    ],
)  # fmt: skip
def test_moments_under_the_chart_are_round_local_ones(zone: str, start: str, days: float, said: list[str]) -> None:
    """Hours, days, weeks and quarters of the wall clock stand under the chart, each where it is, over a change of the clocks too."""
    place = ZoneInfo(zone)
    begin = datetime.fromisoformat(start).replace(tzinfo=place)
    first = int(begin.timestamp())
    report = replace(REPORT, start=first, end=first + int(days * 86400), traces=(), gaps=(), stretches=(), marks=())
    drawing = str(humidity_chart(report, Wording(place)))
    found = re.findall(r'class="hour" x="([\d.]+)%"[^>]*>([^<]+)<', drawing)
    assert [word for _, word in found] == said
    if days < 2:
        for x, word in found:
            at = first + inside(x) / WIDE * days * 86400
            assert f"{datetime.fromtimestamp(round(at / 1800) * 1800, place):%H:%M}" == word


def words_of(drawing: str, kind: str) -> list[str]:
    """Return the words of a class in a drawing."""
    return re.findall(rf'<text class="{kind}"[^>]*>([^<]+)<', drawing)


def test_limits_gaps_alarms_and_marks_are_named_where_they_are() -> None:
    """Limits and target by their numbers, the alarm and the fault once by their words, the gap with its reason, marks with what was noted."""
    drawing = str(humidity_chart(REPORT, VIENNA))
    assert set(words_of(drawing, "limit")) == {"tolerable from 55 %", "target 60–70 %", "tolerable to 80 %"}
    assert words_of(drawing, "alarm-word") == ["too dry", "no reading"]
    assert words_of(drawing, "gap-word") == ["unwatched"]  # a third of a phone's chart has no room for the reason
    longer = replace(REPORT, gaps=(Gap(START, END, "no reading"),))
    assert words_of(str(humidity_chart(longer, VIENNA)), "gap-word") == ["unwatched: no reading"]
    assert words_of(drawing, "journal-word") == ["misted", "fed"]
    assert words_of(drawing, "trace") == []  # one curve needs no name
    assert (
        words_of(str(temperature_chart(REPORT, VIENNA)), "alarm-word") == []
    )  # dryness is told once, where it is seen


def test_names_of_several_curves_stand_at_their_ends_apart() -> None:
    """Three probes that read the same are three names, one below the other."""
    traces = tuple(
        Trace(name, "substrate", points(START, 92, 60)) for name in ("floor", "back", "a name much too long")
    )
    drawing = str(humidity_chart(replace(REPORT, traces=traces), VIENNA))
    found = re.findall(r'<text class="trace"[^>]* y="([\d.]+)em"[^>]*>([^<]+)<', drawing)
    assert {name for _, name in found} == {"floor", "back", "a name much to…"}
    heights = sorted(float(y) * LETTER_HIGH for y, _ in found)
    assert all(b - a >= 12.9 for a, b in pairwise(heights))


def test_every_column_to_tap_leads_to_the_values_of_its_time() -> None:
    """A tap on a twenty-fourth of the night shows mean, lowest and highest of exactly what was measured in it; on a gap nothing."""
    drawing = str(humidity_chart(REPORT, VIENNA))
    columns = re.findall(r'<i></i>|<a tabindex="-1" href="#(h\d+)" title="([^"]+)">', drawing)
    assert len(columns) == 24
    told = dict(re.findall(r'<p id="(h\d+)">([^<]+)<', drawing))
    step = (END - START) // 24
    for n, (name, title) in enumerate(columns):
        held = [p for p in moist(REPORT.traces[0].points) if START + n * step <= p.at < START + (n + 1) * step]
        if not held:
            assert name == ""
            continue
        assert told[name] == title
        low, high = min(p.humidity_low for p in held), max(p.humidity_high for p in held)
        assert f"lowest {VIENNA.humidity(low)}, highest {VIENNA.humidity(high)}" in title
    assert 0 < sum(name == "" for name, _ in columns) < 24


def test_a_forecast_has_its_place_to_the_right_of_now() -> None:
    """Given one, the chart reaches as far as it, now is marked, and the band lies between its lowest and highest; without one nothing is kept free."""
    middle = [(END + n * 3600, 50.0, 55.0, 61.0) for n in range(7)]
    drawing = str(humidity_chart(REPORT, VIENNA, Outlook(middle, "forecast"), now=END))
    band = paths(drawing, "outlook")[0]
    whole = END + 6 * 3600 - START
    assert min(x for x, _ in band) == pytest.approx((END - START) / whole * WIDE, abs=1)
    assert max(x for x, _ in band) == WIDE
    assert "now" in words_of(drawing, "hour")
    assert words_of(drawing, "outlook-word") == ["forecast"]
    assert "outlook" not in str(humidity_chart(REPORT, VIENNA, now=END))


def test_vapour_pressure_stands_beside_the_rooms() -> None:
    """60 % of what saturates at 30 °C (42.5 hPa, a handbook's steam table, from memory) is 25.5 hPa; the room's is a line of its own."""
    still = (Point(START, 300, 60, 60, 60, 30, 30, 30), Point(START + 300, 300, 60, 60, 60, 30, 30, 30))
    room = Trace("air", "room", tuple(replace(p, humidity_percent=50, temperature_c=22) for p in still))
    drawing = str(vapour_chart(replace(REPORT, traces=(Trace("floor", "substrate", still),)), [room], VIENNA))
    assert re.findall(r'class="curve (\w+)"', drawing) == ["beside1", "judged1"]
    assert set(words_of(drawing, "trace")) == {"floor", "room"}
    assert "25.5 hPa" in drawing
