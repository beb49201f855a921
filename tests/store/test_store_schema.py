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
from sqlalchemy.exc import OperationalError
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.store import Store, migrate
from dewkeeper.store.database import FILE_NAME, file_engine, writing_engine
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.schema import metadata
from dewkeeper_config.models import Storage

_LATER = '''"""A later revision."""
from alembic import op
import sqlalchemy as sa
revision = "0002"
down_revision = "0001"
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
    (folder / "versions" / "v0002_later.py").write_text(later)
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
    engine = file_engine(tmp_path / "by metadata.db")
    metadata.create_all(engine)
    assert _tables(shelf.folder / FILE_NAME) == _tables(tmp_path / "by metadata.db")
    engine.dispose()
    engine = writing_engine(shelf.folder)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []
    engine.dispose()


def test_a_later_revision_would_be_run_and_its_file_refused_by_this_version(shelf: Shelf, tmp_path: Path) -> None:
    """The file gets what the revision says and keeps its readings; opened by a version that does not know it, it is left alone."""
    _closed(shelf)
    engine = writing_engine(shelf.folder)
    with engine.begin() as connection:
        migrate.bring_up_to_date(connection, scripts=_scripts(tmp_path / "50 % more", _LATER))
    with engine.connect() as connection:
        assert migrate.current(connection) == "0002"
        assert connection.exec_driver_sql("SELECT t, h FROM reading").all() == [(27000, 40001)]
    engine.dispose()
    before = (shelf.folder / FILE_NAME).read_bytes()
    with pytest.raises(StoreUnusable, match=r"newer version.*schema 0002, this one knows 0001.*update dewkeeper"):
        Store.open(shelf.folder, Storage(folder=shelf.folder), ManualClock())
    assert (shelf.folder / FILE_NAME).read_bytes() == before
    assert "later" in _tables(shelf.folder / FILE_NAME)


def test_a_revision_that_fails_leaves_the_file_as_it_was(shelf: Shelf, tmp_path: Path) -> None:
    """All of a change or nothing: its first half is taken back."""
    _closed(shelf)
    engine = writing_engine(shelf.folder)
    later = _LATER + '    op.execute("no such statement")\n'
    with pytest.raises(OperationalError), engine.begin() as connection:
        migrate.bring_up_to_date(connection, scripts=_scripts(tmp_path / "scripts", later))
    engine.dispose()
    assert "later" not in _tables(shelf.folder / FILE_NAME)
    shelf.reopen()
    with shelf.history() as history:
        assert history.raw("b1", 0, 1 << 40)[0].reading.humidity_word == 40000


def test_a_file_that_is_up_to_date_is_opened_without_alembic(shelf: Shelf) -> None:
    """Eleven megabytes and a second of a Pi are spent when there is something to make or change, else not."""
    shelf.store.close()
    code = (
        "import sys, pathlib; from dewkeeper.clock import ManualClock; from dewkeeper.store import Store; "
        "from dewkeeper_config.models import Storage; folder = pathlib.Path(sys.argv[1]); "
        "Store.open(folder, Storage(folder=folder), ManualClock()).close(); sys.exit('alembic' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(shelf.folder)], check=True)
