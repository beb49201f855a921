"""Readings for good: two days of one probe as one compressed blob of raw words.

A block is two UTC days. Its blob holds seconds from the block's start, which words there are, and both words, each as
differences split into byte planes: neighbouring readings differ little, so high bytes are nearly all zero. Measured over
a synthetic rack: 2.2 bytes a reading, the blob alone.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, pairwise

from dewkeeper.store import asked, damage
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK, Asking, Connection
from dewkeeper.store.errors import StoreDamaged
from dewkeeper.store.rows import Row, first_key, last_key

Words = tuple[int, int | None, int | None]
"""Seconds from the block's start, temperature word, humidity word."""
_VERSION = b"\x01"
_PROBES_AT_ONCE = 8
"""A block is read once for so many: 3 MB of a daemon that has 64."""
_PLANES = 3  # differences with their sign last need 17 bits for words, 18 for seconds


def pack(rows: Sequence[Words]) -> bytes:
    """Return rows (seconds from the block's start, words), ascending, as a blob: FORMAT.md."""
    columns = (
        [second for second, _, _ in rows],
        [(t is not None) | (h is not None) << 1 for _, t, h in rows],
        *(list(accumulate((row[place] for row in rows), _last, initial=0))[1:] for place in (1, 2)),
    )
    return _VERSION + zlib.compress(b"".join(map(_planes, columns)), 6)


def verified(blob: bytes, n: int) -> bytes:
    """Return the unpacked bytes of a blob, their check sum compared. Raises StoreDamaged when it is not ours or not whole."""
    if blob[:1] != _VERSION:
        raise StoreDamaged("an archived block has an unknown form")
    try:
        body = zlib.decompress(blob[1:])
    except zlib.error as error:
        raise StoreDamaged("an archived block is damaged") from error
    if len(body) != n * 4 * _PLANES:
        raise StoreDamaged("an archived block has the wrong length")
    return body


def unpack(blob: bytes, n: int) -> list[Words]:
    """Return the rows of a blob. Raises StoreDamaged when it is not one of ours or not whole."""
    body = verified(blob, n)
    columns = [_column(body[n * _PLANES * place : n * _PLANES * (place + 1)]) for place in range(4)]
    return [
        (second, t if there & 1 else None, h if there & 2 else None)
        for second, there, t, h in zip(*columns, strict=True)
    ]


def archived(connection: Asking, number: int, start: int, end: int) -> list[Row]:
    """Return the archived rows of one probe in [start, end) seconds, ascending."""
    blocks = _blocks(start, end)
    if len(blocks) > 400:  # an open-ended span: ask for what there is instead of for every block of the age
        keys = [key for (key,) in connection.rows(asked.CHUNK_KEYS_OF, number=number)]
    else:
        keys = [(block << PROBE_BITS) + number for block in blocks]
    return [
        row
        for blob in _chunks(connection, keys)
        for row in _rows(connection, *blob)
        if start <= row[0] >> PROBE_BITS < end
    ]


def probe_rows(connection: Asking, number: int, start: int, end: int) -> list[Row]:
    """Return every row of one probe in [start, end) seconds, archived or not, ascending."""
    rows = archived(connection, number, start, end)
    rows += connection.rows(asked.READINGS_OF, first=start << PROBE_BITS, end=end << PROBE_BITS, number=number)
    rows.sort(key=lambda row: row[0])
    return rows


def all_rows(connection: Asking, start: int, end: int) -> Iterator[Row]:
    """Yield every row of every probe in [start, end) seconds in key order, one block in memory at a time."""
    within, at = _blocks(start, end), start << PROBE_BITS
    inside = {"first": within.start << PROBE_BITS, "end": within.stop << PROBE_BITS}
    for (block,) in connection.rows(asked.BLOCKS, **inside):
        first, last = max(block * BLOCK_SECONDS, start), min((block + 1) * BLOCK_SECONDS, end)
        # Between two archived blocks lies what is still plain: of days in which nothing was archived.
        yield from _hot(connection, at, first << PROBE_BITS)
        of_block = connection.rows(asked.CHUNK_KEYS, first=block << PROBE_BITS, end=block + 1 << PROBE_BITS)
        found = _chunks(connection, [key for (key,) in of_block])
        rows = [row for blob in found for row in _rows(connection, *blob) if first <= row[0] >> PROBE_BITS < last]
        rows.extend(_hot(connection, first << PROBE_BITS, last << PROBE_BITS))
        rows.sort(key=lambda row: row[0])
        yield from rows
        at = last << PROBE_BITS
    yield from _hot(connection, at, end << PROBE_BITS)


def extent(connection: Asking) -> tuple[int, int]:
    """Return the first second that may have a reading, and the one after the last; of the archive only blocks are known."""
    first, last = first_key(connection), last_key(connection)
    oldest, newest = connection.row(asked.CHUNK_ENDS)
    begins = [first >> PROBE_BITS] if first is not None else []
    ends = [(last >> PROBE_BITS) + 1] if last is not None else []
    if oldest is not None:
        begins.append((oldest >> PROBE_BITS) * BLOCK_SECONDS)
        ends.append(((newest >> PROBE_BITS) + 1) * BLOCK_SECONDS)
    return min(begins, default=0), max(ends, default=0)


def oldest_block(connection: Connection) -> int | None:
    """Return the block of the oldest reading that is still a plain row, None when there is none."""
    oldest = first_key(connection)
    return None if oldest is None else (oldest >> PROBE_BITS) // BLOCK_SECONDS


def archive_block(connection: Connection, block: int) -> int:
    """Move a block's plain rows into blobs, in the caller's transaction; return how many rows moved.

    A block that was archived before (the clock was stepped back into it) is opened and merged. Should a key be taken,
    the newcomer moves to the next free second of its probe: a reading is never lost to a clock.
    """
    start, end = block * BLOCK_SECONDS << PROBE_BITS, (block + 1) * BLOCK_SECONDS << PROBE_BITS
    span = {"first": start, "end": end}
    # Put in order here: SQLite would sort every row to do it.
    # And in order, so that no other probe's number lies between the lowest and the highest of a few.
    numbers = sorted(number for (number,) in connection.execute(asked.NUMBERS, span))
    moved = 0
    for first in range(0, len(numbers), _PROBES_AT_ONCE):
        found: dict[int, list[Words]] = {number: [] for number in numbers[first : first + _PROBES_AT_ONCE]}
        few = {**span, "low": min(found), "high": max(found)}
        for key, t, h in connection.execute(asked.READINGS_OF_FEW, few):
            found[key & PROBE_MASK].append(((key - start) >> PROBE_BITS, t, h))
        for number, rows in found.items():
            key = (block << PROBE_BITS) + number
            keep(connection, key, _merge(there(connection, key), rows))
            moved += len(rows)
    connection.execute(asked.DELETE_READINGS, span)
    return moved


def there(connection: Connection, key: int) -> list[Words]:
    """Return what is archived of a probe's block; one that cannot be read is set aside first, for what comes takes its place."""
    try:
        return [row for _, n, data in _chunks(connection, [key]) for row in unpack(data, n)]
    except StoreDamaged:
        damage.set_aside(connection, [key])
        return []


def keep(connection: Connection, key: int, rows: Sequence[Words]) -> None:
    """Store a probe's block, in place of what was stored of it; key: block * 1024 + probe id."""
    connection.execute(asked.PUT_CHUNK, {"key": key, "n": len(rows), "data": pack(rows)})


def _blocks(start: int, end: int) -> range:
    """Return the blocks that [start, end) seconds touch."""
    return range(start // BLOCK_SECONDS, -(-end // BLOCK_SECONDS))


def _merge(old: list[Words], new: Iterable[Words]) -> list[Words]:
    taken = {row[0] for row in old}
    for second, t, h in new:
        free = second
        while free in taken:
            free += 1
        taken.add(free)
        old.append((free, t, h))
    return sorted(old, key=lambda row: row[0])


def _rows(connection: Asking, key: int, n: int, data: bytes) -> list[Row]:
    start, number = (key >> PROBE_BITS) * BLOCK_SECONDS, key & PROBE_MASK
    try:
        return [((start + second << PROBE_BITS) + number, t, h) for second, t, h in unpack(data, n)]
    except StoreDamaged:
        damage.note(connection, key)  # one block must keep nobody from all others
        return []


def _chunks(connection: Asking, keys: Sequence[int]) -> list[tuple[int, int, bytes]]:
    """Return (key, n, data) of those of these blobs that there are, ascending; in pages that SQLite cannot follow they
    are noted as damaged."""
    listed = json.dumps(keys)
    try:
        return connection.rows(asked.CHUNKS, keys=listed)
    except sqlite3.DatabaseError as error:
        if "malformed" not in str(error):
            raise
    found: list[tuple[int, int, bytes]] = []
    for (key,) in connection.rows(asked.CHUNK_KEYS_AMONG, keys=listed):
        try:
            found += connection.rows(asked.CHUNK, key=key)
        except sqlite3.DatabaseError:
            damage.note(connection, key)
    return found


def _hot(connection: Asking, first: int, end: int) -> Iterator[Row]:
    return connection.execute(asked.READINGS, {"first": first, "end": end})


def _last(last: int, word: int | None) -> int:
    return last if word is None else word  # to repeat a word costs no difference


def _planes(column: Sequence[int]) -> bytes:
    steps = (after - before for before, after in pairwise((0, *column)))
    # The sign last: a small step down has few bits too.
    raw = array("I", [step << 1 if step >= 0 else (-step << 1) - 1 for step in steps]).tobytes()
    return b"".join(raw[plane::4] for plane in range(_PLANES))


def _column(body: bytes) -> list[int]:
    n = len(body) // _PLANES
    raw = bytearray(4 * n)
    for plane in range(_PLANES):
        raw[plane::4] = body[n * plane : n * (plane + 1)]
    return list(accumulate(-((step + 1) >> 1) if step & 1 else step >> 1 for step in memoryview(raw).cast("I")))
