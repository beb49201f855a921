"""What the owner of the server does: make the schema, let a site in, let another Pi take its place, look over all.

As a role that may create roles, on Debian `postgres`; every statement in plain SQL, for who would rather type it.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import psycopg
from psycopg import sql

from dewkeeper.collect.connection import ServerLink, plainly
from dewkeeper.collect.errors import ServerRefused

OWNER, SENDER, READER = "dewkeeper_owner", "dewkeeper_sender", "dewkeeper_reader"
_MIGRATIONS = Path(__file__).parent / "migrations"


@dataclass(frozen=True, slots=True)
class Admitted:
    """A site that may send: its login and the password, which is nowhere else."""

    site: str
    database: str
    login: str
    password: str


@dataclass(frozen=True, slots=True)
class SiteState:
    """What the server knows of a site. Times are the server's; None for never."""

    site: str
    login: str
    sends: bool
    program: str
    sent_at: datetime | None
    readings_until: datetime | None
    to_resend: int


def initialise(given: Mapping[str, Any]) -> str:
    """Make the roles and the schema, or bring it to the newest; return its revision. Raises CollectError.

    given: how to connect, as `link.parameters` says it. All of it is one transaction.
    """
    # Only here: no Pi needs them to send.
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine
    from sqlalchemy.exc import DBAPIError
    from sqlalchemy.pool import NullPool

    engine = create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(**given), poolclass=NullPool)
    settings = Config()
    settings.set_main_option("script_location", str(_MIGRATIONS))
    with plainly():
        try:
            with engine.begin() as connection:
                cursor = cast("psycopg.Connection[Any]", connection.connection.driver_connection).cursor()
                _roles(cursor)
                cursor.execute("CREATE SCHEMA IF NOT EXISTS dewkeeper")
                settings.attributes["connection"] = connection
                command.upgrade(settings, "head")
                # This month's partition and the next one's.
                cursor.execute("SELECT make_room(now(), now() + interval '35 days')")
                return _text(cursor, "SELECT version_num FROM collect_version")
        except DBAPIError as error:
            # For `plainly`, which knows the library's errors and not those around them.
            if isinstance(error.orig, psycopg.Error):
                raise error.orig from None
            raise


def _roles(cursor: psycopg.Cursor[Any]) -> None:
    """Make the roles that are missing, and go on as the owner of everything."""
    for role in (OWNER, SENDER, READER):
        if cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is None:
            cursor.execute(sql.SQL("CREATE ROLE {} NOLOGIN").format(sql.Identifier(role)))
    grant = sql.SQL("GRANT CREATE ON DATABASE {} TO {}")
    cursor.execute(grant.format(sql.Identifier(_text(cursor, "SELECT current_database()")), sql.Identifier(OWNER)))
    cursor.execute(sql.SQL("SET LOCAL ROLE {}").format(sql.Identifier(OWNER)))


def admit(link: ServerLink, site: str) -> Admitted:
    """Let a site send: its row, and a login with a new password, the old one's no longer if it was in. Raises CollectError."""
    password = secrets.token_urlsafe(24)
    with link.batch() as cursor:
        database = _text(cursor, "SELECT current_database()")
        known = cursor.execute("SELECT login FROM site WHERE name = %s", (site,)).fetchone()
        if known is None:
            # Drawn before its row is made, for the login is called by it.
            number = _text(cursor, "SELECT nextval(pg_get_serial_sequence('dewkeeper.site', 'number'))")
            # Roles are the whole server's: with its database's name those of two databases keep apart.
            login = f"{database}_site_{number}"
            cursor.execute(
                "INSERT INTO site (number, name, login) OVERRIDING SYSTEM VALUE VALUES (%s, %s, %s)",
                (number, site, login),
            )
            make = sql.SQL("CREATE ROLE {} LOGIN IN ROLE {}")
            cursor.execute(make.format(sql.Identifier(login), sql.Identifier(SENDER)))
        else:
            login = str(known[0])
        change = sql.SQL("ALTER ROLE {} PASSWORD {}")
        cursor.execute(change.format(sql.Identifier(login), sql.Literal(_scram(link.connection, login, password))))
    return Admitted(site, database, login, password)


def release_site(link: ServerLink, site: str) -> None:
    """Let another installation take the place of a site. Raises CollectError."""
    with link.batch() as cursor:
        if cursor.execute("UPDATE site SET installation = NULL WHERE name = %s", (site,)).rowcount == 0:
            raise ServerRefused(f"no site is called {site!r} here")


def sites(link: ServerLink) -> Sequence[SiteState]:
    """Return every site, the one that was silent for longest first. Raises CollectError."""
    with link.batch() as cursor:
        rows = cursor.execute(
            "SELECT name, login, installation IS NOT NULL, program, sent_at, readings_until, "
            "(SELECT count(*) FROM resend r WHERE r.site = s.number) FROM site s ORDER BY sent_at NULLS FIRST, name"
        ).fetchall()
    return [SiteState(*row) for row in rows]


def _scram(connection: psycopg.Connection[Any], login: str, password: str) -> str:
    """Return the password as the server keeps it: so its log never has it in plain."""
    return connection.pgconn.encrypt_password(password.encode(), login.encode(), b"scram-sha-256").decode()


def _text(cursor: psycopg.Cursor[Any], asked: str) -> str:
    row = cursor.execute(asked).fetchone()
    return str(row[0]) if row is not None else ""
