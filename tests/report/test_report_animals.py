"""Animals as the journal tells of them."""

from __future__ import annotations

from cProfile import Profile
from random import Random

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animals import Stay, animals


def test_said_twice_is_moved_once() -> None:
    """A snake written down as moved in where it already lives has one stay there; from elsewhere it moves, with what was noted."""
    told = [
        ("moved_in", "A1", "Cinder"), ("fed", "A1", "one mouse"), ("moved_in", "A1", "cinder, weighed on the way"),
        ("moved_in", "A4", "Cinder"), ("fed", "A4", "two mice"), ("fed", "A1", "nobody's"),
    ]  # fmt: skip
    (cinder,) = animals(
        [JournalEntry(str(n), n * 60, place, what, detail) for n, (what, place, detail) in enumerate(told)]
    )
    assert cinder.stays == [Stay("A1", 0, 180), Stay("A4", 180)]
    assert cinder.home == "A4"
    assert [entry.detail for entry in cinder.entries] == ["one mouse", "two mice"]


def test_a_word_that_begins_like_a_name_is_about_nobody_alone() -> None:
    """Of two snakes in one tub an entry is about one where its first words are that name, whole; else about both."""
    told = [
        ("moved_in", "A1", "Mo"), ("moved_in", "A1", "Moss"), ("note", "A1", "Moist floor"), ("fed", "A1", "moss, one mouse"),
        ("refused", "A1", "Mo"),
    ]  # fmt: skip
    mo, moss = animals(
        [JournalEntry(str(n), n * 60, place, what, detail) for n, (what, place, detail) in enumerate(told)]
    )
    assert [entry.detail for entry in mo.entries] == ["Moist floor", "Mo"]
    assert [entry.detail for entry in moss.entries] == ["Moist floor", "moss, one mouse"]


def test_what_was_noted_before_its_name_is_the_animals_own() -> None:
    """Entries of a tub where nobody was named are those of the first one named there; one that left unnamed keeps its own."""
    told = [
        ("opaque", "A1", ""), ("moved_out", "A1", ""), ("fed", "A1", "one mouse"), ("moved_in", "A1", "Cinder"),
        ("shed", "A2", ""),
    ]  # fmt: skip
    journal = [JournalEntry(str(n), n * 60, place, what, detail) for n, (what, place, detail) in enumerate(told)]
    assert [(a.name, [e.what for e in a.entries]) for a in animals(journal)] == [("Cinder", ["fed"])]
    everybody = animals(journal, nameless=True)
    assert sorted((a.name, a.home or "", [e.what for e in a.entries]) for a in everybody) == [
        ("", "", ["opaque"]), ("", "A2", ["shed"]), ("Cinder", "A1", ["fed"]),
    ]  # fmt: skip


def test_many_animals_that_moved_often_take_no_longer_than_they_are_many() -> None:
    """Twice as many animals with twice as many moves take about twice the steps, not four times."""

    def steps(many: int) -> int:
        dice, counted = Random(many), Profile()
        journal = [
            JournalEntry(str(n), n * 60, f"T{dice.randrange(many)}", "moved_in", f"Snake {dice.randrange(many)}")
            for n in range(10 * many)
        ]
        counted.runcall(animals, journal)
        return sum(entry.callcount for entry in counted.getstats())

    assert steps(100) < 2.6 * steps(50)
