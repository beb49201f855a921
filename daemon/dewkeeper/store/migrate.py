"""Bringing the file to the newest schema. Alembic is imported only when there is something to do."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

HEAD = "0003"


def current(connection: Connection) -> str | None:
    """Return the schema's revision, None for an empty file."""
    found = connection.exec_driver_sql("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").scalar()
    if not found:
        return None
    revision: str | None = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return revision


def upgrade(connection: Connection) -> None:
    """Run every missing step in the connection's transaction: all of them or none."""
    if current(connection) == HEAD:
        return
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
