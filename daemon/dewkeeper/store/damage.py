"""Archived blocks that cannot be read: passed over by every question, named, and set aside by the writer.

Only a block's readings are missing then; its quarter hours, which lie elsewhere, stay.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from dewkeeper.interchange import format_time
from dewkeeper.store import altered, asked
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK, Asking, Connection

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, order=True)
class Block:
    """Two days of one probe. start, end: UTC seconds; readings: how many there were."""

    probe: str
    start: int
    end: int
    readings: int

    def text(self) -> str:
        """Name it for people."""
        first, last = (format_time(at)[:16].replace("T", " ") for at in (self.start, self.end))
        return f"{self.probe} from {first} to {last} UTC ({self.readings} readings)"


def note(connection: Asking, key: int) -> None:
    """Remember, with the connection, that a block was met that cannot be read."""
    connection.unreadable.add(key)
    _log(key)


@lru_cache(maxsize=1024)
def _log(key: int) -> None:
    """Say it once, however often it is met."""
    log.error("block %d of the archive, of probe %d, cannot be read", key >> PROBE_BITS, key & PROBE_MASK)


def forget(connection: Connection) -> set[int]:
    """Return the keys of the blocks noted so far, and forget them."""
    keys, connection.unreadable = connection.unreadable, set()
    return keys


def set_aside(connection: Connection, keys: Iterable[int]) -> None:
    """Move blocks out of the archive, in the caller's transaction."""
    for key in keys:
        connection.execute(asked.SET_ASIDE, {"key": key})
        connection.execute(asked.DELETE_CHUNK, {"key": key})
        altered.note_blocks(connection, [key])


def blocks(connection: Connection, noted: Collection[int] = ()) -> dict[int, Block]:
    """Return what was set aside, and what these keys name, by their keys; in order of probe and time."""
    rows = connection.rows(asked.DAMAGED) + connection.rows(asked.UNREADABLE, keys=json.dumps(list(noted)))
    found = {key: Block(name or "a probe without a name", *span(key), n) for key, n, name in rows}
    return dict(sorted(found.items(), key=lambda pair: pair[1]))


def keys_of(connection: Connection, numbers: Collection[int], start: int, end: int) -> list[int]:
    """Return the blocks of these probes in [start, end) seconds that cannot be read, set aside or only noted yet."""
    known = connection.unreadable | {key for (key,) in connection.rows(asked.DAMAGED_KEYS)}
    return sorted(key for key in known if key & PROBE_MASK in numbers and span(key)[0] < end and start < span(key)[1])


def span(key: int) -> tuple[int, int]:
    """Return the first second of a block and the one after its last."""
    block = key >> PROBE_BITS
    return block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS


def listed(found: Sequence[Block], most: int = 5) -> str:
    """Return blocks named in one sentence, of very many the first."""
    more = f", and {len(found) - most} more" if len(found) > most else ""
    return "; ".join(block.text() for block in found[:most]) + more
