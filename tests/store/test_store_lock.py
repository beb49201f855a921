"""One writer at a time, named; long questions are broken off."""

from __future__ import annotations

import errno
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.store import Store
from dewkeeper.store.backup import back_up, restore
from dewkeeper.store.database import FileReader, plain_reason
from dewkeeper.store.errors import StoreBusy, StoreDamaged, StoreUnusable
from dewkeeper.store.importing import import_readings
from dewkeeper.store.lock import LOCK_NAME, WriterLock
from dewkeeper_config.models import Backup, Storage

_HOLDER = """
import pathlib, sys
from dewkeeper.store.lock import LOCK_NAME, WriterLock
lock = WriterLock(pathlib.Path(sys.argv[1]), "a restore")
print("held", flush=True)
sys.stdin.read()
"""


def test_a_second_writer_is_refused_and_told_who_holds_the_place(tmp_path: Path) -> None:
    """Another process holds it: its name and number are in the refusal; killed, the place is free."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDER, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(StoreBusy, match=rf"a restore \(process {holder.pid}\).*stop it first"):
            Store.open(tmp_path, Storage(folder=tmp_path), ManualClock())
        with pytest.raises(StoreBusy, match="a restore"):
            import_readings(tmp_path, tmp_path / "any.csv")
        holder.kill()
    with WriterLock(tmp_path, "the next") as lock:
        assert lock.unclean


@pytest.mark.root
def test_what_root_makes_belongs_to_the_folders_owner(tmp_path: Path) -> None:
    """After an import or a restore by root the daemon's own user can open lock and database."""
    if os.geteuid() != 0:
        pytest.skip("needs root: gives files away")
    folder = tmp_path / "state"
    folder.mkdir()
    os.chown(folder, 12345, 12345)
    Store.open(folder, Storage(folder=folder), ManualClock()).close()
    back_up(folder, Backup(folder=tmp_path / "copies", require_mount=False), MIDNIGHT)
    restore(tmp_path / "copies" / next((tmp_path / "copies").iterdir()).name, folder, MIDNIGHT, replace=True)
    assert {path.name: path.stat().st_uid for path in folder.iterdir() if path.stat().st_uid != 12345} == {}


def test_a_reader_needs_no_place(shelf: Shelf) -> None:
    """While one process writes, others read."""
    shelf.put([(MIDNIGHT, "b1", 27000, 40000, True)])
    with shelf.history() as history:
        assert len(history.raw("b1", 0, 1 << 40)) == 1


def test_the_whole_file_is_checked_only_after_an_end_in_disorder(shelf: Shelf) -> None:
    """Damage deep in the file is found at the start after a crash; a clean stop saves reading gigabytes."""
    for day in range(4):
        shelf.put([(MIDNIGHT + day * 86400 + 60 * i, "b1", 27000, 40000, True) for i in range(1440)])
    shelf.store.close()
    file = shelf.folder / "dewkeeper.db"
    with closing(sqlite3.connect(file)) as database:
        pages = database.execute("SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf'").fetchall()
    content = bytearray(file.read_bytes())
    middle = (pages[len(pages) // 2][0] - 1) * 4096
    content[middle : middle + 4096] = os.urandom(4096)
    file.write_bytes(content)
    shelf.reopen()
    shelf.store.close(sound=False)
    with pytest.raises(StoreDamaged, match="damaged"):
        shelf.reopen()


def test_a_question_that_takes_too_long_is_broken_off(shelf: Shelf) -> None:
    """A query past its time ends with an error instead of holding the log."""
    shelf.put([(MIDNIGHT + i, "b1", 27000, 40000, True) for i in range(3000)])
    file = FileReader(shelf.folder, longest_seconds=0.0)
    with file.question() as connection, pytest.raises(sqlite3.OperationalError, match="interrupted"):
        connection.value("SELECT count(*) FROM reading a, reading b, reading c")


def test_what_the_system_refuses_is_said_with_its_file_and_without_its_number(tmp_path: Path) -> None:
    """A folder in the file's place: which file, and the system's words; a full disk keeps its meaning."""
    (tmp_path / LOCK_NAME).mkdir()
    with pytest.raises(StoreUnusable) as caught:
        Store.open(tmp_path, Storage(folder=tmp_path, ballast_mb=0), ManualClock(), "a test")
    assert str(caught.value) == f"{tmp_path / LOCK_NAME}: Is a directory"
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "x.db")
    assert plain_reason(full) == "the disk is full (x.db: No space left on device)"
