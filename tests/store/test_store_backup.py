"""Copies, what is done about a damaged file, and older schemas."""

from __future__ import annotations

import importlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper.store.backup import back_up, backups, look_into, newest_good, restore, surplus
from dewkeeper.store.database import BLOCK_SECONDS, FILE_NAME
from dewkeeper.store.errors import BackupFailed, StoreUnusable
from dewkeeper.store.health import Disk
from dewkeeper.store.migrate import STEPS
from dewkeeper.store.rescue import open_or_rescue
from dewkeeper.store.ring import table
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


def test_an_unmounted_drive_and_a_failing_command_are_told(shelf: Shelf, tmp_path: Path) -> None:
    """A backup that did not reach its place says why."""
    with pytest.raises(BackupFailed, match="not mounted"):
        back_up(shelf.folder, Backup(folder=tmp_path, require_mount=True), MIDNIGHT)
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


def _old_schema(folder: Path, steps: int = 1) -> None:
    folder.mkdir(exist_ok=True)
    connection = sqlite3.connect(folder / FILE_NAME)
    for step in STEPS[:steps]:
        for statement in importlib.import_module(f"dewkeeper.store.migrations.versions.{step}").STATEMENTS:
            connection.execute(statement)
    connection.execute("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
    connection.execute("INSERT INTO alembic_version VALUES (?)", (STEPS[steps - 1][1:5],))
    connection.execute("INSERT INTO probe VALUES (1, 'b1', 'sht3x')")
    key = (MIDNIGHT << 10) + 1
    plain = "reading" if steps <= STEPS.index("v0006_ring") else table(key)
    connection.execute(f"INSERT INTO {plain} VALUES (?, 27000, 40000)", (key,))  # noqa: S608
    connection.commit()
    connection.close()


def _tables(folder: Path) -> dict[str, str]:
    with closing(sqlite3.connect(folder / FILE_NAME)) as connection:
        found = connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()
    return {name: "".join(sql.split()) for name, sql in found}


@pytest.mark.parametrize("steps", range(1, len(STEPS)))
def test_every_earlier_schema_is_brought_up_to_date(tmp_path: Path, steps: int) -> None:
    """A database of each earlier schema opens with its reading and has the tables of a new one."""
    _old_schema(tmp_path / "old", steps)
    for name in ("old", "new"):
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        Store.open(folder, Storage(folder=folder), ManualClock()).close()
    assert len(_rows(tmp_path / "old")) == 1
    assert _tables(tmp_path / "old") == _tables(tmp_path / "new")


def test_quarter_hours_that_lay_by_probe_are_found_by_day(tmp_path: Path) -> None:
    """Every row of the fourth schema's quarter hours is there after the change, under its probe and its moment."""
    _old_schema(tmp_path, 4)
    quarters = (MIDNIGHT // 900 - 3, MIDNIGHT // 900, MIDNIGHT // 900 + 95, MIDNIGHT // 900 + 500)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        connection.execute("INSERT INTO probe VALUES (1023, 'b2', 'sht3x')")
        wanted = {(probe, quarter): tuple(range(probe, probe + 14)) for probe in (1, 1023) for quarter in quarters}
        for place, values in wanted.items():
            connection.execute(f"INSERT INTO rollup VALUES ({','.join('?' * 16)})", (*place, *values))  # noqa: S608
        connection.commit()
    Store.open(tmp_path, Storage(folder=tmp_path), ManualClock()).close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        found = connection.execute("SELECT * FROM rollup ORDER BY key").fetchall()
    assert {(key >> 7 & 1023, (key >> 17) * 96 + (key & 127)): tuple(values) for key, *values in found} == wanted


@pytest.mark.parametrize(
    ("steps", "place"),
    [
        (6, lambda quarter, probe: quarter << 10 | probe),
        (7, lambda quarter, probe: (quarter // 2 << 10 | probe) << 1 | quarter % 2),
    ],
)
def test_recent_quarter_hours_that_lay_otherwise_are_found_by_hour(
    tmp_path: Path, steps: int, place: Callable[[int, int], int]
) -> None:
    """Recent quarter hours of the sixth and seventh schema, of whole hours, keep their probes and moments; the archive its end."""
    _old_schema(tmp_path, steps)
    midnight = MIDNIGHT // 900
    rows = {
        (quarter, probe): tuple(range(probe + quarter % 7, probe + quarter % 7 + 14))
        for quarter in range(midnight - 3, midnight + 6)
        for probe in (1, 2, 1023)
    }
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        for (quarter, probe), values in rows.items():
            connection.execute(f"INSERT INTO recent VALUES ({','.join('?' * 15)})", (place(quarter, probe), *values))  # noqa: S608
        connection.execute("UPDATE covered SET rolled = ?, until = ?", (midnight - 3, midnight + 6))
        connection.execute("INSERT INTO chunk VALUES (?, 1, x'')", (MIDNIGHT // BLOCK_SECONDS << 10 | 1,))
        connection.commit()
    Store.open(tmp_path, Storage(folder=tmp_path), ManualClock()).close()
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        found = connection.execute("SELECT * FROM recent ORDER BY key").fetchall()
        reach = connection.execute("SELECT until, archived FROM covered").fetchone()
    assert reach == (midnight + 4, MIDNIGHT // BLOCK_SECONDS + 1)
    assert {((key >> 12) * 4 + (key & 3), key >> 2 & 1023): tuple(values) for key, *values in found} == {
        place: values for place, values in rows.items() if place[0] < midnight + 4
    }


def test_a_newer_schema_is_refused_and_left_alone(tmp_path: Path) -> None:
    """After going back to an older version the file is not touched, and the message says what to do."""
    _old_schema(tmp_path)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    with pytest.raises(StoreUnusable, match=r"newer version.*update dewkeeper"):
        Store.open(tmp_path, Storage(folder=tmp_path), ManualClock())


def test_a_failed_migration_leaves_the_old_file_as_it_was(tmp_path: Path) -> None:
    """A step that fails half-way is undone whole."""
    _old_schema(tmp_path)
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute("CREATE TABLE exclusion (in_the_way)")  # the last of the step's three tables
    connection.close()
    with pytest.raises(OSError, match="already exists"):
        Store.open(tmp_path, Storage(folder=tmp_path), ManualClock())
    connection = sqlite3.connect(tmp_path / FILE_NAME)
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    assert "chunk" not in tables
    assert connection.execute("SELECT count(*) FROM reading").fetchone() == (1,)
    connection.close()


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
