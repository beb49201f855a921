"""Every screen, message and command is read for what nobody would say: "-0 %", "0 s", "60–60 %", dates in two forms."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.cli.glance import morning_lines
from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import JournalEntry, Kind
from dewkeeper.judge.words import EXCURSIONS, KINDS
from dewkeeper.notify import message_words
from dewkeeper.notify.daily import cleaned_lines, morning_words
from dewkeeper.notify.told import Happening, Member, Told
from dewkeeper.report.model import Mark
from dewkeeper.report.morning import morning
from dewkeeper.report.off_times import OFF_STEPS
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Spot, Wording, duration, whereabouts
from dewkeeper.store.health import Disk
from dewkeeper_config.models import Storage

NOW = 1_790_000_000
WORDING = Wording(ZoneInfo("Europe/Vienna"))
OTHER_DATES = (
    r"\b(?:19|20)\d\d-[01]\d(?:-\d\d)?\b|\b\d{1,2}/\d{1,2}(?:/\d{2,4})?\b|\b\d{1,2}\.\d{1,2}\.(?:\d{2,4})?(?=\s|$)"
    r"|\b(?:January|February|March|April|June|July|August|September|October|November|December)\b"
    r"|\b(?:Mon|Tues|Wednes|Thurs|Fri|Satur|Sun)day,? \d{1,2} [A-Z]|\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun),? (?:\d\d:\d\d|[A-Z])"
    r"|\b\d{1,2}(?:st|nd|rd|th)\b"
)
"""Dates written in any form but "Wed 25 Nov" or "Wed 25 Nov 2026": as of programs, in numbers, in whole words."""
NEVER = {
    "a date in another form": OTHER_DATES,
    "a nought with a sign": r"-0(?:\.0+)?\s?(?:%|°|g|h\b)",
    "no time at all": r"(?<![\d.:])0\s(?:s|min|h)\b",
    "a range of one number": r"(?<![\d.:])(\d+(?:\.\d+)?)–\1\s?(?:%|°)",
    "a range with its unit twice": r"\d\s?%–\d|\d\s?°[CF]–\d",
    "a range without an end": r"\d–\s|\s–\d",
    "a negative range that cannot be read": r"–-\d",
    "what a program calls nothing": r"\bNone\b|\bnan\b|\bTrue\b|\bFalse\b|\bundefined\b",
    "a name with an underscore": r"\b[a-z]+_[a-z_]+\b",
    "a unit twice": r"%\s?%|°[CF]\s?°[CF]",
    "a sentence that ends twice": r"\w\.\.(?!\.)|\s[.,;:](?:\s|$)",
}


def of_disks() -> list[str]:
    """Return every advice about the disk."""
    return [report.response for report in Disk(Storage(folder=Path("/"))).reports(NOW)]


def refused(text: str) -> list[str]:
    """Return what of a text nobody would say, with its place."""
    return [
        f"{what}: …{text[max(0, found.start() - 40) : found.end() + 20]}…"
        for what, pattern in NEVER.items()
        for found in re.finditer(pattern, text)
    ]


def told(kind: Kind, happening: Happening, **more: Any) -> Told:
    """Return an alarm of a kind, just begun."""
    row = KINDS[kind]
    known: dict[str, Any] = {
        "band": "tolerable" if kind in EXCURSIONS else None, "enclosure": "B4", "probe": "b4", "value": 45.0, "limit": 55.0,
        "cause": row.cause, "consequence": row.consequence, "response": row.response, "respond_by": NOW + 3600, "at": NOW,
    }  # fmt: skip
    return Told(happening, kind, NOW, **{**known, **more})


@pytest.mark.parametrize("file", sorted(Path(__file__).parents[1].glob("*/golden*.txt")), ids=lambda file: file.stem)
def test_every_golden_text_writes_dates_in_the_one_form(file: Path) -> None:
    """Rounds, mornings, messages and charts as they were read and found right: no date in another form."""
    assert re.findall(OTHER_DATES, file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("file", sorted(Path(__file__).parents[1].glob("*/golden*.txt")), ids=lambda file: file.stem)
def test_every_golden_text_that_names_a_command_says_where_it_is_typed(file: Path) -> None:
    """A keeper who reads of a command in the kitchen knows no terminal unless the same line says so."""
    named = [line for line in file.read_text(encoding="utf-8").splitlines() if "`" in line]
    assert [line for line in named if TYPED not in line] == []


@pytest.mark.parametrize("said", [*(row.response for row in KINDS.values()), *OFF_STEPS.values(), *of_disks()])
def test_every_advice_that_names_a_command_says_where_it_is_typed(said: str) -> None:
    """Of every kind of alarm, of the time after a stop, and of the disk."""
    assert "`" not in said or TYPED in said


def test_dates_have_one_form_with_the_year_where_it_may_be_another() -> None:
    """A day, a moment and a record of it; the year is said where the day may be one of another year."""
    assert WORDING.day(NOW) == "Mon 21 Sep"
    assert WORDING.clock(NOW - 2 * 86400, NOW) == "Sat 19 Sep 16:13"
    assert WORDING.clock(NOW - 366 * 86400, NOW) == "Sat 20 Sep 2025 16:13"
    assert WORDING.stamp(NOW) == "Mon 21 Sep 2026 16:13"
    assert re.search(OTHER_DATES, "since 2026-09-21, 21.9.2026, 9/21, Sun 12:00, 21st of September") is not None
    assert re.search(OTHER_DATES, "Mon 21 Sep 2026 16:13, 24.5 °C, 1.5 h, Sun 4 Oct, May 2026") is None


@pytest.mark.parametrize("kind", get_args(Kind))
def test_no_message_says_what_nobody_would_say(kind: Kind) -> None:
    """Every happening of a kind, at the moment it began, a day later, in a group and in doubt, read word for word."""
    for happening in get_args(Happening):
        until = NOW if happening == "cleared" else None
        for one in (
            told(kind, happening, until=until),
            told(kind, happening, until=until, doubt="wet probe"),
            told(kind, happening, until=until, members=(Member("B1", NOW, "e"), Member("B2", NOW, "e", until=until))),
        ):
            for at in (NOW, NOW + 86400):
                text = "\n".join([message_words.title(one, WORDING, at), *message_words.lines(one, WORDING, at)])
                assert refused(text.replace("`dewkeeper selftest`", "it")) == []


def test_numbers_are_said_as_people_do() -> None:
    """Around nought, at the ends of ranges, below freezing, in both units, for no time at all."""
    assert WORDING.temperature(-0.04) == "0.0 °C"
    assert WORDING.humidity(-0.3) == "0 %"
    assert WORDING.humidity_range(59.6, 60.4) == "60 %"
    assert WORDING.humidity_range(55, 66.5) == "55–67 %"
    assert WORDING.temperature_range(-1.46, 2) == "-1.5 to 2.0 °C"
    assert WORDING.temperature_range(27.96, 28.04) == "28.0 °C"
    assert WORDING.humidities(Mark(60.2, 1), Mark(60.4, 2)) == "60 %"
    assert replace(WORDING, fahrenheit=True).temperature_range(0, 10) == "32.0–50.0 °F"
    assert WORDING.set_temperatures(29.5, 33.0) == "29.5–33 °C"
    assert duration(0) == "a moment"
    assert duration(59.9) == "59 s"


def test_no_screen_and_no_morning_says_what_nobody_would_say(rig: Any) -> None:
    """Every screen with a dry tub, one out of service, one in blue and a journal, and the morning in page, terminal and message."""
    keeper = rig.keeper()
    for request in (
        {"do": "journal", "what": "misted", "enclosure": "T1"},
        {"do": "journal", "what": "opaque", "enclosure": "T3"},
        {"do": "out_of_service", "enclosure": "T2", "why": "empty"},
    ):
        rig.daemon.handle({"who": "Ina", **request})
    paths = [
        "/",
        "/rack",
        "/alarms",
        "/journal",
        "/probes",
        "/health",
        "/cautions",
        "/several",
        "/leave",
        "/away",
        "/logins",
    ]
    paths += ["/export", "/round", "/journal?enclosure=T1&choice=opaque", "/animals"]
    paths += [f"/enclosure/{name}?span={span}" for name in ("T1", "T2") for span in ("night", "year")]
    for path in paths:
        answer = keeper.get(rig.base + path)
        assert answer.status_code == 200, path
        body = re.sub(r"<(svg|pre|code|select|datalist)\b.*?</\1>", " ", answer.text, flags=re.S)
        text = re.sub(r"[ \t\n\u00a0]+", " ", unescape(re.sub(r"<[^>]*>", " ", body)))
        text = re.sub(r"\[\w+\] \w+", "a setting", text)  # named as in the file
        found = [line for line in refused(text) if not line.startswith(("a sentence", "a range without"))]
        assert found == [], path
    with StoredPast.open(rig.config) as past:
        glance = morning(past, rig.config, int(rig.clock.wall()))
    deeds = [JournalEntry(f"j{n}", NOW + 600 * n, f"T{n}", "cleaned") for n in range(1, 5)]
    assert cleaned_lines(glance, WORDING, deeds[1:3]) == ["Cleaned out: T2, T3, 16:33–16:43; all calm again."]
    assert cleaned_lines(glance, WORDING, deeds) == ["Cleaned out: 4 enclosures, 16:23–16:53; not calm since: T1."]
    assert cleaned_lines(glance, WORDING, [JournalEntry("m", NOW, "T1", "misted")]) == []
    title, lines = morning_words(glance, WORDING, deeds)
    assert any(line.startswith("Cleaned out: 4") for line in lines)
    said = "\n".join([title, *lines, *morning_lines(glance, WORDING)])
    assert [line for line in refused(said) if not line.startswith(("a sentence", "a range without"))] == []


TEMPLATES = Path(message_words.__file__).parents[1] / "web" / "templates"
ASKED = re.compile(r"\{% (?:el)?if (?:[^%]* and )?(\w+\([^%]*\)) %\}")


@pytest.mark.parametrize("template", sorted(TEMPLATES.glob("*.html")), ids=lambda path: path.name)
def test_a_template_asks_for_a_sentence_once(template: Path) -> None:
    """What is shown where there is any is named first: asked twice, it is made twice, and one of the two is changed alone."""
    text = template.read_text(encoding="utf-8")
    assert [call for call in ASKED.findall(text) if re.search(rf"\{{\{{ {re.escape(call)}[ |]", text)] == []


def test_where_a_tub_is_says_what_a_stranger_needs_to_find_it_and_no_more() -> None:
    """In a house of one rack nothing; else rack, shelf where there are several, and room where there are several."""
    one = {"A1": Spot("left", 1, "attic"), "A2": Spot("left", 2, "attic")}
    assert set(whereabouts(one).values()) <= {""}
    two = one | {"B1": Spot("Rack B", 1, "attic")}
    assert whereabouts(two) == {"A1": "rack left, shelf 1", "A2": "rack left, shelf 2", "B1": "Rack B"}
    apart = two | {"C1": Spot("C", 3, "cellar")}
    assert whereabouts(apart)["A2"] == "rack left, shelf 2, attic"
    assert whereabouts(apart, shelf=False)["A2"] == "rack left, attic"
    assert whereabouts(apart)["C1"] == "rack C, cellar"
