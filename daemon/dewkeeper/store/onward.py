"""What somebody asks who keeps a copy of everything elsewhere, a part at a time. Read-only, like all of `History`."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import func, select

from dewkeeper.store import codec
from dewkeeper.store.altered import NOTE, Altered, read
from dewkeeper.store.archive import probe_rows
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK
from dewkeeper.store.history import History
from dewkeeper.store.rows import first_key, last_key
from dewkeeper.store.schema import reading

LOWEST: Final = 0
"""Items have larger numbers, but for those that were imported: their numbers go down from it."""
_WITH_IDS = ("JournalEntry", "Command")
_KINDS = sorted(codec.KINDS)
# `item` is indexed by kind, then time.
_NEXT_RECORD = " UNION ALL ".join(
    (
        *(f"SELECT min(time) FROM item WHERE kind = '{kind}' AND time >= ?" for kind in _KINDS),  # noqa: S608
        "SELECT min(time) FROM event WHERE time >= ?", "SELECT min(raised) FROM alarm WHERE raised >= ?",
    )
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Record:
    """A stored item, event or alarm. seq: its number here, 0 of an alarm; data: its JSON text.

    identity: its own id where it has one, else a digest of what it says: two that say the same are one.
    """

    seq: int
    time: int
    identity: str
    kind: str
    data: str


class Onward(History):
    """Everything stored, to be taken in parts of bounded size."""

    def reach(self) -> tuple[int, int] | None:
        """Return the UTC seconds of the first reading, or of the archive's block it lies in, and of the last; None without any."""
        with self._read() as connection:
            first, last = first_key(connection), last_key(connection)
            oldest, newest = connection.exec_driver_sql("SELECT min(key), max(key) FROM chunk").one()
            found = [key >> PROBE_BITS for key in (first, last) if key is not None]
            if oldest is not None:
                found.append((oldest >> PROBE_BITS) * BLOCK_SECONDS)
                block = newest >> PROBE_BITS
                if last is None or block >= (last >> PROBE_BITS) // BLOCK_SECONDS:  # an import may reach further
                    numbers = connection.exec_driver_sql(
                        f"SELECT key & {PROBE_MASK} FROM chunk WHERE key >= ?",  # noqa: S608
                        (block << PROBE_BITS,),
                    ).scalars()
                    span = block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS
                    found += [
                        rows[-1][0] >> PROBE_BITS for n in numbers.all() if (rows := probe_rows(connection, n, *span))
                    ]
        return (min(found), max(found)) if found else None

    def next_from(self, at: int) -> int | None:
        """Return the first second from `at` on that may have a reading (of the archive: in its block), None for none."""
        with self._read() as connection:
            plain = connection.scalar(select(func.min(reading.c.key)).where(reading.c.key >= at << PROBE_BITS))
            block = connection.exec_driver_sql(
                "SELECT min(key) FROM chunk WHERE key >= ?", (at // BLOCK_SECONDS << PROBE_BITS,)
            ).scalar()
        found = [] if plain is None else [plain >> PROBE_BITS]
        if block is not None:
            found.append(max(at, (block >> PROBE_BITS) * BLOCK_SECONDS))
        return min(found, default=None)

    def next_record_from(self, at: int) -> int | None:
        """Return the first second from `at` on of which there is an item or event, or an alarm was raised, None for none."""
        found = self._rows(_NEXT_RECORD, (at,) * (len(_KINDS) + 2))
        return min((second for (second,) in found if second is not None), default=None)

    def scales(self) -> dict[str, str]:
        """Return every probe's scale as it is spelled, by the probe's name."""
        with self._read() as connection:
            rows = connection.exec_driver_sql("SELECT name, scale FROM probe ORDER BY id").all()
        return {row.name: row.scale for row in rows}

    def altered(self) -> Sequence[Altered]:
        """Return which parts of the past were changed, oldest change first."""
        with self._read() as connection:
            text = connection.exec_driver_sql("SELECT value FROM note WHERE name = ?", (NOTE,)).scalar()
        return read(text)

    def items_beyond(self, low: int, high: int, most: int) -> list[Record]:
        """Return at most so many items whose numbers are below `low` or above `high`, those nearest to these first."""
        asked = (
            "SELECT * FROM (SELECT seq, time, kind, data FROM item WHERE seq < ? ORDER BY seq DESC LIMIT ?) UNION ALL "
            "SELECT * FROM (SELECT seq, time, kind, data FROM item WHERE seq > ? ORDER BY seq LIMIT ?) LIMIT ?"
        )
        return list(_items(self._rows(asked, (low, most, high, most, most))))

    def items_between(self, start: int, end: int) -> list[Record]:
        """Return every item dated in [start, end) seconds."""
        asked = (
            "SELECT seq, time, kind, data FROM item WHERE kind IN (SELECT value FROM json_each(?)) "
            "AND time >= ? AND time < ? ORDER BY seq"
        )
        return list(_items(self._rows(asked, (json.dumps(_KINDS), start, end))))

    def events_beyond(self, high: int, most: int) -> list[Record]:
        """Return at most so many events whose numbers are above `high`, in order."""
        asked = "SELECT seq, time, id, 'event', data FROM event WHERE seq > ? ORDER BY seq LIMIT ?"
        return list(_readable(self._rows(asked, (high, most))))

    def events_between(self, start: int, end: int) -> list[Record]:
        """Return every event of [start, end) seconds."""
        asked = "SELECT seq, time, id, 'event', data FROM event WHERE time >= ? AND time < ? ORDER BY seq"
        return list(_readable(self._rows(asked, (start, end))))

    def alarms_of(self, names: Sequence[str]) -> list[Record]:
        """Return these alarms as they stand."""
        asked = "SELECT 0, raised, alarm, state, data FROM alarm WHERE alarm IN (SELECT value FROM json_each(?)) ORDER BY alarm"
        return list(_readable(self._rows(asked, (json.dumps(list(names)),))))

    def alarms_between(self, start: int, end: int) -> list[Record]:
        """Return every alarm that was raised in [start, end) seconds, as it stands."""
        asked = "SELECT 0, raised, alarm, state, data FROM alarm WHERE raised >= ? AND raised < ? ORDER BY alarm"
        return list(_readable(self._rows(asked, (start, end))))

    def _rows(self, asked: str, values: tuple[Any, ...]) -> Sequence[Any]:
        with self._read() as connection:
            return connection.exec_driver_sql(asked, values).all()


def _items(rows: Iterable[Sequence[Any]]) -> Iterator[Record]:
    for seq, time, kind, data in rows:
        try:
            text = zlib.decompress(data).decode() if isinstance(data, bytes) else str(data)
            own = json.loads(text).get("id") if kind in _WITH_IDS else None
        except (ValueError, zlib.error, AttributeError):
            continue  # damaged: whoever reads it by `codec` says so
        digest = hashlib.sha256(f"{kind} {text}".encode()).hexdigest()[:32]
        yield Record(seq, time, own or digest, kind, text)


def _readable(rows: Iterable[Sequence[Any]]) -> Iterator[Record]:
    for row in rows:
        try:
            json.loads(row[4])
        except ValueError:
            continue
        yield Record(*row)
