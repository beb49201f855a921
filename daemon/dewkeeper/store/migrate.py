"""Bringing the file to the newest schema.

A new file is made by running every step's statements; an old one by Alembic, in a child process: imported here it would
cost the daemon twelve megabytes until its next start, for work of a second every few months.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

from sqlalchemy import Connection

from dewkeeper.store.database import plain_reason, writing_engine
from dewkeeper.store.errors import StoreDamaged, StoreUnusable

STEPS = (
    "v0001_first", "v0002_archive", "v0003_late", "v0004_quarters", "v0005_days", "v0006_ring", "v0007_halves", "v0008_hours",
    "v0009_damaged", "v0010_lasting",
)  # fmt: skip
HEAD = STEPS[-1][1:5]
_LONGEST_SECONDS = 240
"""Less than systemd waits for a start."""


def current(connection: Connection) -> str | None:
    """Return the schema's revision, None for an empty file."""
    found = connection.exec_driver_sql("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").scalar()
    if not found:
        return None
    revision: str | None = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return revision


def create(connection: Connection) -> None:
    """Make every table in an empty file, in the caller's transaction."""
    for step in STEPS:
        for statement in importlib.import_module(f"dewkeeper.store.migrations.versions.{step}").STATEMENTS:
            connection.exec_driver_sql(statement)
    connection.exec_driver_sql("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
    connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (HEAD,))


def upgrade(folder: Path, revision: str) -> None:
    """Run every step a file of this revision lacks, all of them or none. Raises StoreUnusable, StoreDamaged.

    The caller holds the writer's place and no connection.
    """
    if revision > HEAD:
        raise StoreUnusable(
            f"the database was written by a newer version (schema {revision}, this one knows {HEAD}): update dewkeeper"
        )
    try:
        done = subprocess.run(  # noqa: S603  ourselves
            [sys.executable, "-m", "dewkeeper.store.migrate", str(folder)],
            capture_output=True, text=True, timeout=_LONGEST_SECONDS, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise StoreUnusable(f"the database could not be brought up to date: {error}") from error
    if done.returncode:
        reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        kind = StoreDamaged if "is damaged" in reason else StoreUnusable
        raise kind(f"the database could not be brought up to date and is as it was: {reason}")


def main(folder: Path) -> int:
    """Run the steps in this process; what went wrong is the last line on standard error."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    engine = writing_engine(folder)
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except Exception as error:  # noqa: BLE001  whatever it is, the parent says it
        sys.stderr.write(f"{plain_reason(error)}\n")
        return 1
    finally:
        engine.dispose()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(Path(sys.argv[1])))
