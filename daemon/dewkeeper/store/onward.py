"""What somebody asks who keeps a copy of everything elsewhere, a part at a time. Read-only, like all of `History`."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from dewkeeper.judge.types import MISSING, PASS
from dewkeeper.store import asked
from dewkeeper.store.altered import NOTE, Altered, read
from dewkeeper.store.archive import probe_rows
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK
from dewkeeper.store.history import History
from dewkeeper.store.quality import spelled
from dewkeeper.store.reading import Decoder
from dewkeeper.store.records import CAME_LAST, FIGURES, OFF_TIMES
from dewkeeper.store.rows import first_key, last_key

_WITH_IDS = ("JournalEntry", "Command")
_FAILED = spelled((), "missing", ())

Row = tuple[int, int | None, int | None, int, str]
"""A reading as it is kept elsewhere: UTC seconds, both words (None of a failed poll), flag, why as the store spells it."""


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
            oldest, newest = connection.row(asked.CHUNK_ENDS)
            found = [key >> PROBE_BITS for key in (first, last) if key is not None]
            if oldest is not None:
                found.append((oldest >> PROBE_BITS) * BLOCK_SECONDS)
                block = newest >> PROBE_BITS
                if last is None or block >= (last >> PROBE_BITS) // BLOCK_SECONDS:  # an import may reach further
                    numbers = [n for (n,) in connection.rows(asked.CHUNK_NUMBERS, first=block << PROBE_BITS)]
                    span = block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS
                    found += [rows[-1][0] >> PROBE_BITS for n in numbers if (rows := probe_rows(connection, n, *span))]
        return (min(found), max(found)) if found else None

    def rows(self, probe: str, start: int, end: int) -> list[Row]:
        """Return every reading of a probe in [start, end) seconds, oldest first: what `raw` says of it but for its values.

        A record of each reading and its verdict would cost four times the processor's time and most of the memory.
        """
        with self._read() as connection:
            decoder = Decoder(connection, start, end)
            number = next((n for n, name in decoder.names.items() if name == probe), None)
            if number is None:
                return []
            stored = probe_rows(connection, number, start, end)
        if decoder.unmarked(number) and decoder.readable(number):
            return [
                (key >> PROBE_BITS, None, None, MISSING, _FAILED)
                if t is None or h is None
                else (key >> PROBE_BITS, t, h, PASS, "")
                for key, t, h in stored
            ]
        found: list[Row] = []
        for key, t, h in stored:
            flag, tests = decoder.verdict(key, failed=t is None or h is None)
            if t is None or h is None or not decoder.readable(number):
                found.append((key >> PROBE_BITS, None, None, flag, _why(tests, failed=True)))
            else:
                found.append((key >> PROBE_BITS, t, h, flag, _why(tests, failed=False)))
        return found

    def next_from(self, at: int) -> int | None:
        """Return the first second from `at` on that may have a reading (of the archive: in its block), None for none."""
        with self._read() as connection:
            plain = connection.value(asked.NEXT_READING, first=at << PROBE_BITS)
            block = connection.value(asked.NEXT_CHUNK, first=at // BLOCK_SECONDS << PROBE_BITS)
        found = [] if plain is None else [plain >> PROBE_BITS]
        if block is not None:
            # Never before `at`, which may lie inside that block: who goes on from there would stay there.
            found.append(max(at, (block >> PROBE_BITS) * BLOCK_SECONDS))
        return min(found, default=None)

    def next_record_from(self, at: int) -> int | None:
        """Return the first second from `at` on of which there is an item or event, or an alarm was raised, None for none."""
        found = self._rows(asked.NEXT_RECORD, at=at)
        return min((second for (second,) in found if second is not None), default=None)

    def scales(self) -> dict[str, str]:
        """Return every probe's scale as it is spelled, by the probe's name."""
        with self._read() as connection:
            return {name: scale for _, name, scale in connection.rows(asked.PROBES)}

    def told_of(self) -> dict[str, str]:
        """Return the named facts that reports are told by: no other, for among those are keys."""
        found = {FIGURES + name: value for name, value in self.figures("").items()}
        found |= {name: value for name, value in self.notes().items() if name == OFF_TIMES}
        late = self._came_last()
        return found if late is None else found | {CAME_LAST: late}

    def _came_last(self) -> str | None:
        """Return, while the clock is behind what was stored before it was stepped back, which readings came last: of rows in
        order of time nobody else can tell. None where the newest are those of the latest times.
        """
        with self._read() as connection:
            newest = last_key(connection) or 0
            names = {number: name for number, name, _ in connection.rows(asked.PROBES)}
            keys = [key for key, _, _ in connection.rows(asked.NEWEST_LATE, newest=newest)]
        last = {names[key & PROBE_MASK]: key >> PROBE_BITS for key in keys}
        return json.dumps({"after": newest >> PROBE_BITS, "last": last}) if last else None

    def altered(self) -> Sequence[Altered]:
        """Return which parts of the past were changed, oldest change first."""
        with self._read() as connection:
            text = connection.value(asked.NOTE, name=NOTE)
        return read(text)

    def items_beyond(self, low: int, high: int, most: int) -> list[Record]:
        """Return at most so many items whose numbers are below `low` or above `high`, those nearest to these first."""
        with self._read() as connection:
            found = connection.rows(asked.ITEMS_BELOW, low=low, most=most)
            found += connection.rows(asked.ITEMS_ABOVE, high=high, most=most - len(found))
        return list(_items(found))

    def items_between(self, start: int, end: int) -> list[Record]:
        """Return every item dated in [start, end) seconds."""
        return list(_items(self._rows(asked.ITEMS_BETWEEN, first=start, end=end)))

    def events_beyond(self, high: int, most: int) -> list[Record]:
        """Return at most so many events whose numbers are above `high`, in order."""
        return list(_readable(self._rows(asked.EVENTS_ABOVE, high=high, most=most)))

    def events_between(self, start: int, end: int) -> list[Record]:
        """Return every event of [start, end) seconds."""
        return list(_readable(self._rows(asked.EVENTS_BETWEEN, first=start, end=end)))

    def alarms_of(self, names: Sequence[str]) -> list[Record]:
        """Return these alarms as they stand."""
        return list(_readable(self._rows(asked.ALARMS_OF, names=json.dumps(list(names)))))

    def alarms_between(self, start: int, end: int) -> list[Record]:
        """Return every alarm that was raised in [start, end) seconds, as it stands."""
        return list(_readable(self._rows(asked.ALARMS_BETWEEN, first=start, end=end)))

    def _rows(self, question: str, **given: object) -> Sequence[Any]:
        with self._read() as connection:
            return connection.rows(question, **given)


@lru_cache(maxsize=256)
def _why(tests: str, *, failed: bool) -> str:
    """Return what a verdict's text comes to in a row: no reason to have failed where it did not, no notes where it did."""
    named, _, notes = tests.partition("+")
    parts = [part for part in named.split(",") if part]
    found = [part for part in parts if not part.startswith("!")]
    if not failed:
        return spelled(found, None, notes.split("+") if notes else ())
    return spelled(found, next((part[1:] for part in parts if part.startswith("!")), "missing"), ())


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
