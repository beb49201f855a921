"""Quarantine and the order of service, as properties of any journal."""

from __future__ import annotations

from datetime import date

from hypothesis import given
from hypothesis import strategies as st
from tests.report.book_year import at, house

from dewkeeper.judge.stages import STAGE_WORDS, holding, stage_deed
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.due import SERVINGS
from dewkeeper.report.quarantine import SIGNS, crossing, isolations, rooms_of
from dewkeeper.report.round import RoundFacts, service_round

DAY = 86400
CONFIG = house()
ROOMS = rooms_of(CONFIG)
PLACES = ["T01", "T02", "F1", "Egg box", "Q1", "Q2"]
WORDS = [
    "quarantine", "quarantine_over", "moved_in", "moved_out", "wheeze", "vet", "refilled", "opaque", "cleared", "shed",
    "eggs", "hatched", "not_today",
]  # fmt: skip
BEGIN = at(date(2026, 2, 1))


@st.composite
def journals(draw: st.DrawFn) -> list[JournalEntry]:
    """Make a journal of up to twenty entries in the order of time."""
    times = sorted(draw(st.lists(st.integers(BEGIN, BEGIN + 120 * DAY), max_size=20, unique=True)))
    found = []
    for number, when in enumerate(times):
        what = draw(st.sampled_from(WORDS))
        detail = (
            draw(st.sampled_from(["", "Ash", "Birch"]))
            if what.startswith("moved")
            else "bowl"
            if what == "not_today"
            else ""
        )
        until = when + draw(st.integers(1, 90)) * DAY if what in ("quarantine", "not_today") else None
        found.append(JournalEntry(f"e{number}", when, draw(st.sampled_from(PLACES)), what, detail, "Runa", until))
    return found


@given(journals(), st.integers(BEGIN, BEGIN + 200 * DAY))
def test_quarantine_comes_last_and_nothing_is_due_twice(journal: list[JournalEntry], now: int) -> None:
    """Whatever was written: the order of service holds, all in quarantine stand in its part, and no name comes twice."""
    made = service_round(journal, CONFIG, now, RoundFacts())
    ranks = [SERVINGS.index(place.serving) for place in made.places]
    assert ranks == sorted(ranks)
    inside = isolations([entry for entry in journal if entry.time <= now], ROOMS)
    for place in made.places:
        assert (place.serving == "quarantine") == (place.enclosure in inside)
    names = [(due.enclosure, due.key) for due in made.due] + [(o.due.enclosure, o.due.key) for o in made.put_off]
    assert len(names) == len(set(names))
    assert all(due.since <= made.day for due in made.due)


@given(journals(), st.integers(BEGIN, BEGIN + 500 * DAY))
def test_book_and_judge_agree_on_who_is_in_quarantine(journal: list[JournalEntry], now: int) -> None:
    """At any time, long after its clock has run out too, what the book calls quarantine is what the judge calls so, but for a stage begun later on top of it."""
    inside = isolations([entry for entry in journal if entry.time <= now], ROOMS)
    held = holding([stage_deed(entry) for entry in journal if entry.what in STAGE_WORDS], now)
    judged = {place for place, one in held.items() if one.stage == "quarantine"}
    on_top = {place for place, one in held.items() if one.stage in ("opaque", "egg_box")}
    assert judged <= set(inside) <= judged | on_top
    assert all(one.stage_over == -1 for one in held.values() if one.stage == "quarantine")


@given(journals(), st.sampled_from(["Q1", "Q2"]), st.sampled_from(sorted(SIGNS)))
def test_a_sign_starts_the_clock_of_the_whole_group_anew(journal: list[JournalEntry], place: str, sign: str) -> None:
    """After a sign in one quarantine enclosure all of its room count from then on, at full length; other rooms go on."""
    before = isolations(journal, ROOMS)
    later = BEGIN + 130 * DAY
    after = isolations([*journal, JournalEntry("sign", later, place, sign)], ROOMS)
    assert set(before) == set(after)
    for name, one in after.items():
        same_group = place in before and ROOMS[name] == ROOMS[place]
        assert one.counted_from == (later if same_group else before[name].counted_from)
        assert one.length_seconds == before[name].length_seconds
        assert one.began == before[name].began


@given(journals())
def test_an_animal_added_starts_the_clock_of_its_group_anew(journal: list[JournalEntry]) -> None:
    """A newcomer in Q1 restarts every quarantine of that room; one that moves between two of them restarts none."""
    begun = [JournalEntry("a", BEGIN - DAY, "Q1", "quarantine"), JournalEntry("b", BEGIN - DAY, "Q2", "quarantine")]
    journal = [*begun, *(e for e in journal if e.what not in ("quarantine_over",))]
    later = BEGIN + 130 * DAY
    added = [*journal, JournalEntry("n", later, "Q1", "moved_in", "Newcomer")]
    held = isolations(added, ROOMS)
    assert {held[name].counted_from for name in ("Q1", "Q2")} == {later}
    moved = isolations([*added, JournalEntry("m", later + DAY, "Q2", "moved_in", "Newcomer")], ROOMS)
    assert moved == held


def test_leaving_before_the_end_is_asked_about() -> None:
    """Out of a quarantine that is not over, a move is asked about with the days left; within it, or from elsewhere, not."""
    journal = [
        JournalEntry("a", BEGIN, "Q1", "moved_in", "Ash"), JournalEntry("b", BEGIN, "Q1", "quarantine", "", "", BEGIN + 30 * DAY),
        JournalEntry("c", BEGIN, "Q2", "quarantine"), JournalEntry("d", BEGIN, "T01", "moved_in", "Birch"),
    ]  # fmt: skip
    now = BEGIN + 10 * DAY
    assert crossing(journal, ROOMS, "Ash", "T02", now) == "Ash would leave quarantine 20 days before its end"
    assert crossing(journal, ROOMS, "ash", "Q2", now) == ""
    assert crossing(journal, ROOMS, "Birch", "T02", now) == ""
    late = crossing(journal, ROOMS, "Ash", "T02", BEGIN + 40 * DAY)
    assert late == "Ash would leave quarantine before anybody said that it is over"
    over = [*journal, JournalEntry("e", now - 60, "Q1", "quarantine_over")]
    assert crossing(over, ROOMS, "Ash", "T02", now) == ""
