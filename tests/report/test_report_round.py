"""The round of one evening: what is late, what waits for a shed, what a quarantine that ended leaves, how warm eggs are."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from tests.report.book_year import KeptBook, at, house
from tests.report.conftest import judged

from dewkeeper.notify.round_message import round_now
from dewkeeper.report.due import MANY_DEEP_CLEANS, ServiceRound
from dewkeeper.report.round import TOLD_DAYS, RoundFacts, service_round
from dewkeeper.report.round_words import round_message, sheet_lines
from dewkeeper.report.sheds import COMMON
from dewkeeper_config.models import Config

CONFIG = house()
BEGIN = date(2026, 3, 1)


def _book(*places: str) -> KeptBook:
    book = KeptBook()
    for name in places:
        book.write(at(BEGIN, 10), name, "moved_in", f"Snake {name}")
    return book


def _round(book: KeptBook, day: date, config: Config = CONFIG) -> ServiceRound:
    return service_round(book.entries, config, at(day), RoundFacts())


def test_what_is_late_says_so_and_stands_above_what_is_due_today() -> None:
    """A bowl due on the fourth day is one day late on the fifth; its tub comes before one whose bowl is due that day, in JSON too."""
    book = _book("T01", "T02")
    book.write(at(BEGIN + timedelta(1), 20), "T01", "refilled")
    made = _round(book, BEGIN + timedelta(4))
    assert [(due.enclosure, due.late, due.why) for due in made.due] == [
        ("T02", 1, "1 day late: last 4 days ago; every 3 days"),
        ("T01", 0, "last 3 days ago; every 3 days"),
    ]
    assert [due["days_late"] for place in made.to_json()["places"] for due in place["due"]] == [1, 0]
    lines = sheet_lines(made)
    assert lines.index("  T02 (Snake T02)") < lines.index("  T01 (Snake T01)")


def test_an_overdue_shed_stands_first_with_its_step_and_promises_no_day_that_is_past() -> None:
    """Once the last expected day is over it is late by so many days, above housework that is later; after the days of grace it names the vet."""
    book = _book("T01", "T02")
    book.write(at(BEGIN, 11), "T02", "opaque")
    last = BEGIN + timedelta(COMMON.to_clear.last)
    on_time = _round(book, last)
    assert "late" not in (_why(on_time, "T02", "eyes"))
    late = _round(book, last + timedelta(5))
    why = _why(late, "T02", "eyes")
    assert why.startswith("5 days late: expected by Sun 8 Mar (")
    assert "look for shed skin" in why
    assert "ask an exotics vet" in why
    assert late.due[0].kind == "eyes"
    (here,) = (place for place in late.places if place.enclosure == "T02")
    assert not any("a shed " in note for note in here.notes)  # when the eyes are late, nobody knows when it sheds
    assert "T02 (5 days late): look whether the eyes have cleared" in round_message(late)[1]
    book.write(at(last + timedelta(5), 19), "T02", "cleared")
    much = _round(book, last + timedelta(5 + COMMON.clear_to_shed.last + 12))
    assert _why(much, "T02", "shed").startswith("12 days late: expected by ")


def _why(made: ServiceRound, place: str, key: str) -> str:
    found = made.find(place, key)
    assert found is not None
    return found.why


def test_a_deep_clean_waits_until_it_has_shed_and_the_floor_is_cleaned_round_the_snake() -> None:
    """In blue it is told, not asked for, and a spot-clean is; the day it has shed it is due. Put off, a spot-clean is asked for meanwhile."""
    book, due = _book("T01"), BEGIN + timedelta(30)
    book.write(at(due - timedelta(2), 9), "T01", "opaque")
    made = _round(book, due)
    assert made.find("T01", "deep-clean") is None
    spot = made.find("T01", "spot-clean")
    assert spot is not None
    assert spot.todo == "spot-clean round the snake"
    assert "    . deep-clean, due since Tue 31 Mar, waits until it has shed" in sheet_lines(made)
    book.write(
        at(due + timedelta(9), 9), "T01", "shed", "one piece, both spectacles off, skin of the tail tip came off"
    )
    after = _round(book, due + timedelta(9))
    assert after.find("T01", "deep-clean") is not None
    assert after.find("T01", "spot-clean") is None
    book.write(at(due + timedelta(9), 19), "T01", "not_today", "deep-clean", at(due + timedelta(12), 0))
    assert _round(book, due + timedelta(10)).find("T01", "spot-clean") is not None


def test_many_deep_cleans_can_be_spread_over_a_week() -> None:
    """From eight on the sheet names the number and how many an evening are done in a week; for fewer it says nothing."""
    names = [f"T{n:02}" for n in range(1, MANY_DEEP_CLEANS + 1)]
    assert _round(_book(*names[1:]), BEGIN + timedelta(30)).spread() == ""
    said = _round(_book(*names), BEGIN + timedelta(30)).spread()
    assert said.startswith("8 of them are deep-cleans: 2 an evening")


def test_quarantine_goes_on_until_somebody_ends_it_and_its_end_is_told_for_a_while() -> None:
    """At its term it says for how many days the clock has run and who decides; ended, it says since when and by whom, for two weeks."""
    book = _book("Q1")
    book.write(at(BEGIN, 11), "Q1", "quarantine", until=at(BEGIN, 11) + 40 * 86400)
    term = BEGIN + timedelta(41)
    found = _round(book, term + timedelta(20)).find("Q1", "quarantine")
    assert found is not None
    assert "61 days since it began on Sun 1 Mar" in found.why
    assert "until one of them says that it is over" in found.caution
    book.write(at(term, 19), "Q1", "quarantine_over")
    for days, told in ((1, True), (TOLD_DAYS, True), (TOLD_DAYS + 1, False)):
        (here,) = (p for p in _round(book, term + timedelta(days)).places if p.enclosure == "Q1")
        assert ("quarantine over since Sat 11 Apr, by Runa" in here.notes) is told


def test_eggs_stand_beside_their_temperature_of_now(shelf: Callable[..., Any]) -> None:
    """A believed reading of now is told with its hour; an old one is not, and an egg box without a probe says so."""
    one, begun = shelf(), at(BEGIN, 12)
    box = one.config.enclosure[0].but(kind="egg_box")
    config = one.config.but(enclosure=[box, *one.config.enclosure[1:]])
    book = KeptBook()
    book.write(begun - 55 * 86400, "T1", "eggs", "6")
    one.keep([judged("p1", begun, 31.4, 90.0)], items=tuple(book.entries))

    def caution(now: int) -> str:
        with one.past() as past:
            found = round_now(past, config, now).find("T1", "eggs")
        assert found is not None
        return found.caution

    assert "Look at the temperature first (31.4 °C at 11:00)" in caution(begun + 60)
    assert "(no probe tells it now)" in caution(begun + 3600)


def test_eggs_past_their_window_are_late() -> None:
    """After the last expected day the window is told as one of the past."""
    book = KeptBook()
    book.write(at(BEGIN, 9), "Egg box", "eggs", "6")
    why = _why(_round(book, BEGIN + timedelta(CONFIG.round.hatch_last_days + 3)), "Egg box", "eggs")
    assert why.startswith("3 days late: day ")
    assert "hatching was expected by" in why
