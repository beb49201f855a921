"""Making a database and bringing an older one up to date, all of it or nothing: Alembic's work.

What Alembic does to an empty file is compiled into `asked.SCHEMA`, so a new database needs no Alembic; an older file is
changed in a process of its own (`python -m dewkeeper.store.migrate FILE REVISION`), for Alembic and SQLAlchemy would stay
with the daemon, 25 MB, for as long as it runs.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from dewkeeper.store.complaints import complaint
from dewkeeper.store.database import Connection, FileWriter
from dewkeeper.store.errors import StoreUnusable

if TYPE_CHECKING:
    import sqlalchemy

HEAD = "0002"
"""The newest revision in `migrations`."""
SCRIPTS = Path(__file__).parent / "migrations"
_REFUSED = 3  # an exit status that Python has no use for of its own


def current(connection: Connection) -> str | None:
    """Return the schema's revision, None for an empty file."""
    if connection.row("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'") is None:
        return None
    revision: str | None = connection.value("SELECT version_num FROM alembic_version")
    return revision


def bring_up_to_date(file: FileWriter, path: Path, to: str = HEAD) -> None:
    """Bring a file to a revision; an empty one gets everything.

    Raises StoreUnusable for a file of a revision that is not known, which a newer version made, and sqlite3.Error.
    """
    from dewkeeper.store import asked  # made by what uses this module

    with file.transaction() as connection:
        found = current(connection)
        if found is None and to == HEAD:
            for statement in asked.SCHEMA.split(";\n"):
                connection.execute(statement)
            return
    if found == to:
        return
    file.close()  # nobody else may have it open
    words = [sys.executable, "-m", "dewkeeper.store.migrate", str(path), to]
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603  ourselves
    if done.returncode == _REFUSED:
        raise StoreUnusable(done.stderr.strip())
    if done.returncode:
        said = done.stderr.strip().rpartition("\n")[2]
        raise complaint(OSError(f"the database could not be brought up to date: {said}"), StoreUnusable)


def by_alembic(path: Path, to: str = "head", scripts: Path = SCRIPTS) -> None:
    """Run every revision up to one that the file lacks, in one transaction. Raises StoreUnusable as above, DBAPIError."""
    from alembic.util import CommandError
    from sqlalchemy import create_engine, event
    from sqlalchemy.pool import NullPool

    engine = create_engine(f"sqlite:///{path}", poolclass=NullPool)  # no pool: nothing holds the file when it is done

    @event.listens_for(engine, "begin")
    def _begin(connection: sqlalchemy.Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")  # as `FileWriter` begins, and for its reason

    @event.listens_for(engine, "connect")
    def _connected(connection: Connection, _record: object) -> None:
        connection.isolation_level = None  # else the driver would commit before a table is made
        connection.execute("PRAGMA synchronous=FULL")

    with engine.begin() as connection:
        try:
            run(connection=connection, to=to, scripts=scripts)
        except CommandError as error:
            known = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
            raise StoreUnusable(
                f"the database was written by a newer version (schema {known}, this one knows {HEAD}): "
                "nothing was changed; update dewkeeper"
            ) from error


def run(
    said: TextIO | None = None,
    connection: sqlalchemy.Connection | None = None,
    to: str = "head",
    scripts: Path = SCRIPTS,
) -> None:
    """Have Alembic run the revisions on a connection, in the caller's transaction, or write (`said`) what it would run."""
    from alembic import command
    from alembic.config import Config

    config = Config(output_buffer=said) if said is not None else Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to, sql=connection is None)


if __name__ == "__main__":
    try:
        by_alembic(Path(sys.argv[1]), sys.argv[2])
    except StoreUnusable as refused:
        sys.stderr.write(str(refused))
        sys.exit(_REFUSED)
