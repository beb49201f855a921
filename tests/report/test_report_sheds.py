"""Sheds: cycles and grades as the journal tells of them, windows from an animal's own past, and no air before the grade."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.report.book_year import KeptBook, at, house
from tests.report.conftest import judged, seconds

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animals import animals
from dewkeeper.report.evening import AirAdvice
from dewkeeper.report.evening_told import air_due
from dewkeeper.report.round import RoundFacts, service_round
from dewkeeper.report.round_words import round_message, sheet_lines
from dewkeeper.report.shed_air import animal_sheds
from dewkeeper.report.shed_words import shed_lines
from dewkeeper.report.sheds import COMMON, DaySpan, ShedGrade, grade_of, outlook, shed_cycles, ungraded, vigilant
from dewkeeper.report.vet_sheet import vet_lines, vet_sheet
from dewkeeper.report.weights import Weighing, grams_of, loss
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings

DAY = 86400
BEGIN = seconds("2026-03-01T12:00:00")
WHOLE = "one piece, both spectacles off, tail tip off"


def entry(number: int, day: float, what: str, detail: str = "", place: str = "T1") -> JournalEntry:
    """Return an entry so many days after the beginning."""
    return JournalEntry(f"e{number}", BEGIN + int(day * DAY), place, what, detail, "Runa")


answers = st.sampled_from([None, True, False])


@given(answers, answers, answers)
def test_a_grade_is_read_back_from_its_words(whole: bool | None, spectacles: bool | None, tail: bool | None) -> None:
    """What the form writes is what the reports read, whichever of the three was answered."""
    grade = ShedGrade(whole, spectacles, tail)
    assert grade_of(grade.words()) == grade


@pytest.mark.parametrize(
    ("said", "grade"),
    [
        ("one piece, spectacles and tail tip off", ShedGrade(True, True, True)),
        ("in pieces", ShedGrade(False)),
        ("spectacle retained, the left one", ShedGrade(None, False)),
        ("tail tip retained", ShedGrade(None, None, False)),
        ("one piece, spectacles and the skin of the tail tip off", ShedGrade(True, True, True)),
        ("skin of the tail tip retained", ShedGrade(None, None, False)),
        ("spectacles off? skin of the tail tip off?", ShedGrade()),
        ("Cinder, one piece, both spectacles off, tail tip retained", ShedGrade(True, True, False)),
        ("spectacles off? tail tip off?", ShedGrade()),
    ],
)  # fmt: skip
def test_what_one_tap_writes_is_a_grade_as_well(said: str, grade: ShedGrade) -> None:
    """The journal's own choices are understood, and a question is no answer."""
    assert grade_of(said) == grade


def test_own_past_makes_the_window_once_there_is_enough() -> None:
    """With three cycles of its own their shortest and longest are expected, said as such; with fewer the common days."""
    told = []
    for n, (clear, shed) in enumerate(((5, 10), (6, 13), (4, 11))):
        told += [
            entry(3 * n, 60 * n, "opaque"), entry(3 * n + 1, 60 * n + clear, "cleared"),
            entry(3 * n + 2, 60 * n + shed, "shed", WHOLE),
        ]  # fmt: skip
    (one,) = animals([JournalEntry("in", BEGIN - 9, "T1", "moved_in", "Cinder"), *told])
    cycles = shed_cycles(one)
    assert len(cycles) == 3
    assert outlook(cycles).whole == DaySpan(10, 13, 3)
    assert outlook(cycles).to_clear == DaySpan(4, 6, 3)
    assert outlook(cycles[:2]) == COMMON
    assert "of its own" in outlook(cycles).whole.words()


def test_a_bad_shed_makes_the_next_cycle_watched() -> None:
    """The last graded shed counts; a good one after it ends the vigilance."""
    bad = [
        entry(1, 0, "opaque"),
        entry(2, 11, "shed", "in pieces, both spectacles off, tail tip off"),
        entry(3, 60, "opaque"),
    ]
    (one,) = animals([JournalEntry("in", BEGIN - 9, "T1", "moved_in", "Cinder"), *bad])
    assert vigilant(shed_cycles(one)) is not None
    (two,) = animals([JournalEntry("in", BEGIN - 9, "T1", "moved_in", "Cinder"), *bad, entry(4, 70, "shed", WHOLE)])
    assert vigilant(shed_cycles(two)) is None


def test_the_air_is_shown_only_once_the_shed_is_graded(shelf: Callable[..., Any]) -> None:
    """Neither JSON nor text nor the vet's sheet hold the humidity of a cycle that is not graded; graded, they do."""
    one = shelf()
    readings = [judged("p1", BEGIN + hour * 3600, 28.0, 53.0) for hour in range(20 * 24)]
    one.keep(readings, items=(judge_settings(one.config, BEGIN),))
    told = [
        JournalEntry("in", BEGIN, "T1", "moved_in", "Cinder"), entry(1, 8, "opaque"), entry(2, 13, "cleared"),
        entry(3, 16, "belly_rough"), entry(4, 19, "shed", "in pieces"),
    ]  # fmt: skip
    wording = Wording.of(one.config.site)
    with one.past() as past:
        known = animals(told)
        assert ungraded(shed_cycles(known[0])) is not None
        sheds = animal_sheds(past, known)
        plain = json.dumps([record.to_json() for record in sheds[0].records])
        sheet = vet_sheet(past, known[0], told, wording, BEGIN + 20 * DAY)
        text = "\n".join([*shed_lines(sheds, [], wording), *vet_lines(sheet, wording)])
        assert "53" not in plain + text
        assert "%" not in text.replace("% of the time", "")
        assert sheds[0].records[0].before is None
        told[-1] = entry(5, 19, "shed", "in pieces, both spectacles off, tail tip off")
        known = animals(told)
        sheds = animal_sheds(past, known)
        before = sheds[0].records[0].before
        assert before is not None
        assert before.mean_percent == pytest.approx(53, abs=0.1)
        sheet = vet_sheet(past, known[0], told, wording, BEGIN + 20 * DAY)
        text = "\n".join([*shed_lines(sheds, [], wording), *vet_lines(sheet, wording)])
        assert "on average 53 %" in text
        assert "bad: in pieces" in text
        assert "no diagnosis" in text


def test_rough_scales_in_good_air_ask_for_the_probe(shelf: Callable[..., Any]) -> None:
    """Where the probe says that the air was good, the sheet says to check the probe; where it was dry, how dry."""
    one = shelf()
    one.keep([judged(p, BEGIN + h * 3600, 28.0, rh) for h in range(15 * 24) for p, rh in (("p1", 65.0), ("p2", 50.0))])
    one.keep(items=(judge_settings(one.config, BEGIN),))
    with one.past() as past:
        said = {}
        for place, name in (("T1", "Ash"), ("T2", "Birch")):
            told = [JournalEntry("in", BEGIN, place, "moved_in", name), entry(1, 14, "belly_rough", place=place)]
            (animal,) = animals(told)
            sheet = vet_sheet(past, animal, told, Wording.of(one.config.site), BEGIN + 15 * DAY)
            said[name] = sheet.signs[0].remark
    assert "check the probe" in said["Ash"]
    assert "check the probe" not in said["Birch"]


@pytest.mark.parametrize(
    ("said", "grams"),
    [("1450", 1450), ("1450 g", 1450), ("1.45 kg", 1450), ("1,45 kg after the shed", 1450), ("heavy", None),
     ("1,450 g", 1450), ("1,450 kg", 1450), ("0.125 g", 0.125), ("Snake 7, 1450 g", 1450),
     ("1450grams", 1450), ("Pip 1.5 kilos", 1500), ("14501450145", None), ("999 kg", None), ("9" * 5000, None), ("0", None), ("3.2 lb", None), ("52oz", None)],
)  # fmt: skip
def test_weights_are_read_from_words(said: str, grams: float | None) -> None:
    """Grams or kilograms, comma or point; words without a number, or with one that no snake weighs, are no weight."""
    assert grams_of(said) == grams


def test_a_tenth_lost_is_told() -> None:
    """A tenth below the heaviest of 90 days is told; less, or longer ago, is not."""
    assert loss([Weighing(0, 1000), Weighing(80 * DAY, 890)]) == pytest.approx(0.11)
    assert loss([Weighing(0, 1000), Weighing(80 * DAY, 950)]) is None
    assert loss([Weighing(0, 1000), Weighing(100 * DAY, 890)]) is None
    assert loss([]) is None


def test_the_round_says_nothing_of_the_air_of_a_shed_to_be_graded_in_any_form() -> None:
    """What the tub's air needs is left out of sheet, message and JSON until the shed is graded; then it is there. Another tub's is told."""
    book, config, day = KeptBook(), house(), date(2026, 3, 20)
    for name in ("T01", "T02"):
        book.write(at(day, 8) - 2 * DAY, name, "moved_in", f"Snake {name}")
    shed = book.write(at(day, 9), "T01", "shed")
    dry = [
        AirAdvice(n, "refill", "refill the bowl", "falls below 60 % tonight", "refilled", "dry") for n in ("T01", "T02")
    ]
    facts = RoundFacts(air=air_due(dry, day))
    for graded in (False, True):
        if graded:
            book.grade(shed, WHOLE)
        made = service_round(book.entries, config, at(day), facts)
        forms = {
            "sheet": "\n".join(sheet_lines(made)), "message": "\n".join(round_message(made)[1]), "json": json.dumps(made.to_json())
        }  # fmt: skip
        for form, said in forms.items():
            assert said.count("refill the bowl") == (1 if not graded or form == "message" else 2), (form, said)
        (here,) = (place for place in made.places if place.enclosure == "T01")
        assert "%" not in json.dumps([due.to_json() for due in here.due]) or graded
        assert ("what its air needs is shown once the shed is graded" in here.notes) is not graded
