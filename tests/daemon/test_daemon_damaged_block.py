"""A flipped bit in the archive, met by a running daemon."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import Any

from tests.store.conftest import Shelf
from tests.store.test_store_damaged_block import flip_a_bit

from dewkeeper.service.client import request
from dewkeeper.store import History
from dewkeeper.store.backup import back_up, look_into
from dewkeeper.store.database import BLOCK_SECONDS, FILE_NAME
from dewkeeper_config.models import Backup

DAYS = 8


def test_a_calibration_over_a_damaged_block_stops_nothing_and_the_night_mends_it(racks: Any, phone: Any) -> None:
    """It is recorded, readings go on, the block is told by probe and hours; the nightly job brings it back from the copy."""
    config = racks.config()
    settings = Backup(folder=racks.folder / "copies", require_mount=False)
    config = config.but(storage=config.storage.but(backup=settings))
    racks.clock.step(11 * 3600)  # a quarter past three in the morning: the night's work is soon
    now = int(racks.clock.wall())
    first = (now // BLOCK_SECONDS - DAYS // 2) * BLOCK_SECONDS
    shelf = Shelf(racks.folder)
    times = range(first, first + DAYS * 86400 - 7200, 600)
    shelf.put([(at, probe, 26000 + at // 600 % 50, 40000, True) for at in times for probe in ("t1", "t2")])
    shelf.compact()
    shelf.store.close()
    with closing(sqlite3.connect(racks.folder / FILE_NAME)) as database:
        database.execute("DELETE FROM snapshot")  # which is no judge's
        database.commit()
    back_up(racks.folder, settings, now - 86400)
    flip_a_bit(racks.folder, (first // BLOCK_SECONDS << 10) + 1)

    daemon = racks.start(config)
    asked = {"do": "calibrate", "probe": "t1", "humidity_offset_percent": 1.0, "time": first, "who": "Ina"}
    assert request(racks.folder, asked)["not_recorded"] == ""
    racks.clock.advance(900)
    phone.wait_until(lambda message: "cannot be read" in "\n".join(message["lines"]), "what is damaged")
    told = next(message for message in phone.messages if "cannot be read" in "\n".join(message["lines"]))
    assert "t1 from" in "\n".join(told["lines"])
    with History.open(racks.folder) as history:
        assert len(history.raw("t1", first, first + BLOCK_SECONDS)) == 0
        assert len(history.raw("t1", now, now + 900)) >= 15
    racks.clock.advance(4 * 3600)
    daemon.calendar.run_due()
    racks.clock.advance(600)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert len(history.raw("t1", first, first + BLOCK_SECONDS)) == 288
    assert not daemon._ledger.store.damage
    assert "system.cleared" in [message["type"] for message in phone.messages]


def test_a_page_gone_bad_is_found_by_the_nightly_copy_and_mended_while_it_runs(racks: Any, phone: Any) -> None:
    """Nobody reads old events: the copy finds the page, what can be read is taken over, and the copy is made of that."""
    config = racks.config()
    settings = Backup(folder=racks.folder / "copies", require_mount=False)
    config = config.but(storage=config.storage.but(backup=settings))
    racks.clock.step(10 * 3600)
    daemon = racks.start(config)
    daemon.handle({"do": "journal", "enclosure": "T1", "what": "note", "who": "Ina", "detail": "kept"})
    racks.clock.advance(3600)
    with closing(sqlite3.connect(racks.folder / FILE_NAME)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = other.execute("SELECT rootpage FROM sqlite_master WHERE name = 'message'").fetchone()
    with (racks.folder / FILE_NAME).open("r+b") as handle:
        handle.seek((root - 1) * 4096)
        handle.write(b"\xa5" * 4096)
    racks.clock.advance(3 * 3600)
    daemon.calendar.run_due()
    daemon.copying.join(60)
    racks.clock.advance(1200)
    racks.stop(daemon)
    told = "\n".join("\n".join([message["title"], *message["lines"]]) for message in phone.messages)
    assert "set aside as dewkeeper.db.damaged-" in told
    assert "Part could not be read of: messages" in told
    (copy,) = (racks.folder / "copies").glob("dewkeeper-*.db")
    assert look_into(copy).journal == 1
    with History.open(racks.folder) as history:
        assert len(history.raw("t2", 0, 1 << 40)) == 1 + 4 * 60 + 20
        assert [entry.detail for entry in history.journal()] == ["kept"]
