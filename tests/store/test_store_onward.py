"""Who keeps a copy elsewhere learns what is new, and which of the past is not what it was."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.judge.types import Event, Exclusion, JournalEntry, Rebase
from dewkeeper.store.altered import Altered, note, read
from dewkeeper.store.database import Connection
from dewkeeper.store.export import export
from dewkeeper.store.importing import import_journal, import_readings
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch


def _poll(shelf: Shelf, at: int) -> None:
    shelf.put([(at, "b1", 26000, 40000, True), (at, "b2", 26001, 40001, True)])


def _altered(shelf: Shelf) -> list[Altered]:
    with Onward.open(shelf.folder) as onward:
        return list(onward.altered())


def test_what_only_adds_changes_nothing_of_the_past(shelf: Shelf) -> None:
    """Readings in order of time, items and events, and the archive's own work leave the past as it was."""
    for day in range(8):
        _poll(shelf, MIDNIGHT + day * 86400)
    shelf.store.commit(Batch(items=(JournalEntry("j", MIDNIGHT, "B1", "misted"),)))
    assert shelf.compact() > 0
    assert _altered(shelf) == []


def test_a_late_fault_names_what_it_excludes(shelf: Shelf) -> None:
    """The span of an exclusion is not what it was, to its last second."""
    for minute in range(5):
        _poll(shelf, MIDNIGHT + 60 * minute)
    shelf.store.commit(Batch(exclusions=(Exclusion("b1", MIDNIGHT + 60, MIDNIGHT + 120, ("drift",)),)))
    assert _altered(shelf) == [Altered(1, MIDNIGHT + 60, MIDNIGHT + 121, moved=False)]


def test_a_clock_stepped_back_names_where_readings_came_to_lie(shelf: Shelf) -> None:
    """Readings between or on those that were there are a change of the past; the polls after them grow into one span."""
    for minute in range(5):
        _poll(shelf, MIDNIGHT + 60 * minute)
    _poll(shelf, MIDNIGHT + 60)
    _poll(shelf, MIDNIGHT + 61)
    (one,) = _altered(shelf)
    assert (one.number, one.start, one.moved) == (2, MIDNIGHT + 61, False)
    with Onward.open(shelf.folder) as onward:
        late = [stored.reading.time for stored in onward.raw("b1", one.start, one.end)]
    assert late == [MIDNIGHT + 61, MIDNIGHT + 62]


def test_what_is_dated_anew_is_said_to_have_moved(shelf: Shelf) -> None:
    """From the earlier of the old and the new time on, nothing need be where it was."""
    for minute in range(5):
        _poll(shelf, MIDNIGHT + 60 * minute)
    shelf.store.commit(Batch(items=(Rebase(MIDNIGHT + 900, 3600, dates_since=MIDNIGHT + 120),)))
    (one,) = _altered(shelf)
    assert (one.start, one.moved) == (MIDNIGHT + 120, True)
    assert one.end > MIDNIGHT + 120 + 3600 * 24 * 365


def test_an_import_names_the_days_it_reaches(tmp_path: Path) -> None:
    """What an import stored lies in the spans it names; once more, it names none."""
    first, second = Shelf(tmp_path / "first"), Shelf(tmp_path / "second")
    for day in (0, 1, 2, 9):
        _poll(first, MIDNIGHT + day * 86400)
    first.store.commit(Batch(items=(JournalEntry("j", MIDNIGHT, "B1", "misted"),)))
    export(first.folder, tmp_path / "first.csv")
    second.store.close()
    import_readings(second.folder, tmp_path / "first.csv")
    named = _altered(second)
    assert all(any(one.start <= time < one.end for one in named) for time, _ in first.plain)
    import_readings(second.folder, tmp_path / "first.csv")
    import_journal(second.folder, tmp_path / "first.csv.journal.csv")
    assert _altered(second) == named
    with Onward.open(second.folder) as onward:
        assert onward.reach() == (MIDNIGHT, MIDNIGHT + 9 * 86400)
        (item,) = onward.items_beyond(0, 0, 10)  # an imported item's number lies below all others
        assert item.seq < 0
        assert onward.items_beyond(item.seq, 0, 10) == []
    first.store.close()


def test_items_events_and_alarms_are_taken_in_parts(shelf: Shelf) -> None:
    """In order of their numbers, at most as many as asked for, each under one identity that stays."""
    entries = tuple(JournalEntry(f"j{n}", MIDNIGHT + n, "B1", "misted") for n in range(5))
    events = tuple(
        Event(
            f"e{n}", f"a{n % 2}", MIDNIGHT + n, "raised", "dry", "B1", "b1", "target", "low", "unacknowledged", MIDNIGHT
        )
        for n in range(4)
    )
    shelf.store.commit(Batch(items=(*entries, Rebase(MIDNIGHT + 9, 0), Rebase(MIDNIGHT + 9, 0)), events=events))
    with Onward.open(shelf.folder) as onward:
        assert onward.reach() is None
        taken, high = [], 0
        while part := onward.items_beyond(0, high, 2):
            assert len(part) <= 2
            taken += part
            high = part[-1].seq
        assert [one.identity for one in taken[:5]] == ["j0", "j1", "j2", "j3", "j4"]
        assert taken[5].identity == taken[6].identity  # they say the same
        assert onward.items_between(MIDNIGHT + 1, MIDNIGHT + 3) == taken[1:3]
        assert [one.identity for one in onward.events_beyond(0, 10)] == ["e0", "e1", "e2", "e3"]
        assert [one.identity for one in onward.events_between(MIDNIGHT + 2, MIDNIGHT + 9)] == ["e2", "e3"]
        (alarm,) = onward.alarms_of(["a1"])
        assert (alarm.identity, alarm.kind, json.loads(alarm.data)["alarm"]) == ("a1", "unacknowledged", "a1")
        assert [one.identity for one in onward.alarms_between(MIDNIGHT, MIDNIGHT + 2)] == ["a0", "a1"]


@given(st.lists(st.tuples(st.integers(0, 1000), st.integers(1, 50), st.booleans()), max_size=120))
def test_no_change_is_forgotten_however_many_there_are(changes: list[tuple[int, int, bool]]) -> None:
    """Whoever has seen all up to some number finds every later change inside the spans with larger numbers."""
    with closing(sqlite3.connect(":memory:", factory=Connection)) as connection:
        connection.execute("CREATE TABLE note (name TEXT PRIMARY KEY, value TEXT NOT NULL)")
        seen = 0
        since: list[tuple[int, int]] = []
        for count, (start, length, moved) in enumerate(changes, 1):
            note(connection, start, start + length, moved=moved)
            since.append((start, start + length))
            if count % 7 == 0:
                known = read(connection.value("SELECT value FROM note"))
                later = [one for one in known if one.number > seen]
                assert len(known) <= 40
                for first, last in since:
                    assert any(one.start <= first and last <= one.end for one in later)
                seen, since = known[-1].number, []
