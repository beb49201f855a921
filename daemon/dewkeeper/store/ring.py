"""The plain rows: three tables, each a block of the archive in turn, read through the view `reading`.

When a block is archived its table is emptied whole, which SQLite does without writing the pages it frees. Deleted out of
one table every page was written twice more: a sixth of all bytes.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from functools import lru_cache

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from dewkeeper.judge.types import MISSING
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, driver

Row = tuple[int, int | None, int | None]
"""key, temperature word, humidity word. Of a failed poll None and what is said of it, as a place in `FAILED`, or None."""
FAILED = ("!missing", "!crc", "!bus", "!brownout", "missing,!missing", "crc,!crc", "bus,!bus", "brownout,!brownout")
"""The usual verdicts on failed polls, as `quality` spells them. Stored as places: only ever added to."""

TABLES = ("hot0", "hot1", "hot2")
_TOGETHER = 128


def table(key: int) -> str:
    """Return the table that a key lies in."""
    return TABLES[(key >> PROBE_BITS) // BLOCK_SECONDS % len(TABLES)]


def source(start: int, end: int) -> str:
    """Return what rows of [start, end) seconds are selected from: only tables that can hold any, for each costs a page."""
    blocks = range(start // BLOCK_SECONDS, -(-end // BLOCK_SECONDS))
    if not 0 < len(blocks) < len(TABLES):
        return "reading"
    each = " UNION ALL ".join(f"SELECT key, t, h FROM {TABLES[block % len(TABLES)]}" for block in blocks)  # noqa: S608
    return f"({each})"


def insert(
    connection: Connection,
    keys: Sequence[int],
    ts: Sequence[int | None],
    hs: Sequence[int | None],
    verb: str = "INSERT",
) -> None:
    """Store plain rows of one block; verb: how the statement begins, which says what is done about a key that is taken.

    Many rows a statement take 0.6 of the time that a bare executemany takes.
    """
    name, bare = table(keys[0]), driver(connection)
    values: list[int | None] = [None] * (3 * len(keys))
    values[::3], values[1::3], values[2::3] = keys, ts, hs
    for start in range(0, len(values), 3 * _TOGETHER):
        part = values[start : start + 3 * _TOGETHER]
        statement = _statement(verb, name, len(part) // 3)
        try:
            bare.execute(statement, part)
        except sqlite3.Error as error:
            raise DatabaseError(statement, None, error) from error


@lru_cache(maxsize=64)
def _statement(verb: str, name: str, count: int) -> str:
    return f"{verb} INTO {name} (key, t, h) VALUES {','.join(['(?, ?, ?)'] * count)}"


def of_failed(flag: int, tests: str) -> int | None:
    """Return what stands for the humidity word in the row of a failed poll."""
    return FAILED.index(tests) if flag == MISSING and tests in FAILED else None


def first_key(connection: Connection) -> int | None:
    """Return the smallest key, None without any row."""
    return _end(connection, "min")


def last_key(connection: Connection) -> int | None:
    """Return the largest key, None without any row."""
    return _end(connection, "max")


def empty(connection: Connection, block: int) -> None:
    """Delete a block's plain rows."""
    start, end = block * BLOCK_SECONDS << PROBE_BITS, (block + 1) * BLOCK_SECONDS << PROBE_BITS
    name = table(start)
    others = connection.exec_driver_sql(
        f"SELECT EXISTS (SELECT 1 FROM {name} WHERE key < ?) OR EXISTS (SELECT 1 FROM {name} WHERE key >= ?)",  # noqa: S608
        (start, end),
    ).scalar()
    if others:  # kept for more days than three blocks hold, or stamped by a clock that was wrong
        connection.exec_driver_sql(f"DELETE FROM {name} WHERE key >= ? AND key < ?", (start, end))  # noqa: S608
    else:
        connection.exec_driver_sql(f"DELETE FROM {name}")  # noqa: S608


def shift(connection: Connection, first: int, step: int) -> None:
    """Move every row from a key on by a step, each to the next free second of its probe."""
    rows = [
        tuple(row)
        for row in connection.exec_driver_sql("SELECT key, t, h FROM reading WHERE key >= ? ORDER BY key", (first,))
    ]
    for name in TABLES:
        connection.exec_driver_sql(f"DELETE FROM {name} WHERE key >= ?", (first,))  # noqa: S608
    for key, t, h in rows:
        free = key + step
        while connection.exec_driver_sql("SELECT 1 FROM reading WHERE key = ?", (free,)).scalar():
            free += 1 << PROBE_BITS
        insert(connection, [free], [t], [h])


def _end(connection: Connection, which: str) -> int | None:
    # SQLite finds the least or most of one table in one step, of a view by reading it all.
    each = " UNION ALL ".join(f"SELECT {which}(key) AS key FROM {name}" for name in TABLES)  # noqa: S608
    key: int | None = connection.exec_driver_sql(f"SELECT {which}(key) FROM ({each})").scalar()  # noqa: S608
    return key
