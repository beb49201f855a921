"""Opening the SQLite file: one connection writes, others read briefly."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.pool import NullPool, StaticPool

FILE_NAME = "dewkeeper.db"
BUSY_SECONDS = 5.0
PROBE_BITS = 10
"""key = time * 1024 + probe id: readings lie in time order, up to 1023 probes."""

_WRITER = (
    "PRAGMA page_size=4096",
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",  # a committed reading survives the power cut; costs no bytes over NORMAL
    "PRAGMA secure_delete=OFF",  # Debian's default writes zeros over every freed page: twice the wear for nothing
    "PRAGMA cache_size=-2048",
    "PRAGMA temp_store=MEMORY",
    "PRAGMA wal_autocheckpoint=1000",
    "PRAGMA journal_size_limit=8388608",
)
_READER = ("PRAGMA query_only=ON", "PRAGMA cache_size=-1024", "PRAGMA temp_store=MEMORY")


def writing_engine(folder: Path) -> Engine:
    """Return the engine of the one writer; its transactions are BEGIN IMMEDIATE."""
    engine = create_engine(
        f"sqlite:///{folder / FILE_NAME}",
        poolclass=StaticPool,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    _prepare(engine, _WRITER)

    @event.listens_for(engine, "begin")
    def _begin(connection: object) -> None:
        # A plain BEGIN that reads first and writes later fails at once when another process writes in between.
        connection.exec_driver_sql("BEGIN IMMEDIATE")  # type: ignore[attr-defined]  # sqlalchemy.Connection

    return engine


def reading_engine(folder: Path) -> Engine:
    """Return an engine that cannot write: every query opens and closes its own short connection."""
    engine = create_engine(
        f"sqlite:///file:{folder / FILE_NAME}?mode=ro&uri=true",
        poolclass=NullPool,
        connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False},
    )
    _prepare(engine, _READER)
    return engine


def plain_reason(error: Exception) -> str:
    """Say what SQLite's complaint means for the person who must act."""
    text = str(getattr(error, "orig", None) or error)
    for mark, meaning in (
        ("disk is full", "the disk is full"),
        ("readonly", "the disk is read-only"),
        ("read-only", "the disk is read-only"),
        ("locked", "another program holds the database"),
        ("malformed", "the database file is damaged"),
        ("not a database", "the database file is damaged"),
        ("disk I/O error", "the disk reports errors"),
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
