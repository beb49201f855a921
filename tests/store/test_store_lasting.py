"""What lasts is found without reading the journal, and by whatever words the version that opens the store knows."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import Any

from tests.store.conftest import MIDNIGHT, Shelf
from tests.store.plain import settings

from dewkeeper.judge.types import Command, JournalEntry
from dewkeeper.store.database import FILE_NAME, FileWriter
from dewkeeper.store.records import Batch
from dewkeeper.store.remembered import Remembered, store_item


def _filled(shelf: Shelf) -> None:
    entries = [
        JournalEntry(f"j{n}", MIDNIGHT + n, "B1", "misted", "x" * 300, entered=MIDNIGHT + n) for n in range(3000)
    ]
    entries[700] = JournalEntry(
        "blue", MIDNIGHT + 700, "B2", "opaque", until=MIDNIGHT + 9 * 86400, entered=MIDNIGHT + 700
    )
    entries[900] = JournalEntry("put right", MIDNIGHT + 900, "B1", "note", replaces="j5", entered=MIDNIGHT + 900)
    order = Command("o", MIDNIGHT + 10, "out_of_service", "Ina", enclosure="B3", why="empty", until=MIDNIGHT + 86400)
    shelf.store.commit(Batch(items=(settings(MIDNIGHT, 60, 60, 70), order, *entries)))


def _known(shelf: Shelf) -> tuple[Any, ...]:
    at = MIDNIGHT + 86000
    with shelf.history() as history:
        held, shown = history.in_force(), history.journal()
    out = held.out_of_service_seconds("B3", MIDNIGHT, MIDNIGHT + 900)
    return held.stage("B2", at), held.stage("B1", at), out, [entry.id for entry in shown]


def test_stages_orders_and_corrections_are_found_without_reading_the_journal(shelf: Shelf) -> None:
    """Of three thousand entries, pages of them, the question what held reads those that last: three and the settings."""
    _filled(shelf)
    blue, plain, _, shown = _known(shelf)
    assert blue != plain
    assert "j5" not in shown
    with closing(sqlite3.connect(shelf.folder / FILE_NAME)) as database:
        assert database.execute("SELECT count(*) FROM item WHERE lasts = 1").fetchone() == (4,)
        asked = "EXPLAIN QUERY PLAN SELECT seq, kind, data FROM item WHERE lasts = 1 AND seq > ? ORDER BY seq"
        (plan,) = database.execute(asked, (0,)).fetchall()
        assert "COVERING INDEX item_lasting" in plan[-1]


def test_what_another_version_did_not_mark_is_marked_when_the_store_is_opened(shelf: Shelf) -> None:
    """A version that knows other words marks by its own; an entry that a bad card garbled is passed over."""
    _filled(shelf)
    before = _known(shelf)
    with closing(sqlite3.connect(shelf.folder / FILE_NAME)) as database:
        database.execute("UPDATE item SET lasts = 0 WHERE word IN ('opaque', 'out_of_service')")
        database.execute("UPDATE item SET data = '{garbled' WHERE kind = 'JournalEntry' AND data ->> '$.id' = 'j7'")
        database.execute("UPDATE note SET value = 'other words' WHERE name = 'words that last'")
        database.commit()
    shelf.reopen()
    blue, plain, service, shown = _known(shelf)
    assert (blue, plain, service) == before[:3]
    assert shown == [one for one in before[3] if one != "j7"]
    with shelf.history() as history:
        assert [entry.id for entry in history.journal(words=["opaque"], enclosure="B2")] == ["blue"]


def test_the_past_is_measured_anew_once_an_enclosure_however_many_stages_come_in(shelf: Shelf) -> None:
    """A book of three years, a stage every three weeks in each tub: its limits changed in one span, from its first stage to its last."""
    shelf.store.commit(Batch(items=(settings(MIDNIGHT, 60, 60, 70),)))
    shelf.store.close()
    spaced = 21 * 86400
    entries = [
        JournalEntry(f"{tub} {n}", at := MIDNIGHT + spaced * n, tub, "opaque", until=at + 9 * 86400)
        for tub in ("B1", "B2")
        for n in range(50)
    ]
    before, after = Remembered(), Remembered()
    with closing(FileWriter(shelf.folder / FILE_NAME)) as file, file.transaction() as connection:
        before.bring_up_to_date(connection)
        for entry in entries:
            store_item(connection, entry, 0)
        after.bring_up_to_date(connection)
    last = MIDNIGHT + spaced * 49 + 9 * 86400
    spans = [(start, end) for _, start, end in after.changed(before.in_force, entries, last + 86400)]
    assert spans == [(MIDNIGHT, last)] * 2
