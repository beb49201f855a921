"""The daemon and its database's troubles: damage at start and while running, backups, an import in the way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from dewkeeper.store import History
from dewkeeper.store.backup import back_up
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.lock import WriterLock
from dewkeeper_config.models import Backup, Config


def _with_copies(racks: Any, **air: Any) -> Config:
    config = racks.config(**air)
    backup = Backup(folder=racks.folder / "copies", require_mount=False)
    made: Config = config.but(storage=config.storage.but(backup=backup))
    return made


def _texts(phone: Any) -> str:
    return "\n".join("\n".join([message["title"], *message["lines"]]) for message in phone.messages)


def _count(folder: Path) -> int:
    with History.open(folder) as history:
        return len(history.raw("t2", 0, 1 << 40))


def _overwrite(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    with file.open("r+b") as handle:
        handle.write(content)


def test_damage_at_start_is_mended_from_the_backup_and_told_once(racks: Any, phone: Any) -> None:
    """Pages overwritten while the daemon was down: the copy comes back, readings go on, one message; then it is over."""
    config = _with_copies(racks)
    racks.stop_after(racks.start(config), 1800)
    back_up(racks.folder, config.storage.backup, int(racks.clock.wall()))
    _overwrite(racks.folder / FILE_NAME)
    racks.stop_after(racks.start(config), 900)
    assert "set aside as dewkeeper.db.damaged-" in _texts(phone)
    assert len(phone.messages) == 1
    assert _count(racks.folder) == 31 + 16
    racks.stop_after(racks.start(config), 900)
    assert [m["type"] for m in phone.messages] == ["system.raised", "system.cleared"]


def test_damage_while_running_is_mended_and_the_reading_that_met_it_is_stored(racks: Any, phone: Any) -> None:
    """Pages overwritten under the running daemon: found at a commit, the copy comes back, nothing pending is lost, nor a calibration."""
    config = _with_copies(racks)
    daemon = racks.start(config)
    racks.clock.advance(1800)
    # Commits: else the copy has the last reading only by luck, for poll and idle writer are due at the same second.
    daemon.handle({"do": "journal", "what": "note"})
    back_up(racks.folder, config.storage.backup, int(racks.clock.wall()))
    daemon.handle({"do": "calibrate", "probe": "t2", "humidity_offset_percent": 2.0})
    with closing(sqlite3.connect(racks.folder / FILE_NAME)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.execute("CREATE TABLE disturbance (n)")  # so that the daemon's own page cache is not trusted
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    _overwrite(racks.folder / FILE_NAME)
    racks.clock.advance(1800)
    racks.stop(daemon)
    assert "set aside" in _texts(phone)
    assert _count(racks.folder) == 61
    with History.open(racks.folder) as history:  # the copy does not know it: it is stored again
        assert [one.humidity_offset_percent for one in history.calibrations().of("t2")] == [2.0]


def test_an_import_in_the_way_is_waited_for(racks: Any, phone: Any) -> None:
    """While another process has the writer's place the daemon watches from memory and says who it is, then records."""
    racks.folder.mkdir(exist_ok=True)
    with WriterLock(racks.folder, "an import"):
        daemon = racks.start(racks.config())
        racks.clock.advance(600)
    racks.clock.advance(600)
    racks.stop(daemon)
    assert "an import (process" in _texts(phone)
    assert _count(racks.folder) == 21


def test_a_backup_that_fails_is_told_and_one_that_works_ends_it(racks: Any, phone: Any, card: Path) -> None:
    """The drive is not mounted at night: an alarm with the reason; back the next night, it is over and a copy is there."""
    config = _with_copies(racks, poll_seconds=600)
    backup = config.storage.backup.but(folder=card, require_mount=True)
    unplugged = config.but(storage=config.storage.but(backup=backup))
    daemon = racks.start(unplugged)
    racks.clock.advance(15 * 3600)
    daemon.calendar.run_due()
    racks.clock.advance(600)
    racks.stop(daemon)
    assert "is not mounted" in _texts(phone)
    daemon = racks.start(config)
    racks.clock.step(23 * 3600)
    racks.clock.advance(1200)
    daemon.calendar.run_due()
    racks.clock.advance(600)
    racks.stop(daemon)
    assert "system.cleared" in [m["type"] for m in phone.messages]
    assert len(list((racks.folder / "copies").glob("dewkeeper-*.db"))) == 1
