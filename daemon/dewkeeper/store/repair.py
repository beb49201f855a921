"""Bringing blocks of the archive that cannot be read back from the copies."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from dewkeeper.store import altered, asked, damage
from dewkeeper.store.archive import Words, keep, there, unpack, verified
from dewkeeper.store.database import FOREVER, PROBE_BITS, PROBE_MASK, Connection, FileReader, plain_reason, read_only
from dewkeeper.store.errors import StoreDamaged, StoreUnusable


@dataclass(frozen=True, slots=True)
class Repaired:
    """What became of a damaged block. source: the copy it was brought back from, None when no copy has it."""

    block: damage.Block
    source: Path | None
    readings: int


def unreadable(folder: Path) -> list[int]:
    """Read every block of the archive; return the keys of those that cannot be read. Raises StoreUnusable."""
    file = FileReader(folder, longest_seconds=None)
    found = []
    try:
        with file.question() as connection:
            keys = connection.rows(asked.CHUNK_KEYS, first=0, end=FOREVER)
        for (key,) in keys:
            with file.question() as connection:  # one at a time: a long read would hold up the writer's log
                if not _whole(connection, key):
                    found.append(key)
    except sqlite3.Error as error:
        raise StoreUnusable(plain_reason(error)) from error
    return found


def _whole(connection: Connection, key: int) -> bool:
    try:
        for _, n, data in connection.rows(asked.CHUNK, key=key):
            verified(data, n)
    except (sqlite3.DatabaseError, StoreDamaged):
        return False
    return True


def bring_back(
    connection: Connection, keys: Collection[int], copies: Sequence[Path], rebuilt: Callable[[int, int, int], None]
) -> list[Repaired]:
    """Put what the newest copy has in place of each damaged block, in the caller's transaction.

    keys: blocks that somebody found damaged; looked at once more. copies: oldest first. rebuilt: called with a probe's
    number and the first and last second of what came back, to make its quarter hours anew.
    """
    for key in keys:
        there(connection, key)  # which sets it aside when it is damaged
    names = {n: (name, scale) for n, name, scale in connection.rows(asked.PROBES)}
    done = []
    for key, block in damage.blocks(connection).items():
        source, rows = _newest(copies, names.get(key & PROBE_MASK, ("", "")), key >> PROBE_BITS, block.readings)
        if source is not None:
            here = there(connection, key)
            taken = {row[0] for row in here}
            keep(
                connection, key, sorted([*here, *(row for row in rows if row[0] not in taken)], key=lambda row: row[0])
            )
            connection.execute(asked.DELETE_DAMAGED, {"key": key})
            altered.note_blocks(connection, [key])
            rebuilt(key & PROBE_MASK, block.start, block.end)
        done.append(Repaired(block, source, len(rows)))
    return done


def _newest(copies: Sequence[Path], probe: tuple[str, str], block: int, n: int) -> tuple[Path | None, list[Words]]:
    """Return the newest copy that has all n rows of a block, else the one that has most of them, and its rows."""
    best: tuple[Path | None, list[Words]] = (None, [])
    for copy in reversed(copies):
        try:
            with closing(sqlite3.connect(read_only(copy), uri=True)) as database:
                rows = _block_of(database, probe, block)
        except (sqlite3.Error, StoreDamaged):  # an older copy may have it whole
            continue
        if len(rows) > len(best[1]):
            best = copy, rows
        if len(rows) >= n:
            break
    return best


def _block_of(database: sqlite3.Connection, probe: tuple[str, str], block: int) -> list[Words]:
    """Return a probe's rows of a block, archived there or still plain. Raises StoreDamaged, sqlite3.Error."""
    # By name: in a copy of another life numbers mean other probes. And words of another scale mean other values.
    found = database.execute("SELECT id FROM probe WHERE name = ? AND scale = ?", probe).fetchone()
    if found is None:
        return []
    start, end = (second << PROBE_BITS for second in damage.span(block << PROBE_BITS))
    rows = {
        (key - start) >> PROBE_BITS: (t, h)
        for key, t, h in database.execute("SELECT key, t, h FROM reading WHERE key >= ? AND key < ?", (start, end))
        if key & PROBE_MASK == found[0]
    }
    for n, data in database.execute("SELECT n, data FROM chunk WHERE key = ?", ((block << PROBE_BITS) + found[0],)):
        rows |= {second: (t, h) for second, t, h in unpack(data, n)}
    return [(second, t, h) for second, (t, h) in sorted(rows.items())]
