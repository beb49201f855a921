"""Copies, and what is done about a damaged file."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.store import History
from dewkeeper.store.backup import back_up, backups, look_into, newest_good, restore, surplus
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.errors import BackupFailed
from dewkeeper.store.health import Disk
from dewkeeper.store.rescue import open_or_rescue
from dewkeeper_config.models import Backup, Storage


def _filled(shelf: Shelf) -> None:
    for day in range(6):
        shelf.put([(MIDNIGHT + day * 86400 + 900 * i, "b1", 26000 + i, 40000 - i, i % 7 != 0) for i in range(96)])
    shelf.compact()


def _ended(tmp_path: Path, *, with_backup: bool) -> tuple[Path, Storage]:
    """Return the folder of a filled store that was closed, and its settings; with a copy or without."""
    shelf = Shelf(tmp_path / "state")
    _filled(shelf)
    storage = Storage(folder=shelf.folder, backup=Backup(folder=tmp_path / "copies", require_mount=False))
    if with_backup:
        back_up(shelf.folder, storage.backup, MIDNIGHT)
    shelf.store.close()
    return shelf.folder, storage


def _rows(folder: Path) -> list[object]:
    with History.open(folder) as history:
        return list(history.raw("b1", 0, 1 << 40))


def test_a_restored_backup_equals_its_source(shelf: Shelf, tmp_path: Path) -> None:
    """A copy made while the store is open, brought back elsewhere, gives every reading and verdict."""
    _filled(shelf)
    copy = back_up(shelf.folder, Backup(folder=tmp_path / "copies", require_mount=False), MIDNIGHT)
    assert look_into(copy).readings == 6 * 96
    elsewhere = tmp_path / "elsewhere"
    restore(copy, elsewhere, MIDNIGHT)
    assert _rows(elsewhere) == _rows(shelf.folder)


def test_restore_destroys_nothing(shelf: Shelf, tmp_path: Path) -> None:
    """An existing database is refused, and set aside when replacing is asked for."""
    _filled(shelf)
    copy = back_up(shelf.folder, Backup(folder=tmp_path / "copies", require_mount=False), MIDNIGHT)
    shelf.put([(MIDNIGHT + 9 * 86400, "b1", 1, 1, True)])
    shelf.store.close()
    with pytest.raises(BackupFailed, match="nothing was changed"):
        restore(copy, shelf.folder, MIDNIGHT)
    aside = restore(copy, shelf.folder, MIDNIGHT, replace=True)
    assert aside is not None
    assert look_into(aside).readings == 6 * 96 + 1
    assert len(_rows(shelf.folder)) == 6 * 96


def test_an_unmounted_drive_and_a_failing_command_are_told(shelf: Shelf, tmp_path: Path, card: Path) -> None:
    """A backup that did not reach its place says why."""
    with pytest.raises(BackupFailed, match="not mounted"):
        back_up(shelf.folder, Backup(folder=card, require_mount=True), MIDNIGHT)
    with pytest.raises(BackupFailed, match="ended with 1"):
        back_up(
            shelf.folder, Backup(folder=tmp_path / "copies", command=["false", "{file}"], require_mount=False), MIDNIGHT
        )


def test_rotation_keeps_days_and_months() -> None:
    """The newest of each of the last days and the first of each of the last months stay."""
    copies = [Path(f"dewkeeper-2026{month:02d}{day:02d}-040000.db") for month in (1, 2, 3) for day in (1, 2, 3)]
    assert [path.name[10:18] for path in copies if path not in surplus(copies, 2, 2)] == [
        "20260201", "20260301", "20260302", "20260303",
    ]  # fmt: skip


def test_the_newest_good_copy_is_taken(shelf: Shelf, tmp_path: Path) -> None:
    """A damaged newer copy is passed over."""
    _filled(shelf)
    folder = tmp_path / "copies"
    good = back_up(shelf.folder, Backup(folder=folder, require_mount=False), MIDNIGHT)
    bad = back_up(shelf.folder, Backup(folder=folder, require_mount=False), MIDNIGHT + 86400)
    bad.write_bytes(bad.read_bytes()[:5000])
    found = newest_good(folder)
    assert found is not None
    assert found.path == good
    assert backups(folder) == [good, bad]


@pytest.mark.parametrize("with_backup", [True, False])
def test_a_damaged_database_is_set_aside_and_recording_goes_on(tmp_path: Path, with_backup: bool) -> None:
    """Overwritten pages: the newest good copy comes back, or a fresh file, and both say so."""
    folder, storage = _ended(tmp_path, with_backup=with_backup)
    file = folder / FILE_NAME
    content = bytearray(file.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    file.write_bytes(content)
    store, rescue = open_or_rescue(folder, storage, ManualClock())
    store.close()
    assert rescue is not None
    assert rescue.aside is not None
    assert (folder / rescue.aside.name).exists()
    assert ("576 readings is in use" if with_backup else "no good backup") in rescue.text()
    assert len(_rows(folder)) == (576 if with_backup else 0)


@pytest.mark.parametrize("with_backup", [True, False])
def test_a_database_that_is_gone_is_no_first_start(tmp_path: Path, with_backup: bool) -> None:
    """The file vanished: the newest good copy comes back, or a fresh file, and both say so."""
    folder, storage = _ended(tmp_path, with_backup=with_backup)
    (folder / FILE_NAME).unlink()
    store, rescue = open_or_rescue(folder, storage, ManualClock(wall=MIDNIGHT + 7 * 86400))
    store.close()
    assert rescue is not None
    assert rescue.text().startswith("The database was gone. ")
    assert len(_rows(folder)) == (576 if with_backup else 0)


def test_the_very_first_start_is_no_rescue(tmp_path: Path) -> None:
    """An empty folder gets a database and no alarm."""
    store, rescue = open_or_rescue(tmp_path, Storage(folder=tmp_path), ManualClock())
    store.close()
    assert rescue is None


def test_what_a_damaged_file_still_gives_is_taken_over(tmp_path: Path) -> None:
    """Readings after the backup, in pages that are whole, join the restored copy."""
    shelf = Shelf(tmp_path / "state")
    shelf.put([(MIDNIGHT + 60 * i, "b1", 26000 + i, 40000, True) for i in range(3000)])
    storage = Storage(folder=shelf.folder, backup=Backup(folder=tmp_path / "copies", require_mount=False))
    back_up(shelf.folder, storage.backup, MIDNIGHT)
    shelf.put([(MIDNIGHT + 60 * i, "b1", 26000, 40000, i % 10 != 0) for i in range(3000, 4000)])
    shelf.store.close(sound=False)
    file = shelf.folder / FILE_NAME
    connection = sqlite3.connect(file)  # a page in the middle of an index nobody needs for reading rows
    root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'event_time'").fetchone()[0]
    connection.close()
    content = bytearray(file.read_bytes())
    content[(root - 1) * 4096 : root * 4096] = b"\xa5" * 4096
    file.write_bytes(content)
    store, rescue = open_or_rescue(shelf.folder, storage, ManualClock(wall=MIDNIGHT + 7 * 86400))
    store.close()
    assert rescue is not None
    assert rescue.salvage is not None
    assert rescue.salvage.rows["readings"] == 4000
    with History.open(shelf.folder) as history:
        rows = history.raw("b1", 0, 1 << 40)
    assert len(rows) == 4000
    assert sum(not row.quality.counts for row in rows) == 100


def test_disk_troubles_are_reported_and_unknown_ones_are_not(tmp_path: Path) -> None:
    """Each source alone becomes a report; one that cannot be asked gives none."""

    def gone(_: Path) -> tuple[int, int]:
        raise OSError("no such source")

    storage = Storage(folder=tmp_path)
    sick = Disk(storage, lambda _: (5, 100), lambda _: (True, "overlay"), lambda _: 1 << 30)
    well = Disk(storage, lambda _: (50, 100), lambda _: (False, "ext4"), lambda _: 0)
    names = {"disk space", "disk read-only", "disk overlay", "database log"}
    assert {r.what for r in sick.reports(0) if r.trouble} == names
    assert {r.what for r in well.reports(0) if not r.trouble} == names
    for missing in range(3):
        sources: list[Any] = [lambda _: (50, 100), lambda _: (False, "ext4"), lambda _: 0]
        kept = [{"disk space"}, {"disk read-only", "disk overlay"}, {"database log"}]
        sources[missing] = gone
        assert {r.what for r in Disk(storage, *sources).reports(0)} == names - kept[missing]


def test_the_ballast_is_laid_down_once_and_given_up_once(tmp_path: Path) -> None:
    """Giving the ballast up frees its space; on a small disk there is none."""
    small = Disk(Storage(folder=tmp_path, ballast_mb=1), lambda _: (2 << 20, 4 << 20))
    small.keep_ballast()
    assert not small.give_up_ballast()
    ample = Disk(Storage(folder=tmp_path, ballast_mb=1), lambda _: (1 << 30, 1 << 31))
    ample.keep_ballast()
    assert (tmp_path / "ballast").stat().st_size == 1 << 20
    assert ample.give_up_ballast()
    assert not ample.give_up_ballast()
