"""Reading back: short, read-only, from any thread."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Alarm, Event, Item, JournalEntry, Learned, Quality, Reading
from dewkeeper.judge.words import WITHDRAWN
from dewkeeper.store import asked, codec
from dewkeeper.store.archive import all_rows, probe_rows
from dewkeeper.store.arrival import arrivals, before, fetch, others
from dewkeeper.store.database import (
    FILE_NAME,
    FOREVER,
    PROBE_BITS,
    PROBE_MASK,
    Asked,
    Asking,
    FileReader,
    plain_reason,
)
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.in_force import InForce
from dewkeeper.store.quarters import QUARTER_SECONDS, Standards
from dewkeeper.store.reading import Decoder, calibrations
from dewkeeper.store.records import FIGURES, UNREADABLE, Delivery, Message
from dewkeeper.store.remembered import Remembered
from dewkeeper.store.rows import last_key
from dewkeeper.store.slices import Slice, days, extremes, slices
from dewkeeper.store.summary import Span, spans

_NEWEST_SECONDS = 86400
_END = "\U0010ffff"  # the last character there is: after every name that begins so
_USUAL_KEYS = 1800 << PROBE_BITS
"""Three polls of the slowest period: where the newest reading of every probe normally lies."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A stored reading and its verdict."""

    reading: Reading
    quality: Quality


class History:
    """Read-only view of the database. Open it once; every question opens and ends its own short read."""

    def __init__(self, file: Asked) -> None:
        self._file = file
        self._lock = threading.Lock()
        self._remembered = Remembered()

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the database in `folder` for reading. Raises StoreUnusable."""
        if not (folder / FILE_NAME).exists():
            raise StoreUnusable(f"no database in {folder}: has the daemon ever run with this configuration?")
        return cls(FileReader(folder))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End it; between two questions nothing is open."""

    def latest(self) -> Mapping[str, Stored]:
        """Return the newest reading of every probe within the last day before the newest of all."""
        with self._read() as connection:
            newest = last_key(connection) or 0
            start = (newest >> PROBE_BITS) - _NEWEST_SECONDS
            rows = connection.rows(asked.NEWEST, first=newest - _USUAL_KEYS, newest=newest)
            # Some probe is silent or gone: a whole day is looked through, which costs more.
            if len(rows) < connection.value(asked.PROBE_COUNT):
                rows = connection.rows(asked.NEWEST, first=start << PROBE_BITS, newest=newest)
            # After the clock was stepped back the newest are not those of the largest keys, but those that came after them.
            later = connection.rows(asked.NEWEST_LATE, newest=newest)
            decoder = Decoder(connection, min([start, *(row[0] >> PROBE_BITS for row in later)]))
            found = [decoder.decode(*row) for row in (*rows, *later)]
        return {reading.probe: Stored(reading, quality) for reading, quality in found}

    def raw(self, probe: str, start: int, end: int) -> Sequence[Stored]:
        """Return every reading of a probe in [start, end), oldest first."""
        with self._read() as connection:
            decoder = Decoder(connection, start, end)
            number = next((n for n, name in decoder.names.items() if name == probe), None)
            if number is None:
                return []
            return [Stored(*decoder.decode(*row)) for row in probe_rows(connection, number, start, end)]

    def believed(self, start: int, end: int) -> Mapping[str, list[tuple[int, float, float] | tuple[int, None, None]]]:
        """Return (time, °C, %RH) of every poll in [start, end) by probe, oldest first; None where not both count.

        Without a record each: a night of a whole rack is read at every look at the page.
        """
        with self._read() as connection:
            decoder = Decoder(connection, start, end)
            found: dict[int, list[tuple[int, float, float] | tuple[int, None, None]]] = defaultdict(list)
            for key, t, h in all_rows(connection, start, end):
                temperature_c, humidity_percent = decoder.believed(key, t, h) or (None, None)
                one = (
                    (None, None)
                    if temperature_c is None or humidity_percent is None
                    else (temperature_c, humidity_percent)
                )
                found[key & PROBE_MASK].append((key >> PROBE_BITS, *one))
            return {decoder.names[number]: rows for number, rows in found.items()}

    def series(self, probe: str, start: int, end: int, points: int) -> Sequence[Slice]:
        """Return at most about `points` slices of [start, end), oldest first, keeping every extreme that counts.

        Slices without counted readings are left out. Archived quarter hours serve where the slices are whole
        multiples of them; elsewhere the readings themselves.
        """
        size = max(60, -(-(end - start) // points))
        # From there on the stored quarter hours serve, at a fraction of the cost: the slices are made to fit them.
        if size > QUARTER_SECONDS // 2:
            size = -(-size // QUARTER_SECONDS) * QUARTER_SECONDS
            start = start // QUARTER_SECONDS * QUARTER_SECONDS
        with self._read() as connection:
            number = connection.value(asked.PROBE_NUMBER, name=probe)
            return [] if number is None else slices(connection, number, start, end, size)

    def overnight(self, start: int, end: int) -> Mapping[str, Span]:
        """Return what every probe's counted readings in [start, end) come to; without any, a probe is left out.

        Any span will do; one that begins and ends on a quarter hour, as nights do, reads no single reading.
        """
        with self._read() as connection:
            return spans(connection, self._standards(connection), start, end)

    def extremes(self, start: int, end: int, quarters: int) -> Mapping[str, Sequence[Slice]]:
        """Return every probe's lowest and highest by slices of so many whole quarter hours of [start, end), oldest first."""
        with self._read() as connection:
            return extremes(connection, start, end, quarters)

    def days(self, probe: str, moments: Sequence[int]) -> Sequence[Slice]:
        """Return what one probe read on each of the days between `moments` (UTC seconds, on quarter hours), oldest first."""
        with self._read() as connection:
            number = connection.value(asked.PROBE_NUMBER, name=probe)
            return [] if number is None else days(connection, number, moments)

    def stats(self, probe: str, start: int, end: int) -> Span | None:
        """Return what one probe's counted readings in [start, end) come to, None without any."""
        with self._read() as connection:
            return spans(connection, self._standards(connection), start, end, probe).get(probe)

    def stream(self, since: int, probes: Collection[str] | None = None) -> Iterator[Item]:
        """Yield readings (of these probes; None: all) and items from `since` on, in order of arrival, a part at a time."""
        start = before(since)
        with self._read() as connection:
            wanted = [other for other in others(connection) if other.place > start]
        yield from arrivals(self._read, start, wanted, probes)

    def items_before(self, since: int, kinds: Collection[str]) -> Sequence[Item]:
        """Return the items of these kinds (names of their types) that came before `since`, in order of arrival."""
        start = before(since)
        with self._read() as connection:
            return [
                item
                for other in others(connection)
                if other.place <= start and other.kind in kinds
                for item in fetch(connection, other)
            ]

    def standing(self) -> Sequence[Alarm]:
        """Return the alarms that are not normal, as last stored."""
        with self._read() as connection:
            rows = connection.rows(asked.STANDING)
        return list(codec.readable(codec.unpack_alarm, rows))

    def events(self, since: int, enclosure: str | None = None, *, until: int | None = None) -> Sequence[Event]:
        """Return events from `since` on, oldest first; of one enclosure, and before `until`, where these are given."""
        until = FOREVER if until is None else until
        with self._read() as connection:
            rows = connection.rows(asked.EVENTS, since=since, until=until, enclosure=enclosure)
        return list(codec.readable(codec.unpack_event, rows))

    def journal(
        self,
        since: int = 0,
        *,
        replaced: bool = False,
        words: Collection[str] | None = None,
        enclosure: str | None = None,
    ) -> Sequence[JournalEntry]:
        """Return journal entries from `since` on, oldest first; those corrected or taken back only if asked for (`replaced`).

        words, enclosure: only these words of the journal, only this enclosure; None for all.
        """
        among = None if words is None else json.dumps(sorted(words))
        with self._read() as connection, self._lock:
            self._remembered.bring_up_to_date(connection)
            rows = connection.rows(asked.JOURNAL, since=since, words=among, enclosure=enclosure)
            gone = set() if replaced else self._remembered.replaced
        entries = codec.readable(codec.unpack_item, rows)
        return [
            entry
            for entry in entries
            if isinstance(entry, JournalEntry) and (replaced or (entry.id not in gone and entry.what != WITHDRAWN))
        ]

    def learned(self, at: int) -> Mapping[str, Learned]:
        """Return by enclosure what insight had last said of it at a time (UTC seconds); nothing it says holds for two months."""
        with self._read() as connection:
            rows = connection.rows(asked.LEARNED, at=at)
        found = codec.readable(codec.unpack_item, rows)
        return {one.enclosure: one for one in found if isinstance(one, Learned)}

    def calibrations(self) -> Calibrations:
        """Return every calibration."""
        with self._read() as connection:
            return calibrations(connection)

    def in_force(self) -> InForce:
        """Return which settings and journal stages held when."""
        with self._read() as connection, self._lock:
            self._remembered.bring_up_to_date(connection)
            return self._remembered.in_force

    def messages_due(
        self, now: int, channels: Sequence[str] | None = None, elapsed: int | None = None
    ) -> Sequence[Message]:
        """Return pending messages whose time has come, oldest first; of each way to a person `MOST_DUE`, urgent
        ones before others.

        now: UTC seconds, for what waits for an hour of the wall clock (`not_before`). elapsed: the same had the clock
        never been stepped, for what waits so many seconds (`next_try`); None: it never was. channels: over these only;
        None for all. So memory stays bounded after days offline, and what piles up on a dead way hides nothing on
        another. A row that cannot be read comes as one of the kind `UNREADABLE`.
        """
        over = None if channels is None else json.dumps(list(channels))
        elapsed = now if elapsed is None else elapsed
        return self._messages(asked.MESSAGES_DUE, now=now, elapsed=elapsed, channels=over)

    def seconds_to_due(self, now: int, elapsed: int | None = None) -> int | None:
        """Return in how many seconds the next pending message that still waits may go; None for none. Times as above."""
        with self._read() as connection:
            found: int | None = connection.value(
                asked.SECONDS_TO_DUE, now=now, elapsed=now if elapsed is None else elapsed
            )
        return found

    def waiting(self) -> Mapping[tuple[str, str], tuple[int, str]]:
        """Return how many messages wait on each way (person, channel), and the newest of their errors, "" for none."""
        with self._read() as connection:
            rows = connection.rows(asked.WAITING)
        ways: dict[tuple[str, str], tuple[int, str]] = {}
        for person, channel, error in rows:
            count, newest = ways.get((person, channel), (0, ""))
            ways[person, channel] = (count + 1, error or newest)
        return ways

    def messages(self, since: int = 0) -> Sequence[Message]:
        """Return all messages planned from `since` on, oldest first."""
        return self._messages(asked.MESSAGES, since=since)

    def notes(self) -> Mapping[str, str]:
        """Return the small named facts, without those that begin with `FIGURES`: they are large, and `figures` gives them."""
        with self._read() as connection:
            return dict(connection.rows(asked.NOTES_WITHOUT_FIGURES))

    def figures(self, about: str) -> Mapping[str, str]:
        """Return the named facts whose names go on so after `FIGURES`, by the rest of their names."""
        begin = FIGURES + about
        with self._read() as connection:
            found = connection.rows(asked.NOTES_WITHIN, first=begin, end=begin + _END)
        return {name.removeprefix(begin): value for name, value in found}

    def _messages(self, question: str, **given: object) -> Sequence[Message]:
        with self._read() as connection:
            rows = connection.rows(question, **given)
        return [_message(*row) for row in rows]

    def _standards(self, connection: Asking) -> Standards:
        with self._lock:
            self._remembered.bring_up_to_date(connection)
            return Standards(self._remembered.in_force)

    @contextmanager
    def _read(self) -> Iterator[Asking]:
        """Give a connection for one question; SQLite's complaints become ours."""
        try:
            with self._file.question() as connection:
                yield connection
        except sqlite3.Error as error:
            raise StoreUnusable(plain_reason(error)) from error


def _message(
    identity: str, data: str, state: Delivery, attempts: int, next_try: int, error: str, sent: int | None
) -> Message:
    try:
        kept = codec.unpack_message(data)
    except ValueError:
        kept = Message(identity, 0, "", "", "", (), "low", UNREADABLE)
    return replace(kept, state=state, attempts=attempts, next_try=next_try, last_error=error, sent=sent)
