"""Readings for good: two days of one probe as one compressed blob of raw words.

A block is two UTC days. Its blob holds seconds from the block's start, both words and which of them were missing, each
as differences split into byte planes: neighbouring readings differ little, so high bytes are nearly all zero. Noise and
zeros are coded apart, each by its own frequencies. Measured over synthetic racks: 2.1 bytes a reading, the blob alone.
"""

from __future__ import annotations

import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from dewkeeper.store import damage
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK, fetched
from dewkeeper.store.errors import StoreDamaged
from dewkeeper.store.ring import Row, empty, first_key, source, table

Words = tuple[int, int | None, int | None]
"""Seconds from the block's start, temperature word, humidity word."""
_VERSION = b"\x01"
_PROBES_AT_ONCE = 16
"""A block is read once for so many: all of 128 probes at once are 4.4 MB of a daemon that has 64."""
_PLANES = 3  # zigzag differences need 17 bits for words, 18 for seconds


def pack(rows: Sequence[Words]) -> bytes:
    """Return rows (seconds from the block's start, words), ascending, as a blob."""
    masks = bytes(_mask(t, h) for _, t, h in rows)
    humidities = [h if mask & 2 else None for mask, (_, _, h) in zip(masks, rows, strict=True)]
    seconds, t, h = (
        _planes(column) for column in ([row[0] for row in rows], _filled([row[1] for row in rows]), _filled(humidities))
    )
    n = len(rows)
    coder = zlib.compressobj(6, strategy=zlib.Z_FILTERED)
    parts = (masks + seconds, t[:n], t[n:], h[:n], h[n:])
    return _VERSION + b"".join(coder.compress(part) + coder.flush(zlib.Z_BLOCK) for part in parts) + coder.flush()


def verified(blob: bytes, n: int) -> bytes:
    """Return the unpacked bytes of a blob, their check sum compared. Raises StoreDamaged when it is not ours or not whole."""
    if blob[:1] != _VERSION:
        raise StoreDamaged("an archived block has an unknown form")
    try:
        body = zlib.decompress(blob[1:])
    except zlib.error as error:
        raise StoreDamaged("an archived block is damaged") from error
    if len(body) != n * (1 + 3 * _PLANES):
        raise StoreDamaged("an archived block has the wrong length")
    return body


def unpack(blob: bytes, n: int) -> list[Words]:
    """Return the rows of a blob. Raises StoreDamaged when it is not one of ours or not whole."""
    body = verified(blob, n)
    columns = [_column(body[n + n * _PLANES * i : n + n * _PLANES * (i + 1)], n) for i in range(3)]
    return [
        (second, t if mask & 1 else None, h if mask & 2 else _why(mask))
        for mask, second, t, h in zip(body[:n], *columns, strict=True)
    ]


def archived(connection: Connection, number: int, start: int, end: int) -> list[Row]:
    """Return the archived rows of one probe in [start, end) seconds, ascending."""
    keys = [(block << PROBE_BITS) + number for block in _blocks(connection, start, end)]
    if not keys:
        return []
    if len(keys) > 400:  # an open-ended span: ask for what there is instead of for every block of the age
        found = _chunks(connection, f"key & {PROBE_MASK} = ?", (number,))
    else:
        found = _chunks(connection, f"key IN ({','.join('?' * len(keys))})", tuple(keys))
    return [row for chunk in sorted(found) for row in _rows(connection, *chunk) if start <= row[0] >> PROBE_BITS < end]


def probe_rows(connection: Connection, number: int, start: int, end: int) -> list[Row]:
    """Return every row of one probe in [start, end) seconds, archived or not, ascending."""
    rows = archived(connection, number, start, end)
    rows.extend(
        fetched(
            connection,
            f"SELECT key, t, h FROM {source(start, end)} WHERE key >= ? AND key < ? AND key & {PROBE_MASK} = ?",  # noqa: S608
            (start << PROBE_BITS, end << PROBE_BITS, number),
        )
    )
    rows.sort(key=lambda row: row[0])
    return rows


def all_rows(connection: Connection, start: int, end: int) -> Iterator[Row]:
    """Yield every row of every probe in [start, end) seconds in key order, one block in memory at a time."""
    blocks: Sequence[Any] = ()
    if within := _blocks(connection, start, end):
        blocks = connection.exec_driver_sql(
            f"SELECT DISTINCT key >> {PROBE_BITS} FROM chunk WHERE key >= ? AND key < ? ORDER BY 1",  # noqa: S608
            (within.start << PROBE_BITS, within.stop << PROBE_BITS),
        ).all()
    at = start << PROBE_BITS
    for (block,) in blocks:
        first, last = max(block * BLOCK_SECONDS, start), min((block + 1) * BLOCK_SECONDS, end)
        yield from _hot(connection, at, first << PROBE_BITS)
        chunks = _chunks(connection, "key >= ? AND key < ?", (block << PROBE_BITS, (block + 1) << PROBE_BITS))
        rows = [row for chunk in chunks for row in _rows(connection, *chunk) if first <= row[0] >> PROBE_BITS < last]
        rows.extend(_hot(connection, first << PROBE_BITS, last << PROBE_BITS))
        rows.sort(key=lambda row: row[0])
        yield from rows
        at = last << PROBE_BITS
    yield from _hot(connection, at, end << PROBE_BITS)


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
    stored = f"FROM {table(start)} WHERE key >= ? AND key < ?"
    # Put in order here: SQLite would sort every row to do it.
    numbers = sorted(
        number for (number,) in fetched(connection, f"SELECT DISTINCT key & {PROBE_MASK} {stored}", (start, end))
    )
    moved = 0
    for first in range(0, len(numbers), _PROBES_AT_ONCE):
        few = numbers[first : first + _PROBES_AT_ONCE]
        times = {number: array("i") for number in few}
        words = {number: array("i") for number in few}
        of_few = f"{stored} AND key & {PROBE_MASK} BETWEEN ? AND ?"
        for key, t, h in fetched(connection, f"SELECT key, t, h {of_few}", (start, end, few[0], few[-1])):
            times[key & PROBE_MASK].append((key - start) >> PROBE_BITS)
            words[key & PROBE_MASK].extend((-1 if t is None else t, -1 if h is None else h))
        for number in few:
            pairs = words.pop(number)
            rows = list(zip(times[number], map(_value, pairs[::2]), map(_value, pairs[1::2]), strict=True))
            key = (block << PROBE_BITS) + number
            keep(connection, key, _merge(there(connection, key), rows))
            moved += len(rows)
    empty(connection, block)
    return moved


def there(connection: Connection, key: int) -> list[Words]:
    """Return what is archived of a probe's block; one that cannot be read is set aside first, for what comes takes its place."""
    try:
        chunks = _chunks(connection, "key = ?", (key,))
        return [row for _, n, data in chunks for row in unpack(data, n)]
    except StoreDamaged:
        damage.set_aside(connection, [key])
        return []


def keep(connection: Connection, key: int, rows: Sequence[Words]) -> None:
    """Store a probe's block, in place of what was stored of it; key: block * 1024 + probe id."""
    connection.exec_driver_sql("INSERT OR REPLACE INTO chunk VALUES (?, ?, ?)", (key, len(rows), pack(rows)))
    connection.exec_driver_sql("UPDATE covered SET archived = max(archived, ?)", ((key >> PROBE_BITS) + 1,))


def _blocks(connection: Connection, start: int, end: int) -> range:
    """Return the blocks of [start, end) seconds that may be archived: to look for one in vain costs three pages."""
    archived: int = connection.exec_driver_sql("SELECT archived FROM covered").scalar_one()
    return range(start // BLOCK_SECONDS, min(-(-end // BLOCK_SECONDS), archived))


def _merge(old: list[Words], new: Iterable[Words]) -> list[Words]:
    taken = {row[0] for row in old}
    for second, t, h in new:
        free = second
        while free in taken:
            free += 1
        taken.add(free)
        old.append((free, t, h))
    return sorted(old, key=lambda row: row[0])


def _rows(connection: Connection, key: int, n: int, data: bytes) -> list[Row]:
    start, number = (key >> PROBE_BITS) * BLOCK_SECONDS, key & PROBE_MASK
    try:
        return [((start + second << PROBE_BITS) + number, t, h) for second, t, h in unpack(data, n)]
    except StoreDamaged:
        damage.note(connection, key)  # one block must keep nobody from all others
        return []


def _chunks(connection: Connection, where: str, values: tuple[int, ...]) -> Sequence[tuple[int, int, bytes]]:
    """Return (key, n, data) of blobs; those in pages that SQLite cannot follow are noted as damaged."""
    try:
        return connection.exec_driver_sql(f"SELECT key, n, data FROM chunk WHERE {where}", values).all()  # noqa: S608
    except DatabaseError as error:
        if "malformed" not in str(error.orig):
            raise
    found: list[tuple[int, int, bytes]] = []
    for key in connection.exec_driver_sql(f"SELECT key FROM chunk WHERE {where}", values).scalars().all():  # noqa: S608
        try:
            found += connection.exec_driver_sql("SELECT key, n, data FROM chunk WHERE key = ?", (key,)).all()
        except DatabaseError:
            damage.note(connection, key)
    return found


def _hot(connection: Connection, first: int, end: int) -> Iterator[Row]:
    return fetched(
        connection,
        f"SELECT key, t, h FROM {source(first >> PROBE_BITS, end >> PROBE_BITS)} WHERE key >= ? AND key < ? ORDER BY key",  # noqa: S608
        (first, end),
    )


def _mask(t: int | None, h: int | None) -> int:
    """Return which words there are (1, 2); where only why not is known, that, so that the words' columns stay smooth."""
    if t is None and h is not None and h < 60:
        return h + 1 << 2
    return (t is not None) | (h is not None) << 1


def _why(mask: int) -> int | None:
    return (mask >> 2) - 1 if mask > 3 else None


def _value(word: int) -> int | None:
    return None if word < 0 else word


def _filled(column: Sequence[int | None]) -> list[int]:
    """Repeat the last value where there is none, which costs no difference."""
    last = 0
    filled = []
    for value in column:
        last = last if value is None else value
        filled.append(last)
    return filled


def _planes(column: Sequence[int]) -> bytes:
    differences = array("I")
    last = 0
    for value in column:
        step = value - last
        differences.append(step << 1 if step >= 0 else (-step << 1) - 1)
        last = value
    raw = differences.tobytes()
    return b"".join(raw[plane::4] for plane in range(_PLANES))


def _column(body: bytes, n: int) -> list[int]:
    raw = bytearray(4 * n)
    for plane in range(_PLANES):
        raw[plane::4] = body[n * plane : n * (plane + 1)]
    column, last = [], 0
    for step in memoryview(raw).cast("I"):
        last += -((step + 1) >> 1) if step & 1 else step >> 1
        column.append(last)
    return column
