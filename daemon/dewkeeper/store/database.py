"""Opening the SQLite file: one connection writes, others read briefly."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.pool import NullPool, StaticPool

FILE_NAME = "dewkeeper.db"
BUSY_SECONDS = 5.0
LONGEST_READ_SECONDS = 30.0
_STEPS_BETWEEN_LOOKS = 200_000  # of SQLite's machine, some milliseconds
PROBE_BITS = 10
"""key = time * 1024 + probe id: readings lie in time order, up to 1023 probes."""
PROBE_MASK = (1 << PROBE_BITS) - 1
BLOCK_SECONDS = 2 * 86400
"""What is archived at once: two UTC days."""
FOREVER = 1 << 40
"""A second after every other, for open-ended questions."""

_WRITER = (
    "PRAGMA page_size=4096",
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",  # a committed reading survives the power cut; costs no bytes over NORMAL
    "PRAGMA secure_delete=OFF",  # Debian's default writes zeros over every freed page: twice the wear for nothing
    "PRAGMA cache_size=-1024",
    "PRAGMA temp_store=MEMORY",
    "PRAGMA wal_autocheckpoint=1000",
    "PRAGMA journal_size_limit=8388608",
)
_READER = ("PRAGMA query_only=ON", "PRAGMA cache_size=-1024", "PRAGMA temp_store=MEMORY")


def writing_engine(folder: Path) -> Engine:
    """Return the engine of the one writer; its transactions are BEGIN IMMEDIATE."""
    return file_engine(folder / FILE_NAME)


def file_engine(file: Path) -> Engine:
    """Return an engine that writes a file, as `writing_engine` does."""
    engine = create_engine(
        f"sqlite:///{file}",
        poolclass=StaticPool,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    _prepare(engine, _WRITER)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A plain BEGIN that reads first and writes later fails at once when another process writes in between.
        try:
            driver(connection).execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            raise OperationalError("BEGIN IMMEDIATE", None, error) from error

    return engine


def reading_engine(folder: Path, longest_seconds: float | None = LONGEST_READ_SECONDS) -> Engine:
    """Return an engine that cannot write: every question opens and closes its own connection, and sees one state.

    longest_seconds: a question that takes longer is broken off, because as long as it lasts the write-ahead log cannot
    be reset and grows; None for an export, which may take its time.
    """
    engine = create_engine(
        f"sqlite:///file:{folder / FILE_NAME}?mode=ro&uri=true",
        poolclass=NullPool,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    _prepare(engine, _READER)

    @event.listens_for(engine, "connect")
    def _limit(connection: sqlite3.Connection, _record: object) -> None:
        if longest_seconds is not None:
            end = time.monotonic() + longest_seconds
            connection.set_progress_handler(lambda: time.monotonic() > end, _STEPS_BETWEEN_LOOKS)

    @event.listens_for(engine, "begin")
    def _begin(connection: object) -> None:
        # Between two statements of a question a block may be archived.
        connection.exec_driver_sql("BEGIN")  # type: ignore[attr-defined]  # sqlalchemy.Connection

    return engine


def driver(connection: Connection) -> sqlite3.Connection:
    """Return the driver's own connection, in the same transaction: for what every poll does; its errors are sqlite3's.

    SQLAlchemy's care for one statement takes as long as SQLite takes to store thirty rows.
    """
    return cast("sqlite3.Connection", connection.connection.driver_connection)


def fetched(connection: Connection, statement: str, values: tuple[int, ...]) -> Iterator[tuple[Any, ...]]:
    """Yield rows as the driver gives them: of many, a fourth of the time goes into making SQLAlchemy's of them.

    Only where something was read in the same question before: that began the transaction.
    """
    try:
        yield from driver(connection).execute(statement, values)
    except sqlite3.Error as error:
        raise DatabaseError(statement, values, error) from error


def plain_reason(error: Exception) -> str:
    """Say what SQLite's complaint means for the person who must act."""
    text = str(getattr(error, "orig", None) or error)
    for mark, meaning in (
        ("disk is full", "the disk is full"),
        ("readonly", "the disk is read-only"),
        ("read-only", "the disk is read-only"),
        ("Read-only", "the disk is read-only"),
        ("No space left", "the disk is full"),
        ("locked", "another program holds the database"),
        ("image is malformed", "the database file is damaged"),
        ("not a database", "the database file is damaged"),
        ("disk I/O error", "the disk reports errors"),
        ("interrupted", "the question took too long and was broken off"),
        ("no such table", "the database is another version's: the daemon brings it up to date when it starts"),
        ("no such column", "the database is another version's: the daemon brings it up to date when it starts"),
        ("unable to open", "the database folder is missing or not writable"),
    ):
        if mark in text:
            return f"{meaning} ({text})"
    return text


def _prepare(engine: Engine, pragmas: tuple[str, ...]) -> None:
    @event.listens_for(engine, "connect")
    def _connected(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves
        for pragma in pragmas:
            connection.execute(pragma)
