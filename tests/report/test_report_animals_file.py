"""Animals leave and come back as a file: who lived where from when to when, and what each is."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.errors import FileRefused
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animal_facts import DESCRIBED, AnimalFacts, described, is_hatch_date
from dewkeeper.report.animals import animals
from dewkeeper.report.animals_file import ANIMALS_HEADER, animals_journal, write_animals

DAY = 86400
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=10)
NAMES = st.sampled_from(["Nala", "nala", "Zoë", 'Sir "H"', "two\nlines", "=1+1"]) | TEXT.map(
    lambda text: text.replace(",", "")
)
FACTS = st.builds(
    AnimalFacts, st.sampled_from(["", "2021", "2021-06", "2021-06-03"]), st.sampled_from(["", "female", "male"]),
    (TEXT | st.sampled_from(["female, shy", "hatched 2020", ", x", "sex not known"])).map(str.strip),
)  # fmt: skip


@st.composite
def books(draw: st.DrawFn) -> list[JournalEntry]:
    """Return moves, named and not, on the same second too, and what was said of animals, known and unknown."""
    times = sorted(draw(st.lists(st.integers(1, 8).map(lambda n: n * DAY), max_size=12)))
    book = []
    for number, at in enumerate(times):
        what = draw(st.sampled_from(["moved_in", "moved_in", "moved_out", DESCRIBED, "fed"]))
        name = draw(NAMES)
        detail = draw(FACTS).detail(name) if what == DESCRIBED else draw(st.sampled_from([name, f"{name}, 420 g", ""]))
        book.append(JournalEntry(f"e{number}", at, draw(st.sampled_from(["A1", "B 2", "C"])), what, detail))
    return book


def _there_and_back(book: list[JournalEntry], folder: Path) -> tuple[bytes, bytes]:
    one, other = folder / "one.csv", folder / "other.csv"
    with one.open("w", encoding="utf-8", newline="") as file:
        write_animals(animals(book), file)
    refused: list[Any] = []
    rows = animals_journal(one, lambda why, line: refused.append((why, line)))
    assert refused == []
    again = [JournalEntry(str(n), row.time, row.enclosure, row.what, row.detail) for n, row in enumerate(rows)]
    with other.open("w", encoding="utf-8", newline="") as file:
        write_animals(animals(again), file)
    return one.read_bytes(), other.read_bytes()


@given(books())
def test_animals_come_back_as_they_were(book: list[JournalEntry]) -> None:
    """Whatever moved where on whatever second, and whatever was written of it: the file of what was read in is the file, byte for byte."""
    with tempfile.TemporaryDirectory() as name:
        one, other = _there_and_back(book, Path(name))
    assert one == other


@given(NAMES.map(str.strip).filter(bool), FACTS)
def test_what_an_animal_is_is_read_from_what_was_written(name: str, facts: AnimalFacts) -> None:
    """Name, hatch date, sex and notes of an entry are those it was made from, notes that look like a sex too."""
    assert described(facts.detail(name)) == (name, facts)


def test_a_person_may_write_it_by_hand() -> None:
    """What is not said is not known; words that are no date and no sex are notes; the newest entry holds, whatever the capitals."""
    assert described("Nala, female") == ("Nala", AnimalFacts("", "female"))
    assert described("Nala, hatched 2021-13-40, shy") == ("Nala", AnimalFacts("", "", "hatched 2021-13-40, shy"))
    assert [is_hatch_date(text) for text in ("2021", "2021-6", "2021-02-30", "2024-02-29", "")] == [True, False, False, True, False]  # fmt: skip
    book = [
        JournalEntry("1", 1, "A1", "moved_in", "Nala"), JournalEntry("2", 2, None, DESCRIBED, "nala, hatched 2020, male"),
        JournalEntry("3", 3, "A1", DESCRIBED, "NALA, hatched 2021, female, shy"),
    ]  # fmt: skip
    (nala,) = animals(book)
    assert (nala.facts, nala.told) == (AnimalFacts("2021", "female", "shy"), "3")


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("Nala,A1,yesterday,,,,", "no ISO 8601"), (",A1,2026-01-01T00:00:00Z,,,,", "no name"),
        ("Na\"la,A1,2026-01-01T00:00:00Z,,,", "not 7 cells"), ("Nala,A1,2026-01-02T00:00:00Z,2026-01-01T00:00:00Z,,,", "before"),
        ("Nala,A1,2026-01-01T00:00:00Z,,2021-6,,", "hatch date"), ("Nala,A1,2026-01-01T00:00:00Z,,,hen,", "female or male"),
    ],
)  # fmt: skip
def test_rows_that_say_nothing_are_refused_on_their_line(tmp_path: Path, row: str, why: str) -> None:
    """A bad row costs itself, with its line and the reason; a header of another file refuses it whole."""
    file = tmp_path / "animals.csv"
    good = "Ash,A2,2026-01-01T00:00:00Z,,2020,male,"
    file.write_text("\n".join([",".join(ANIMALS_HEADER), row, good]) + "\n", encoding="utf-8")
    refused: list[tuple[str, int]] = []
    found = animals_journal(file, lambda reason, line: refused.append((reason, line)))
    assert [(e.what, e.detail) for e in found] == [("moved_in", "Ash"), (DESCRIBED, "Ash, hatched 2020, male")]
    ((reason, line),) = refused
    assert why in reason
    assert line == 2
    file.write_text("time,enclosure,what\n", encoding="utf-8")
    with pytest.raises(FileRefused, match="moved_in"):
        animals_journal(file, lambda *_: None)
