"""The plain readings, in order of time."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from dewkeeper.store import asked
from dewkeeper.store.database import FOREVER, PROBE_BITS, Asking, Connection

Row = tuple[int, int | None, int | None]
"""key (second * 1024 + probe id), temperature word, humidity word; of a failed poll both None."""
_TOGETHER = 128  # a poll of the largest rack that is measured is one statement


def insert(connection: Connection, keys: Sequence[int], ts: Sequence[int | None], hs: Sequence[int | None]) -> None:
    """Store readings. Many a statement take 0.6 of the time that a bare executemany takes, and all come through here."""
    values: list[int | None] = [None] * (3 * len(keys))
    values[::3], values[1::3], values[2::3] = keys, ts, hs
    for start in range(0, len(values), 3 * _TOGETHER):
        part = values[start : start + 3 * _TOGETHER]
        connection.execute(_statement(len(part) // 3), part)


@lru_cache(maxsize=64)
def _statement(count: int) -> str:
    return f"INSERT INTO reading (key, t, h) VALUES {','.join(['(?, ?, ?)'] * count)}"  # noqa: S608


def first_key(connection: Asking) -> int | None:
    """Return the smallest key, None without any row."""
    first: int | None = connection.value(asked.FIRST_KEY)
    return first


def last_key(connection: Asking) -> int | None:
    """Return the largest key, None without any row."""
    last: int | None = connection.value(asked.LAST_KEY)
    return last


def shift(connection: Connection, first: int, step: int) -> None:
    """Move every row from a key on by a step, each to the next free second of its probe."""
    moved = {"first": first, "end": FOREVER << PROBE_BITS}
    rows = connection.rows(asked.READINGS, **moved)
    connection.execute(asked.DELETE_READINGS, moved)
    for key, t, h in rows:
        free = key + step
        while connection.row(asked.READING_AT, key=free):
            free += 1 << PROBE_BITS
        insert(connection, [free], [t], [h])
