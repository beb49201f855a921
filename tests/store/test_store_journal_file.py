"""A keeper's book leaves as a file and comes back: the same entries, and so the same facts on every screen."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as settings_of_run
from hypothesis import strategies as st
from tests.amounts import amount
from tests.report.book_year import InventedYear
from tests.store.conftest import MIDNIGHT, Shelf
from tests.store.plain import settings

from dewkeeper.errors import FileRefused
from dewkeeper.interchange import JOURNAL_HEADER, journal_rows
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL, WITHDRAWN
from dewkeeper.report.animals import animals
from dewkeeper.report.quarantine import isolations
from dewkeeper.report.round import RoundFacts, service_round
from dewkeeper.report.round_words import sheet_lines
from dewkeeper.store.export import export
from dewkeeper.store.importing import import_journal
from dewkeeper.store.records import Batch

DAY = 86400
NOW = MIDNIGHT + 60 * DAY
ROOMS = {"B1": "room", "B2": "room", "C1": "back"}
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(
    [
        "Nala",
        "Nala, 420 g",
        "until=",
        "until=friday",
        'in "pieces",\r\nleft eye',
        "ü – 北\ufffd",
        " ",
        "=1+1",
        "\ufeffx",
        "\r",
    ]
)


@st.composite
def books(draw: st.DrawFn) -> list[JournalEntry]:
    """Return a book: entries dated back, put off until a day, corrected (more than once) and taken back, in their order of arrival."""
    book: list[JournalEntry] = []
    for number in range(draw(st.integers(1, 14))):
        at = NOW - draw(st.sampled_from([0, 60, 3600, DAY, 20 * DAY, 59 * DAY]))
        what = draw(st.sampled_from(sorted(set(JOURNAL) - {WITHDRAWN})))
        replaces = draw(st.none() | st.sampled_from([e.id for e in book])) if book else None
        if replaces is not None and draw(st.booleans()):
            what = WITHDRAWN
        book.append(
            JournalEntry(
                draw(st.sampled_from([f"id-{number}", f'"{number}",\n', f"é{number}"])), at,
                draw(st.sampled_from([None, *ROOMS])), what, draw(WORDS), draw(WORDS),
                draw(st.none() | st.integers(1, 40).map(lambda days, at=at: at + days * DAY)),  # type: ignore[misc]
                draw(st.none() | st.integers(0, DAY).map(lambda late, at=at: at + late)),  # type: ignore[misc]
                replaces,
            )
        )  # fmt: skip
    return book


def _facts(shelf: Shelf) -> dict[str, object]:
    """Return what screens are made of: entries, who lives where, quarantine, the round, and which stage held when."""
    with shelf.history() as history:
        journal, in_force = history.journal(), history.in_force()
        year = InventedYear()
        return {
            "all": history.journal(replaced=True),
            "journal": journal,
            "animals": animals(journal, nameless=True),
            "quarantine": isolations(journal, ROOMS),
            "round": sheet_lines(service_round(journal, year.config, NOW, RoundFacts())),
            "stages": [
                in_force.stage(place, at)
                for place in ROOMS
                for at in (NOW - 40 * DAY, NOW - DAY + 1, NOW, NOW + 10 * DAY)
            ],
        }


def _moved(book: Sequence[JournalEntry], folder: Path) -> tuple[Shelf, Shelf]:
    """Return a rack with this book, and an empty one that took its file in; the files lie in `folder`."""
    source, target = Shelf(folder / "source"), Shelf(folder / "target")
    for shelf in (source, target):
        shelf.store.commit(Batch(items=(settings(MIDNIGHT, 60, 55, 65),)))
    for entry in book:
        source.store.commit(Batch(items=(entry,)))
    target.store.close()
    export(source.folder, folder / "out")
    result = import_journal(target.folder, folder / "out.journal.csv", now=NOW)
    assert (result.stored, result.known, result.refused) == (len(book), 0, {})
    target.reopen()
    return source, target


@settings_of_run(max_examples=amount(15, 2000), deadline=None)
@given(book=books())
def test_a_book_comes_back_as_it_was(book: list[JournalEntry]) -> None:
    """Whatever was written, dated back, corrected or taken back: the file of the second rack is the file of the first, byte for byte, and every fact is the same."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, target = _moved(book, folder)
        export(target.folder, folder / "again")
        assert (folder / "again.journal.csv").read_bytes() == (folder / "out.journal.csv").read_bytes()
        assert _facts(target) == _facts(source)
        target.store.close()
        again = import_journal(target.folder, folder / "out.journal.csv", now=NOW)
        assert (again.stored, again.known, again.refused) == (0, len(book), {})
        source.store.close()


def test_only_what_is_named_is_asked_for(tmp_path: Path) -> None:
    """A file by hand needs three columns; the others may stand in any order, a column nobody knows refuses the file."""
    shelf = Shelf(tmp_path / "target")
    shelf.store.close()
    by_hand, ordered, foreign = (tmp_path / name for name in ("by-hand.csv", "ordered.csv", "foreign.csv"))
    by_hand.write_text("time,enclosure,what\n2026-01-01T00:00:00Z,B1,misted\n", encoding="utf-8")
    ordered.write_text(
        "time,enclosure,what,who,detail\n2026-01-02T00:00:00Z,,note,Runa,two words\n2026-01-03T00:00:00Z,B1,fed\n",
        encoding="utf-8",
    )
    foreign.write_text("time,enclosure,what,weather\n2026-01-01T00:00:00Z,B1,misted,rain\n", encoding="utf-8")
    assert import_journal(shelf.folder, by_hand).stored == 1
    assert import_journal(shelf.folder, ordered).stored == 2
    with pytest.raises(FileRefused, match="weather"):
        import_journal(shelf.folder, foreign)
    with shelf.history() as history:
        found = [(e.enclosure, e.what, e.detail, e.who) for e in history.journal()]
    assert found == [("B1", "misted", "", "import"), (None, "note", "two words", "Runa"), ("B1", "fed", "", "import")]


def test_an_end_that_no_screen_could_show_costs_its_entry(tmp_path: Path) -> None:
    """The last evening of the calendar, and the first, are no dates any more in some time zones: such an end is refused on its line."""
    path, refused = tmp_path / "j.csv", []
    ends = ("9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z", "2026-10-01T00:00:00Z")
    path.write_text(
        "time,enclosure,what,detail\n" + "".join(f"2026-09-01T00:00:00Z,B1,opaque,until={end}\n" for end in ends)
    )
    taken = [row.line for row in journal_rows(path, JOURNAL, lambda why, line: refused.append((line, why)))]
    assert taken == [4]
    assert [line for line, why in refused if why.startswith("after until=")] == [2, 3]


def test_an_id_is_one_entry(tmp_path: Path) -> None:
    """The same entry again is known, from a file with ids and from one without; another entry of the same id is refused on its line."""
    shelf = Shelf(tmp_path / "target")
    shelf.store.close()
    file = tmp_path / "journal.csv"
    rows = ["2026-01-01T00:00:00Z,B1,misted,,Runa,,a1,", "2026-01-01T00:00:00Z,B1,fed,,Runa,,a1,", "2026-01-01T00:00:00Z,B1,misted,,Runa,,a1,"]  # fmt: skip
    file.write_text("\n".join([",".join(JOURNAL_HEADER), *rows]) + "\n", encoding="utf-8")
    first = import_journal(shelf.folder, file)
    assert (first.stored, first.known, dict(first.refused)) == (1, 1, {"another entry has the same id": 1})
    assert first.first_line == {"another entry has the same id": 3}
    file.write_text("time,enclosure,what\n2026-01-01T00:00:00Z,B1,misted\n", encoding="utf-8")
    assert import_journal(shelf.folder, file).known == 1
