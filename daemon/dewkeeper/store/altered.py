"""Which part of the past was changed, for whoever keeps a copy of it elsewhere and must bring it in line.

One small stored fact: numbered spans, the newest last. Neighbours grow together, and of very many the oldest do, so it
stays small and still covers everything that ever changed.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from dewkeeper.store import asked
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, Connection
from dewkeeper.store.event_rows import write_note

NOTE: Final = "altered"
_MOST = 40


@dataclass(frozen=True, slots=True)
class Altered:
    """Readings, items and events of [start, end) UTC seconds that are not what they were.

    number: counts up, whatever grew together. moved: they were dated anew, so what is not there any more stands elsewhere.
    """

    number: int
    start: int
    end: int
    moved: bool


def note(connection: Connection, start: int, end: int, *, moved: bool = False) -> None:
    """Say, in the transaction that changes it, that [start, end) seconds of the past are not what they were."""
    text = connection.value(asked.NOTE, name=NOTE)
    known = read(text)
    new = Altered(known[-1].number + 1 if known else 1, start, end, moved)
    if known and known[-1].moved == moved and known[-1].start <= end and start <= known[-1].end:
        # Under the new number: who has brought the old span in line looks at all of it again.
        new = _together(known.pop(), new)
    known.append(new)
    while len(known) > _MOST:
        known[:2] = [_together(known[0], known[1])]
    value = json.dumps([[one.number, one.start, one.end, one.moved] for one in known], separators=(",", ":"))
    write_note(connection, NOTE, value)


def note_blocks(connection: Connection, keys: Collection[int]) -> None:
    """Say so of blocks of the archive, each two days of one probe."""
    for block in sorted({key >> PROBE_BITS for key in keys}):
        note(connection, block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS)


def read(text: str | None) -> list[Altered]:
    """Return the spans of a stored fact, oldest first."""
    return [Altered(number, start, end, bool(moved)) for number, start, end, moved in json.loads(text or "[]")]


def _together(old: Altered, new: Altered) -> Altered:
    # Of a span that was moved and one that was not, what is missing cannot be known to stand elsewhere.
    return Altered(new.number, min(old.start, new.start), max(old.end, new.end), old.moved and new.moved)
