"""What the first line, the order, the chart and the morning message say in situations that keepers named, as golden texts."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from tests.report.situations import Tub, alarm, chart_of, morning_of

from dewkeeper.cli.glance import morning_lines
from dewkeeper.notify.daily import morning_words
from dewkeeper.notify.message_words import lines
from dewkeeper.notify.told import Told
from dewkeeper.report.alarm_words import headline, now_against, to_do, why_now
from dewkeeper.report.first_line import age_words, first_line
from dewkeeper.report.glimpse import Glimpse, lowest_words, now_words, thermal
from dewkeeper.report.model import EnclosureMorning, MorningGlance, Standing
from dewkeeper.report.morning_words import (
    blind_parts,
    off_line,
    off_step,
    row_step,
    row_words,
    said_above,
    unwatched_step,
    where_words,
)
from dewkeeper.report.order import alarm_order
from dewkeeper.report.wording import Wording, first_steps, rank_word
from dewkeeper.store.health import Disk
from dewkeeper.web.chart import humidity_chart, temperature_chart
from dewkeeper.web.small_curve import small_curves
from dewkeeper_config.models import Config, Storage

CALM = Tub()
FULL = "the bowl was filled: add a second bowl"
FULL_DISK = next(
    report.response
    for report in Disk(Storage(folder=Path("/")), space=lambda _: (180_000_000, 6_000_000_000)).reports(0)
    if report.what == "disk space"
)
OUT = Tub(believed=False, ago=5 * 3600, alarms=[alarm("missing", 5)], unwatched_minutes=290)
HOT = Tub(
    temperature=41.0,
    humidity=48.0,
    alarms=[alarm("hot", 0.2, limit=38.0, detail={"danger": 1}), alarm("dry", 0.5, band="target")],
)
SITUATIONS: dict[str, tuple[dict[str, Tub], dict[str, Any]]] = {
    "all calm": ({"T1": CALM, "T2": CALM, "T3": CALM}, {}),
    "41 °C now": ({"T1": CALM, "T2": Tub(humidity=40, alarms=[alarm("dry", 14)]), "T3": HOT}, {}),
    "41 °C, seen by somebody": (
        {"T1": Tub(humidity=40, alarms=[alarm("dry", 14)]),
         "T2": Tub(temperature=41, alarms=[alarm("hot", 3, state="acknowledged", limit=38.0, detail={"danger": 1})])},
        {"events": [{"alarm": "hot T2", "who": "Ina", "hours": 2.5}]},
    ),
    "hot in the night, over and unseen": (
        {"T1": CALM, "T2": Tub(hottest=39.2, alarms=[alarm("hot", 3, state="returned_unacknowledged", limit=38.0, detail={"danger": 1})])},
        {"events": [{"alarm": "hot T2", "event": "cleared", "hours": 0.9}]},
    ),
    "all probes out": ({"T1": OUT, "T2": OUT, "T3": OUT}, {}),
    "all probes out, one tub too hot before": ({"T1": OUT, "T2": Tub(**{**vars(OUT), "temperature": 40, "alarms": [alarm("hot", 6, limit=38.0, detail={"danger": 1}), *OUT.alarms]})}, {}),
    "three out of service": ({f"T{n}": Tub(resting=n > 2) for n in range(1, 6)}, {}),
    "everything out of service": ({"T1": Tub(resting=True), "T2": Tub(resting=True)}, {}),
    "shelved at 28 %": (
        {"T1": CALM, "T2": Tub(humidity=28, low=27, alarms=[alarm("dry", 20, state="shelved", shelved_until=1_795_525_200)])},
        {"events": [{"alarm": "dry T2", "event": "shelved", "who": "Ina", "why": "new bowl, soaking", "hours": 0.8}]},
    ),
    "power cut of three hours in the night": (
        {"T1": Tub(unwatched_minutes=192), "T2": Tub(unwatched_minutes=192)}, {"off": [(6.8, 3.6, "power")]},
    ),
    "power cut of three hours, and one tub dry since": (
        {"T1": Tub(unwatched_minutes=192), "T2": Tub(unwatched_minutes=192, humidity=50, alarms=[alarm("dry", 2)]), "T3": Tub(unwatched_minutes=192)},
        {"off": [(6.8, 3.6, "power")]},
    ),
    "three hours without readings, and nobody knows why": ({"T1": Tub(unwatched_minutes=192), "T2": Tub(unwatched_minutes=192)}, {}),
    "the program was stopped for an hour": ({"T1": Tub(unwatched_minutes=60), "T2": Tub(unwatched_minutes=60)}, {"off": [(5.0, 4.0, "stopped")]}),
    "daemon dead since 05:12": ({"T1": Tub(ago=98 * 60), "T2": Tub(ago=98 * 60)}, {}),
    "first day, an hour after the start": ({"T1": Tub(tonight=False), "T2": Tub(tonight=False)}, {"when": "2026-11-24T15:00"}),
    "nothing was ever measured": ({"T1": Tub(ago=None), "T2": Tub(ago=None)}, {}),
    "no probe is set up yet": ({"T1": Tub(ago=None), "T2": Tub(ago=None)}, {"probes": 0}),
    "a tub without a probe": ({"T1": CALM, "T2": Tub(ago=None)}, {"probes": 1}),
    "eight minutes without readings": ({"T1": CALM, "T2": Tub(unwatched_minutes=8)}, {}),
    "120 enclosures, three in trouble": (
        {f"T{n}": CALM for n in range(1, 121)} | {"T77": HOT, "T12": Tub(humidity=50, alarms=[alarm("dry", 3)]), "T119": OUT}, {},
    ),
    "night of the clock change, the hour from two to three twice": (
        {"T1": Tub(humidity=50, low=49, alarms=[alarm("dry", 9)]), "T2": CALM}, {"when": "2026-10-25T06:50"},
    ),
    "night of the clock change, the hour from two to three missing": ({"T1": CALM, "T2": CALM}, {"when": "2026-03-29T08:10"}),
    "overdue stands above a larger dose that is not": (
        {"T1": Tub(humidity=45, alarms=[alarm("dry", 6, detail={"dose_percent_hours": 60.0})]),
         "T2": Tub(humidity=53, alarms=[alarm("dry", 13, detail={"dose_percent_hours": 20.0})], deeds={"misted": 5.0})}, {},
    ),
    "a dose of cold and one of dryness, in widths of their bands": (
        {"T1": Tub(humidity=50, alarms=[alarm("dry", 1.5, detail={"dose_percent_hours": 7.0})]),
         "T2": Tub(temperature=20, alarms=[alarm("cold", 1.5, detail={"dose_celsius_hours": 6.0})])}, {},
    ),
    "a probe silent for two days stands above a dry tub of an hour": (
        {"T1": Tub(humidity=50, alarms=[alarm("dry", 1)]), "T2": Tub(**{**vars(OUT), "ago": 48 * 3600, "tonight": False, "unwatched_minutes": 590, "alarms": [alarm("missing", 48)]})}, {},
    ),
    "frost in the room": ({"T1": CALM, "T2": CALM}, {"general": [alarm("room_frost", 2, cause="the room is cold", value=11.8, detail={"room": "attic"}, response="warm the room; a room heater straight into a wall socket on another breaker, nothing near it; leave the tubs as they are")], "room": (11.6, 48.0)}),
    "a room as dry as a hard frost makes it": ({"T1": Tub(humidity=62), "T2": CALM}, {"general": [alarm("room_frost", 3, cause="the room's air is frost-dry", value=21.5, detail={"room": "attic"}, response="moisten the room, with a humidifier or wet cloths, away from plugs and leads; leave the tubs as they are")], "room": (21.3, 19.0)}),
    "dewkeeper's own disk": ({"T1": CALM, "T2": CALM}, {"general": [alarm("system", 2, cause="3 % of the disk is free (180 MB), less than 10 %", response=FULL_DISK, consequence="it still watches, tells and records; when the disk is full it goes on watching and telling, and records nothing")]}),
    "too dry, and its bowl was filled in the evening": ({"T1": CALM, "T2": Tub(humidity=50, low=49, alarms=[alarm("dry", 4, cause="moisture left", response=FULL)], deeds={"refilled": 9.0})}, {}),
    "too dry in the night, mended by itself": (
        {"T1": CALM, "T2": Tub(low=50, beyond=(2.5, 1.0), sums={"beyond_tolerable_seconds": 5400, "beyond_target_seconds": 9000, "dose_percent_hours": 12.0})}, {},
    ),
    "below the target in the night, mended by itself": (
        {"T1": CALM, "T2": Tub(low=56, beyond=(8.0, 1.0), sums={"beyond_target_seconds": 12600, "dose_percent_hours": 8.0})}, {},
    ),
    "41 °C in one of two racks, which stand in two rooms": ({"T1": HOT, "T2": Tub(humidity=50, alarms=[alarm("dry", 3)])}, {"several": True}),
    "in blue, below the target only": (
        {"T1": Tub(humidity=58, low=57, stage="opaque", alarms=[alarm("dry", 4, band="target")], deeds={"opaque": 9.0}), "T2": CALM}, {},
    ),
    "41 °C at noon, after a quiet night": (
        {"T1": Tub(temperature=41.0, humidity=48.0, hottest=30.4, alarms=[alarm("hot", 0.4, limit=38.0, detail={"danger": 1})]), "T2": CALM},
        {"when": "2026-11-24T12:20"},
    ),
    "three hours of quiet evening": ({"T1": CALM, "T2": CALM}, {"when": "2026-11-24T00:10"}),
}  # fmt: skip


def told(name: str) -> str:
    """Return what is said in a situation: first line, age, rows in their order, and the message's own first line."""
    tubs, more = SITUATIONS[name]
    glance, config = morning_of(tubs, **more)
    wording = Wording.of(config.site)
    rows = glance.enclosures if len(glance.enclosures) <= 5 else glance.needs_look
    terminal = morning_lines(glance, wording)
    assert terminal[0] == f"Attic: {first_line(glance)}"
    assert terminal[1].endswith(age_words(glance, wording))
    said = [first_line(glance), age_words(glance, wording)]
    burning = [row for row in rows if row.rank == "urgent"]
    said += [row_said(row, glance, wording) for row in burning]
    if glance.nothing_watched and len(glance.resting) < len(glance.enclosures):
        why, step = blind_parts(glance, wording, alive=True)
        said.append(f"above all other rows: Nothing is watched: {why} → look at the tubs yourself, then {step}")
    for one in glance.off:
        step = off_step(one)
        said.append(f"above all other rows: {off_line(one, wording, glance.made_at)}{f' → {step}' if step else ''}")
    said += [general_said(alarm, glance, wording) for alarm in glance.general]
    said += [row_said(row, glance, wording) for row in rows if row not in burning]
    said += chart_words(glance, rows[0], tubs[rows[0].enclosure], config) if rows else []
    title, text = morning_words(glance, wording)
    return "\n".join([*said, f"message: {title}", *(f"    {line}".replace("\n", "\n        ") for line in text)])


def general_said(alarm: Standing, glance: MorningGlance, wording: Wording) -> str:
    """Return what the page says of a room or of dewkeeper itself, as its row has it."""
    cause = f" | {why_now(alarm, wording)}" if alarm.cause else ""
    return f"{headline(alarm, wording)}, {wording.stood(alarm, glance.made_at)}{cause} → {first_steps(to_do(alarm))}"


def row_said(row: EnclosureMorning, glance: MorningGlance, wording: Wording) -> str:
    """Return what the page says of an enclosure, as its row has it."""
    figures = f"{lowest_words(row, wording)}; {now_words(row, wording)}"
    place = where_words(glance, shelf=False).get(row.enclosure) if row.rank != "calm" else ""
    name = f"{row.enclosure} {place}" if place else row.enclosure
    return f"{name} {rank_word(row)}{row_words(row, glance, wording)} | {figures}{step_of(row, glance)}"


def step_of(row: EnclosureMorning, glance: MorningGlance) -> str:
    """Return what the page says to do about an enclosure, as its row has it."""
    step = first_steps(row_step(row, glance), 60 - len(row.enclosure))
    if not step and row in glance.needs_look and not said_above(row, glance):
        step = unwatched_step(row)
    return f" → {step}" if step else ""


PARTS = {
    "number": "at its side", "limit": "limits named in it", "alarm-word": "above the curve", "gap-word": "hatched",
    "hour": "below the curve", "journal-word": "marked",
}  # fmt: skip
"""What a chart says, by the class of its words."""


def chart_words(glance: MorningGlance, row: EnclosureMorning, tub: Tub, config: Config) -> list[str]:
    """Return every word on the chart of the first row's trouble, and what is said of its small curve."""
    wording, now = Wording.of(config.site), glance.made_at
    report = chart_of(row, tub, config, now)
    drawn = (temperature_chart if thermal(row) else humidity_chart)(report, wording, now=now)
    svg = ElementTree.fromstring(f"<x>{drawn}</x>")[0][0][0]  # noqa: S314  our own text
    said = [f"chart: {svg.get('aria-label')}"]
    for kind, where in PARTS.items():
        found = [text for text in svg.iter("text") if text.get("class") == kind]
        found.sort(
            key=lambda text: (float(text.get("x", "").rstrip("%")), float(text.get("y", "").removesuffix("em")))
        )  # as one reads it
        words = [text.text or "" for text in found]
        said += [f"    {where}: {'; '.join(words)}"] if words else []
    assert {text.get("class") for text in svg.iter("text")} <= PARTS.keys()
    night = Glimpse(glance.night_start, now, 1800, glance.night_start, now, {})
    return [*said, f"    under all small curves: {small_curves(glance.enclosures, night, wording).words}; dot: now."]


GOLDEN = Path(__file__).with_name("golden_situations.txt")
"""Each situation's name after "## ", then what is said; whoever changes a word reads it all again."""


def golden() -> dict[str, str]:
    """Return what was read and found right, by situation."""
    parts = GOLDEN.read_text(encoding="utf-8").split("## ")[1:]
    return {name: said.strip() for name, _, said in (part.partition("\n") for part in parts)}


@pytest.mark.parametrize("name", SITUATIONS)
def test_what_is_said(name: str) -> None:
    """The first line counts every enclosure once, the rows are worst first, and both are the words a reviewer read."""
    assert told(name) == golden()[name]


def test_every_golden_text_belongs_to_a_situation() -> None:
    """No text outlives its situation."""
    assert list(golden()) == list(SITUATIONS)


def test_a_number_is_called_the_same_in_row_list_and_message() -> None:
    """Of a heat that kills all three name the limit of danger, of one that has sunk below it the list too; nowhere is that called the limit."""
    deadly = alarm("hot", 1, limit=38.0, detail={"danger": 1})
    said = "danger 38 °C"
    for celsius, in_row in ((41.0, said), (36.0, "limit 34 °C")):
        glance, config = morning_of({"T1": Tub(temperature=celsius, alarms=[deadly])})
        wording, (row,) = Wording.of(config.site), glance.enclosures
        assert now_words(row, wording) == f"now {celsius} °C, {in_row}; 65 %"
        assert now_against(row.alarms[0], wording) == f"now {celsius} °C, {said}"
        told = Told("raised", "hot", glance.made_at, limit=38.0, danger=True, now_value=celsius, now_beside=65.0)
        assert lines(told, wording, glance.made_at)[0] == f"Now: {celsius} °C, {said}; 65 %."


def test_a_message_leaves_out_what_the_page_leaves_out_and_no_step() -> None:
    """Beside a heat that kills neither speaks of a target; what is to be done about a room stands whole where nothing more can be tapped."""
    glance, config = morning_of({"T1": HOT})
    assert "target" not in "".join(morning_words(glance, Wording.of(config.site))[1])
    frost = alarm(
        "room_frost",
        2,
        cause="the room is cold",
        detail={"room": "attic"},
        response=f"warm the room{'; leave the tubs as they are' * 4}",
    )
    glance, config = morning_of({"T1": CALM}, general=[frost])
    steps = frost["response"].split("; ")
    assert any(
        line.splitlines()[1:] == [f"– {step}" for step in steps]
        for line in morning_words(glance, Wording.of(config.site))[1]
    )


def test_what_was_unwatched_adds_up() -> None:
    """Who was not watched in a power cut is counted among all, not beside them; the message names all of them, then the calm ones."""
    missed = Tub(unwatched_minutes=192)
    dry = Tub(unwatched_minutes=192, humidity=50, alarms=[alarm("dry", 2)])
    for tubs, counted, named in (
        ({"T1": missed}, "It was {}; 1 read calm now", "Not watched in that time, calm now: T1"),
        ({"T1": dry, "T2": missed}, "1 to see to, 1 read calm now; all were {}", "Not watched in that time: T1, T2; of them calm now: T2"),
        ({"T1": CALM, "T2": missed, "T3": CALM}, "1 was {}; 1 read calm now, 2 calm", "Not watched in that time, calm now: T2"),
    ):  # fmt: skip
        glance, config = morning_of(tubs, off=[(6.8, 3.6, "power")])
        assert first_line(glance) == counted.format("unwatched for a part of the night (most likely a power cut)")
        assert named in morning_words(glance, Wording.of(config.site))[1]


def test_the_list_of_alarms_has_the_order_of_the_page() -> None:
    """Urgent, a heat that is over and unseen, overdue, not watched, then by dose; a probe beside which another is believed blinds nobody."""
    tubs = {
        "T1": Tub(alarms=[alarm("dry", 1, detail={"dose_percent_hours": 9.0})]),
        "T2": Tub(alarms=[alarm("missing", 1)], believed=False),
        "T3": Tub(alarms=[alarm("cold", 9)]),
        "T4": Tub(alarms=[alarm("hot", 5, state="returned_unacknowledged")]),
        "T5": Tub(alarms=[alarm("hot", 0.1)]),
    }
    glance, _ = morning_of(tubs)
    listed = sorted((a for row in glance.enclosures for a in row.alarms), key=lambda a: alarm_order(a, glance.made_at))
    assert [a.enclosure for a in listed] == ["T5", "T4", "T3", "T2", "T1"]
    assert [row.enclosure for row in glance.enclosures] == ["T5", "T4", "T3", "T2", "T1"]


def test_a_heat_that_has_sunk_below_danger_is_called_too_hot_again() -> None:
    """A heat is called dangerous that is so by its last reading, or of which nobody knows; the limit of danger is the judge's."""
    deadly = alarm("hot", 1, limit=38.0, detail={"danger": 1})
    for tub, said in (
        (Tub(temperature=38.5, alarms=[deadly]), "T1: dangerously hot"),
        (Tub(temperature=36.0, alarms=[deadly]), "T1: too hot"),
        (Tub(temperature=36.0, ago=5 * 3600, alarms=[deadly]), "T1: too hot"),
        (Tub(temperature=39.0, ago=5 * 3600, alarms=[deadly]), "T1: dangerously hot"),
        (Tub(temperature=36.0, ago=5 * 3600, believed=False, alarms=[deadly]), "T1: dangerously hot"),
    ):
        glance, config = morning_of({"T1": tub})
        _, text = morning_words(glance, Wording.of(config.site))
        assert text[0].startswith(said), said
