"""One thing that cannot be taken in costs itself: it is refused at the door, or set aside and told, and the rest goes on."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import JournalEntry, Reading
from dewkeeper.sampling.sampler import Cycle
from dewkeeper.service.client import request
from dewkeeper.service.ledger import MOST_READINGS
from dewkeeper.service.page import health_lines
from dewkeeper.service.writer import Chore, Note, Submission
from dewkeeper.store import History
from dewkeeper.store.database import FILE_NAME

NO_TEXT = b"H\xe4utung".decode("utf-8", "surrogateescape")
"""What a shell hands over for Latin-1 bytes (PEP 383)."""
LOST = "lost because memory for what waits is bounded"


def _given_up(daemon: Any) -> tuple[bool | None, str]:
    """Return the line of the health screen about what was given up: whether all is well, and its words."""
    lines = health_lines(
        daemon.config, daemon.heartbeats, "", daemon.timeline.now(), daemon.losses, daemon.pulse, clock_trusted=True
    )
    return next((line.well, line.text) for line in lines if line.what == "dropped or set aside")


def _told_of_loss(words: str) -> Callable[[dict[str, Any]], bool]:
    """Return whether a message tells that so much was lost."""
    return lambda message: f"{LOST}: {words}" in "\n".join([message["title"], *message["lines"]])


def _readings(folder: Path) -> int:
    with History.open(folder) as history:
        return len(history.raw("t2", 0, 1 << 40))


def test_a_journal_entry_in_latin_1_is_refused_with_words_and_watching_goes_on(racks: Any) -> None:
    """Bytes that are no UTF-8 come back as a refusal that says which word; readings and entries after it are stored."""
    daemon = racks.start(racks.config())
    asked = {"do": "journal", "enclosure": "T1", "what": "note", "who": "Ina"}
    with pytest.raises(CommandRefused, match=r"`detail` holds bytes that are no text.*H\\udce4utung"):
        request(racks.folder, asked | {"detail": NO_TEXT})
    racks.clock.advance(600)
    assert request(racks.folder, asked | {"detail": "Häutung"})["not_recorded"] == ""
    racks.clock.advance(600)
    assert _readings(racks.folder) >= 20
    assert daemon.writer.thread.is_alive()


def test_what_can_never_be_stored_is_set_aside_and_told(racks: Any, phone: Any) -> None:
    """An entry that got past the door is answered as not stored; the readings beside it are, and the keeper is told once."""
    daemon = racks.start(racks.config())
    now = daemon.timeline.now()
    assert "set aside" in daemon.writer.submit(JournalEntry("j", now, "T1", "note", NO_TEXT, entered=now))
    assert daemon.writer.submit(JournalEntry("k", now, "T1", "note", "after it", entered=now)) == ""
    racks.clock.advance(600)
    phone.wait_for("system.raised")
    racks.clock.advance(1200)
    assert daemon.writer.thread.is_alive()
    racks.stop(daemon)
    told = [message for message in phone.messages if "set aside" in "\n".join(message["lines"])]
    assert len(told) == 1
    assert "udce4utung" in "\n".join(told[0]["lines"])
    assert _readings(racks.folder) == 31
    with History.open(racks.folder) as history:
        assert [entry.detail for entry in history.journal()] == ["after it"]


def test_a_stored_entry_of_a_kind_nobody_knows_does_not_stop_the_next_start(racks: Any) -> None:
    """After a rollback there may be items of a newer version, and a bad card garbles others: they are passed over."""
    daemon = racks.start(racks.config())
    racks.clock.advance(300)
    daemon.handle({"do": "journal", "enclosure": "T1", "what": "note", "who": "Ina", "detail": "kept"})
    racks.clock.advance(300)
    racks.stop(daemon)
    with closing(sqlite3.connect(racks.folder / FILE_NAME)) as database:
        for kind, data in (("Prophecy", "{}"), ("JournalEntry", '{"what": 7}'), ("Settings", b"\x00\x01")):
            database.execute(
                "INSERT INTO item (after_key, time, kind, data, lasts) SELECT max(after_key), max(time), ?, ?, 1 FROM item",
                (kind, data),
            )
        database.execute("DELETE FROM snapshot")  # so that all of it is read again
        database.commit()
    daemon = racks.start(racks.config())
    racks.clock.advance(600)
    racks.stop(daemon)
    assert _readings(racks.folder) >= 20
    with History.open(racks.folder) as history:
        assert [entry.detail for entry in history.journal()] == ["kept"]


def test_what_falls_out_of_a_full_mailbox_is_counted_and_its_sender_is_told(racks: Any, phone: Any) -> None:
    """While the writer is held up more comes in than is kept: people hear that it was dropped, the keeper how much was."""
    daemon = racks.start(racks.config())
    held, free = threading.Event(), threading.Event()

    def hold() -> None:
        held.set()
        free.wait(60)

    daemon.writer.mailbox.put(Chore("hold", hold))
    held.wait(60)
    now = daemon.timeline.now()
    daemon.writer.mailbox.put(Cycle(now, tuple(Reading(now, name, 28.0, 65.0) for name in ("t1", "t2"))))
    lost = Submission(JournalEntry("first", now, "T1", "note", entered=now))
    daemon.writer.mailbox.put(lost)
    for _ in range(10_000):
        daemon.writer.mailbox.put(Note("x", "y"))
    assert lost.done.is_set()
    assert "dropped" in lost.error
    free.set()
    racks.clock.advance(600)
    racks.stop(daemon)
    words = "1 entries, commands and results of sending, 2 readings"
    assert any(map(_told_of_loss(words), phone.messages))
    assert _given_up(daemon) == (False, f"{LOST}: {words}")


def test_what_falls_out_of_memory_while_the_disk_refuses_is_counted_and_told(racks: Any, phone: Any) -> None:
    """More readings than the memory for them holds come in while nothing can be stored: the keeper hears how many were lost."""
    daemon = racks.start(racks.config())
    racks.clock.advance(600)
    now = daemon.timeline.now()
    daemon._ledger.refused, daemon._ledger._last_try = "the disk is full", racks.clock.monotonic() + 86400
    waiting = sum(len(batch.readings) for batch in daemon._ledger._pending)
    thousand = tuple(Reading(now, "t1", 28.0, 65.0, 27_000, 40_000) for _ in range(1000))
    for _ in range(MOST_READINGS // 1000 + 7):
        daemon.writer.mailbox.put(Cycle(now, thousand))
    racks.clock.settle()
    daemon._ledger._pending.clear()  # they bear one second and are in nobody's way any more
    lost = 7000 + waiting
    assert _given_up(daemon) == (False, f"{LOST}: {lost} readings")
    racks.clock.advance(30)
    phone.wait_until(_told_of_loss(f"{lost} readings"), "the alarm of what was dropped")
    assert LOST in "".join(alarm.cause for alarm in daemon.writer.alarms if alarm.kind == "system")
    daemon._ledger._last_try = 0.0


def test_nothing_read_is_lost_when_the_clock_goes_back_while_another_program_holds_the_database(racks: Any) -> None:
    """Where a reading will stand cannot be asked then: it is judged as it comes, waits, and is stored when it can be."""
    daemon = racks.start(racks.config())
    racks.clock.advance(1800)
    racks.clock.step(-1200)
    racks.clock.advance(60)
    store = daemon._ledger.store
    store._file.connection().execute("PRAGMA busy_timeout = 0")  # else each try takes five seconds
    with closing(sqlite3.connect(racks.folder / FILE_NAME, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        racks.clock.advance(600)
        assert daemon.losses.aside == {}
        assert "another program holds the database" in daemon._ledger.refused
        reading, _ = daemon.writer.newest["t2"]
        assert daemon.timeline.now() - reading.time < 120
        assert daemon.work.dead() == ["recording"]
        other.execute("ROLLBACK")
    racks.clock.advance(120)
    assert daemon.work.dead() == []
    assert daemon.losses.aside == {}
    racks.stop(daemon)
    assert _readings(racks.folder) == 1 + (1800 + 60 + 600 + 120) // 60
