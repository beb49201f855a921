"""Readings as PostgreSQL's binary COPY takes them, and as both sides spell them to compare.

Form of the file and of each type: PostgreSQL's documentation, COPY, "Binary Format", and the types' own send functions
(timestamptz: microseconds since 2000).
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable, Iterator, Sequence

from dewkeeper.store.onward import Row

# Signature, flags and the length of an extension, both nought. At the end -1 in place of a row's number of columns.
HEAD = b"PGCOPY\n\xff\r\n\0" + bytes(8)
TAIL = b"\xff\xff"
INCOMING = (
    "CREATE TEMP TABLE IF NOT EXISTS incoming (time timestamptz, t integer, h integer, probe smallint, flag smallint, "
    "why text) ON COMMIT DELETE ROWS"
)
COPY = "COPY pg_temp.incoming FROM STDIN (FORMAT BINARY)"
SPELLED_THERE = (
    "count(*), md5(string_agg(concat_ws(' ', extract(epoch FROM time)::bigint, coalesce(t, -1), coalesce(h, -1), flag, "
    "coalesce(why, '')), E'\\n' ORDER BY time))"
)
"""What `spelled_here` makes, of the rows of a probe as the server holds them."""

_EPOCH = 946_684_800  # 2000-01-01 UTC
_PLAIN = struct.Struct(">hiqiiiiihihi")  # six columns, each after its length: -1 for why, which is NULL
_HEAD = struct.Struct(">hiq")
_LONG, _SHORT, _NOTHING = struct.Struct(">ii"), struct.Struct(">ih"), struct.pack(">i", -1)


def packed(probe: int, rows: Iterable[Row]) -> Iterator[bytes]:
    """Yield each row of a probe, by its number on the server, as COPY takes it."""
    for time, t, h, flag, why in rows:
        since = (time - _EPOCH) * 1_000_000
        if t is not None and h is not None and not why:
            yield _PLAIN.pack(6, 8, since, 4, t, 4, h, 2, probe, 2, flag, -1)
            continue
        text = why.encode()
        yield b"".join(
            (
                _HEAD.pack(6, 8, since), *(_NOTHING if word is None else _LONG.pack(4, word) for word in (t, h)),
                _SHORT.pack(2, probe), _SHORT.pack(2, flag), struct.pack(">i", len(text)) + text if text else _NOTHING,
            )
        )  # fmt: skip


def spelled_here(rows: Sequence[Row]) -> tuple[int, str]:
    """Return how many rows there are and the MD5 of their text: whether both sides hold the same, no secret."""
    text = "\n".join(
        # No word is -1.
        f"{time} {-1 if t is None else t} {-1 if h is None else h} {flag} {why}"
        for time, t, h, flag, why in rows
    )
    return len(rows), hashlib.md5(text.encode(), usedforsecurity=False).hexdigest()
