"""Making a database and bringing an older one up to date: both by Alembic, all of it or nothing.

Alembic is imported only then, for it takes eleven megabytes and a tenth of a second of a fast machine.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

from dewkeeper.store.errors import StoreUnusable

HEAD = "0001"
"""The newest revision in `migrations`."""
SCRIPTS = Path(__file__).parent / "migrations"


def current(connection: Connection) -> str | None:
    """Return the schema's revision, None for an empty file."""
    found = connection.exec_driver_sql("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").scalar()
    if not found:
        return None
    revision: str | None = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return revision


def bring_up_to_date(connection: Connection, to: str = "head", scripts: Path = SCRIPTS) -> None:
    """Run every revision up to one that the file lacks (an empty file lacks all), in the caller's transaction.

    Raises StoreUnusable for a file of a revision that is not known, which a newer version made.
    """
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, to)
    except CommandError as error:
        raise StoreUnusable(
            f"the database was written by a newer version (schema {current(connection)}, this one knows {HEAD}): "
            "nothing was changed; update dewkeeper"
        ) from error
