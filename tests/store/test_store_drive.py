"""The drive that copies lie on: half-written copies, a full stick, a stick that is not there, and whose fault it was."""

from __future__ import annotations

import os
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.store.backup import back_up, backups, look_into
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.drive import HIDDEN, alone, crowded
from dewkeeper.store.errors import BackupFailed
from dewkeeper_config.models import Backup

DAY = 86400


def _filled(shelf: Shelf, readings: int = 600) -> None:
    shelf.put([(MIDNIGHT + 60 * i, "b1", 26000 + i % 500, 40000 - i % 700, True) for i in range(readings)])


@pytest.fixture
def stick(card: Path) -> Iterator[Path]:
    """Mount a small file system as a stick and return its mount point."""
    folder = card / "stick"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "stick", str(folder)], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="mounts a file system")


def test_half_written_copies_are_cleared_away(shelf: Shelf, tmp_path: Path) -> None:
    """What a kill or a pulled stick left behind is gone after the next copy, SQLite's own file beside it too."""
    _filled(shelf)
    folder = tmp_path / "copies"
    folder.mkdir()
    for name in (".dewkeeper-20260101-031000.db.part", ".dewkeeper-20260101-031000.db.part-journal"):
        (folder / name).write_bytes(b"half")
    (folder / "holiday.jpg").write_bytes(b"not ours")
    copy = back_up(shelf.folder, Backup(folder=folder, require_mount=False), MIDNIGHT)
    assert sorted(path.name for path in folder.iterdir()) == [copy.name, "holiday.jpg"]


def test_a_copy_that_fails_leaves_nothing_half_written(shelf: Shelf, tmp_path: Path) -> None:
    """The database cannot be read: no `.part` stays on the drive, and the copy from before is untouched."""
    _filled(shelf)
    settings = Backup(folder=tmp_path / "copies", require_mount=False)
    before = back_up(shelf.folder, settings, MIDNIGHT)
    shelf.store.close()
    _spoil(shelf.folder / FILE_NAME)
    with pytest.raises(BackupFailed):
        back_up(shelf.folder, settings, MIDNIGHT + DAY)
    assert list((tmp_path / "copies").iterdir()) == [before]


def _spoil(file: Path) -> None:
    """Overwrite a page of the readings, as a card does that is dying."""
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 8192] = b"\xa5" * 8192
    file.write_bytes(content)


def test_a_damaged_card_is_not_called_the_sticks_fault(shelf: Shelf, tmp_path: Path) -> None:
    """The message names the database on the card and says that the drive is not to blame."""
    _filled(shelf)
    shelf.store.close()
    _spoil(shelf.folder / FILE_NAME)
    with pytest.raises(BackupFailed, match=r"drive is not to blame.*damaged") as told:
        back_up(shelf.folder, Backup(folder=tmp_path / "copies", require_mount=False), MIDNIGHT)
    assert str(shelf.folder / FILE_NAME) in str(told.value)
    assert ".part" not in str(told.value)


@pytest.mark.root
@needs_root
def test_a_full_stick_is_the_sticks_fault(shelf: Shelf, stick: Path) -> None:
    """With other people's files on it and no copy to give up, the message names the drive and says that it is full."""
    _filled(shelf)
    (stick / "films").write_bytes(b"\0" * (7900 << 10))
    with pytest.raises(BackupFailed, match=r"backup to .*stick: it is full"):
        back_up(shelf.folder, Backup(folder=stick), MIDNIGHT)
    assert [path.name for path in stick.iterdir()] == ["films"]


@pytest.mark.root
@needs_root
def test_a_full_stick_frees_itself(shelf: Shelf, stick: Path) -> None:
    """Copies grow until so many have no room: the oldest go, the newest stays until the next is whole, and it is known."""
    _filled(shelf, 6000)
    settings = Backup(folder=stick, keep_daily=30, keep_monthly=0)
    first = back_up(shelf.folder, settings, MIDNIGHT)
    found = os.statvfs(stick)
    (stick / "films").write_bytes(b"\0" * (found.f_bavail * found.f_frsize - (1 << 20) - 7 * first.stat().st_size // 2))
    made = [first, *(back_up(shelf.folder, settings, MIDNIGHT + day * DAY) for day in range(1, 8))]
    there = backups(stick)
    assert there == made[-len(there) :]
    assert 2 <= len(there) < 8
    assert look_into(there[-1]).readings == 6000
    assert crowded(stick, there[-1])


@pytest.mark.root
@needs_root
def test_rotation_comes_before_the_copy(shelf: Shelf, stick: Path) -> None:
    """Copies that rotation gives up anyway make room for the next one, on a stick with room for no more."""
    _filled(shelf, 3000)
    settings = Backup(folder=stick, keep_daily=1, keep_monthly=0)
    first = back_up(shelf.folder, settings, MIDNIGHT)
    older = first.with_name("dewkeeper-20200101-031000.db")
    older.write_bytes(b"\0" * (7 << 20))
    found = os.statvfs(stick)
    assert found.f_bavail * found.f_frsize < first.stat().st_size + (1 << 20)
    made = back_up(shelf.folder, settings, MIDNIGHT + DAY)
    assert backups(stick) == [made]


@pytest.mark.root
@needs_root
def test_a_stick_that_is_missing_does_not_fill_the_card(shelf: Shelf, stick: Path) -> None:
    """Without asking for it: pulled out, the copy is refused with words, and its folder on the card stays as it was."""
    _filled(shelf)
    settings = Backup(folder=stick / "dewkeeper")
    back_up(shelf.folder, settings, MIDNIGHT)
    subprocess.run(["umount", str(stick)], check=True)
    with pytest.raises(BackupFailed, match="not mounted"):
        back_up(shelf.folder, settings, MIDNIGHT + DAY)
    assert list(stick.iterdir()) == []
    subprocess.run(["mount", "-t", "tmpfs", "stick", str(stick)], check=True)  # the fixture unmounts it


def test_two_copies_are_not_made_at_once(shelf: Shelf, tmp_path: Path) -> None:
    """By hand while the nightly one runs: it is refused, and does not clear the other's away."""
    _filled(shelf)
    folder = tmp_path / "copies"
    folder.mkdir()
    with alone(shelf.folder / FILE_NAME, folder):
        (folder / ".dewkeeper-20260101-031000.db.part").write_bytes(b"half")
        with pytest.raises(BackupFailed, match="another copy"):
            back_up(shelf.folder, Backup(folder=folder, require_mount=False), MIDNIGHT)
        assert len(list(folder.glob(HIDDEN))) == 1


@pytest.mark.root
@needs_root
def test_a_keeper_is_told_as_whom_to_copy(shelf: Shelf, tmp_path: Path) -> None:
    """By an account that may read but not write the daemon's folder: the message is the command that works."""
    _filled(shelf)
    os.seteuid(65534)  # nobody
    try:
        with pytest.raises(BackupFailed, match="sudo -u dewkeeper dewkeeper backup"):
            back_up(shelf.folder, Backup(folder=tmp_path / "copies", require_mount=False), MIDNIGHT)
    finally:
        os.seteuid(0)


def test_a_database_that_is_gone_is_not_the_drives_fault(shelf: Shelf, tmp_path: Path) -> None:
    """The file was removed: the message names it, also when older copies lie on the drive."""
    _filled(shelf)
    settings = Backup(folder=tmp_path / "copies", require_mount=False)
    for day in range(2):
        back_up(shelf.folder, settings, MIDNIGHT + day * DAY)
    shelf.store.close()
    (shelf.folder / FILE_NAME).unlink()
    with pytest.raises(BackupFailed, match="not to blame"):
        back_up(shelf.folder, settings, MIDNIGHT + 5 * DAY)
    with pytest.raises(sqlite3.OperationalError):
        sqlite3.connect(f"file:{shelf.folder / FILE_NAME}?mode=ro", uri=True)
