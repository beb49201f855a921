"""A flipped bit in the archive, met by a running daemon."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import Any

from tests.store.conftest import Shelf
from tests.store.test_store_damaged_block import flip_a_bit

from dewkeeper.service.client import request
from dewkeeper.store import History
from dewkeeper.store.backup import back_up
from dewkeeper.store.database import BLOCK_SECONDS, FILE_NAME
from dewkeeper_config.models import Backup

DAYS = 8


def test_a_calibration_over_a_damaged_block_stops_nothing_and_the_night_mends_it(racks: Any, phone: Any) -> None:
    """It is recorded, readings go on, the block is told by probe and hours; the nightly job brings it back from the copy."""
    config = racks.config()
    settings = Backup(folder=racks.folder / "copies", require_mount=False)
    config = config.model_copy(update={"storage": config.storage.model_copy(update={"backup": settings})})
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
    racks.clock.advance(15 * 3600)
    daemon.calendar.run_due()
    racks.clock.advance(600)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert len(history.raw("t1", first, first + BLOCK_SECONDS)) == 288
    assert not daemon._ledger.store.damage
    assert "system.cleared" in [message["type"] for message in phone.messages]
