"""One schema: tables as metadata, made and changed by Alembic alone."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.exc import OperationalError
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import SUSPECT, Exclusion
from dewkeeper.store import Store, migrate, remake
from dewkeeper.store.database import FILE_NAME, Connection, FileWriter
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.records import Batch
from dewkeeper.store.schema import metadata
from dewkeeper_config.models import Storage

_LATER = '''"""A later revision."""
from alembic import op
import sqlalchemy as sa
revision = "later"
down_revision = "HEAD"
def upgrade() -> None:
    op.create_table("later", sa.Column("id", sa.Integer, primary_key=True))
    op.execute("UPDATE reading SET h = h + 1")
'''


def _tables(file: Path) -> dict[str, str]:
    with closing(sqlite3.connect(file)) as database:
        found = database.execute(
            "SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name != 'alembic_version'"
        ).fetchall()
    return {name: "".join(sql.split()) for name, sql in found}


def _scripts(folder: Path, later: str) -> Path:
    """Return a copy of the revisions with one more."""
    shutil.copytree(migrate.SCRIPTS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "versions" / "v9999_later.py").write_text(later.replace("HEAD", migrate.HEAD))
    return folder


def _closed(shelf: Shelf) -> bytes:
    shelf.put([(MIDNIGHT, "b1", 27000, 40000, True)])
    shelf.store.close()
    return (shelf.folder / FILE_NAME).read_bytes()


def test_the_constant_is_the_newest_revision() -> None:
    """What an existing file is compared with, without importing Alembic, is Alembic's one head."""
    assert ScriptDirectory(str(migrate.SCRIPTS)).get_heads() == [migrate.HEAD]


def test_the_revisions_make_the_tables_of_the_metadata(shelf: Shelf, tmp_path: Path) -> None:
    """A new database has every table, column, condition and index that the metadata says, and nothing else."""
    engine = create_engine(f"sqlite:///{tmp_path / 'by metadata.db'}")
    metadata.create_all(engine)
    assert _tables(shelf.folder / FILE_NAME) == _tables(tmp_path / "by metadata.db")
    engine.dispose()
    engine = create_engine(f"sqlite:///{shelf.folder / FILE_NAME}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    engine.dispose()


def test_a_new_file_is_what_alembic_makes(shelf: Shelf, tmp_path: Path) -> None:
    """The compiled text and the revisions make the same tables, with the same rows in them."""
    migrate.by_alembic(tmp_path / "by alembic.db")
    shelf.store.close()
    with (
        closing(sqlite3.connect(tmp_path / "by alembic.db")) as theirs,
        closing(sqlite3.connect(shelf.folder / FILE_NAME)) as ours,
    ):
        ours.execute("DELETE FROM note")  # which the store writes when it opens
        assert _tables(shelf.folder / FILE_NAME) == _tables(tmp_path / "by alembic.db")
        for table in [*metadata.tables, "alembic_version"]:
            asked = f"SELECT * FROM {table}"  # noqa: S608
            assert ours.execute(asked).fetchall() == theirs.execute(asked).fetchall()


def test_a_later_revision_would_be_run_and_its_file_refused_by_this_version(shelf: Shelf, tmp_path: Path) -> None:
    """The file gets what the revision says and keeps its readings; opened by a version that does not know it, it is left alone."""
    _closed(shelf)
    migrate.by_alembic(shelf.folder / FILE_NAME, scripts=_scripts(tmp_path / "50 % more", _LATER))
    with closing(sqlite3.connect(shelf.folder / FILE_NAME, factory=Connection)) as database:
        assert migrate.current(database) == "later"
        assert database.execute("SELECT t, h FROM reading").fetchall() == [(27000, 40001)]
    before = (shelf.folder / FILE_NAME).read_bytes()
    with pytest.raises(
        StoreUnusable, match=rf"newer version.*schema later, this one knows {migrate.HEAD}.*update dewkeeper"
    ):
        Store.open(shelf.folder, Storage(folder=shelf.folder), ManualClock())
    assert (shelf.folder / FILE_NAME).read_bytes() == before
    assert "later" in _tables(shelf.folder / FILE_NAME)


def test_a_revision_that_fails_leaves_the_file_as_it_was(shelf: Shelf, tmp_path: Path) -> None:
    """All of a change or nothing: its first half is taken back."""
    _closed(shelf)
    later = _LATER + '    op.execute("no such statement")\n'
    with pytest.raises(OperationalError):
        migrate.by_alembic(shelf.folder / FILE_NAME, scripts=_scripts(tmp_path / "scripts", later))
    assert "later" not in _tables(shelf.folder / FILE_NAME)
    shelf.reopen()
    with shelf.history() as history:
        assert history.raw("b1", 0, 1 << 40)[0].reading.humidity_word == 40000


def test_an_older_file_is_changed_in_a_process_of_its_own(tmp_path: Path) -> None:
    """A file of the first revision is brought to the newest by Alembic, outside of us; without readings nothing is to be made anew."""
    with closing(FileWriter(tmp_path / "old.db")) as file:
        migrate.bring_up_to_date(file, tmp_path / "old.db", "0001")
        with file.transaction() as connection:
            assert migrate.current(connection) == "0001"
        migrate.bring_up_to_date(file, tmp_path / "old.db")
        with file.transaction() as connection:
            assert migrate.current(connection) == migrate.HEAD
            assert connection.execute("SELECT * FROM note").fetchall() == []


def _quarters(file: Path) -> dict[str, list[tuple[int, ...]]]:
    with closing(sqlite3.connect(file)) as database:
        return {t: database.execute(f"SELECT * FROM {t} ORDER BY key").fetchall() for t in ("recent", "rollup")}  # noqa: S608


def _as_before_temperatures_counted_alone(file: Path) -> None:
    """Make of a file what the first revision would have: quarter hours leave out what is suspect in any way."""
    with closing(sqlite3.connect(file)) as database, database:
        for table in ("recent", "rollup"):
            database.execute(f"DELETE FROM {table} WHERE t_only")  # noqa: S608  nothing else was in them here
            database.execute(f"ALTER TABLE {table} DROP COLUMN t_only")
        database.execute("UPDATE alembic_version SET version_num = '0001'")


def test_hours_left_out_before_get_their_temperature_at_night(shelf: Shelf) -> None:
    """A file of the first revision is the same in the morning as if every version had counted temperatures alone; stopped between, it goes on."""
    rows = [(MIDNIGHT + 300 * n, "b1", 27000 + n, 40000, None if n // 6 % 2 else True) for n in range(288 * 4)]
    shelf.put(rows)
    shelf.store.commit(Batch(exclusions=(Exclusion("b1", MIDNIGHT + 3600, MIDNIGHT + 9000, ("swapped",), SUSPECT),)))
    shelf.compact()
    shelf.store.close()
    file = shelf.folder / FILE_NAME
    wanted = _quarters(file)
    assert min(len(kept) for kept in wanted.values()) > 20
    _as_before_temperatures_counted_alone(file)
    shelf.reopen()
    assert _quarters(file) != wanted
    looks = iter((False, False, True))  # nothing to archive; a few spans; it is to end
    shelf.store.compact(MIDNIGHT + 4 * 86400, lambda: next(looks))
    shelf.reopen()
    with shelf.history() as history:
        assert remake.NOTE in history.notes()
    shelf.store.compact(MIDNIGHT + 4 * 86400)
    with shelf.history() as history:
        assert remake.NOTE not in history.notes()
    assert _quarters(file) == wanted


_OPENED = """
import sys, pathlib
from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper_config.models import Storage
folder = pathlib.Path(sys.argv[1])
Store.open(folder, Storage(folder=folder), ManualClock()).close()
History.open(folder).latest()
sys.exit(bool({"alembic", "sqlalchemy"} & set(sys.modules)))
"""


def test_a_file_is_made_written_and_read_without_sqlalchemy(tmp_path: Path) -> None:
    """Twenty-five megabytes and seconds of a Pi are spent where there is a schema to change, else not."""
    for _ in range(2):
        subprocess.run([sys.executable, "-c", _OPENED, str(tmp_path)], check=True)
