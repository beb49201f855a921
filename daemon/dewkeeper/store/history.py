"""Reading back: short, read-only, from any thread."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from sqlalchemy import ColumnElement, Connection, Engine, and_, case, func, or_, select
from sqlalchemy.exc import DatabaseError

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import LONGEST_FACT_SECONDS, Alarm, Event, Item, JournalEntry, Learned, Quality, Reading
from dewkeeper.judge.words import WITHDRAWN
from dewkeeper.store import coarse, codec
from dewkeeper.store.archive import all_rows, probe_rows
from dewkeeper.store.arrival import arrivals, before, fetch, others
from dewkeeper.store.band import InBand, Quantity, in_band
from dewkeeper.store.database import FILE_NAME, PROBE_BITS, PROBE_MASK, plain_reason, reading_engine
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.in_force import InForce
from dewkeeper.store.quarters import QUARTER_SECONDS, Standards
from dewkeeper.store.reading import Decoder, calibrations
from dewkeeper.store.records import FIGURES, UNREADABLE, Delivery, Message
from dewkeeper.store.remembered import Remembered
from dewkeeper.store.rows import last_key
from dewkeeper.store.schema import NOT_NORMAL, PENDING, alarm, event, item, late, message, note, reading
from dewkeeper.store.schema import probe as probe_table
from dewkeeper.store.slices import Slice, slices
from dewkeeper.store.summary import Span, probe_span, spans

MOST_DUE: Final = 500
"""Messages read at once of one way to a person: more than weeks without a network make, and little memory."""
LONGEST_QUIET_SECONDS: Final = 25 * 3600
"""No quiet hours last longer, clock change included: a later end was reckoned on a clock that was wrong."""
_NEWEST_SECONDS = 86400
_END = "\U0010ffff"
_USUAL_KEYS = 1800 << PROBE_BITS
"""Three polls of the slowest period: where the newest reading of every probe normally lies."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A stored reading and its verdict."""

    reading: Reading
    quality: Quality


class History:
    """Read-only view of the database. Open it once; every question opens and ends its own short read."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._remembered = Remembered()

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the database in `folder` for reading. Raises StoreUnusable."""
        if not (folder / FILE_NAME).exists():
            raise StoreUnusable(f"no database in {folder}: has the daemon ever run with this configuration?")
        return cls(reading_engine(folder))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the file."""
        self._engine.dispose()

    def latest(self) -> Mapping[str, Stored]:
        """Return the newest reading of every probe within the last day before the newest of all."""
        with self._read() as connection:
            newest = last_key(connection) or 0
            start = (newest >> PROBE_BITS) - _NEWEST_SECONDS
            rows = _newest(connection, newest, newest - _USUAL_KEYS)
            if len(rows) < (connection.scalar(select(func.count()).select_from(probe_table)) or 0):
                rows = _newest(connection, newest, start << PROBE_BITS)
            # After the clock was stepped back the newest are not those of the largest keys, but those that came after them.
            later = _after(connection, newest)
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

    def raw_all(self, start: int, end: int) -> Mapping[str, list[Stored]]:
        """Return every reading in [start, end) by probe, oldest first."""
        with self._read() as connection:
            decoder = Decoder(connection, start, end)
            found: dict[str, list[Stored]] = defaultdict(list)
            for row in all_rows(connection, start, end):
                reading, quality = decoder.decode(*row)
                found[reading.probe].append(Stored(reading, quality))
        return found

    def believed(self, start: int, end: int) -> Mapping[str, list[tuple[int, float, float] | tuple[int, None, None]]]:
        """Return (time, °C, %RH) of every poll in [start, end) by probe, oldest first; None where it does not count.

        The same as `raw_all` without a record each: a night of a whole rack is read at every look at the page.
        """
        with self._read() as connection:
            decoder = Decoder(connection, start, end)
            found: dict[int, list[tuple[int, float, float] | tuple[int, None, None]]] = defaultdict(list)
            for key, t, h in all_rows(connection, start, end):
                found[key & PROBE_MASK].append((key >> PROBE_BITS, *(decoder.believed(key, t, h) or (None, None))))
            return {decoder.names[number]: rows for number, rows in found.items()}

    def series(self, probe: str, start: int, end: int, points: int) -> Sequence[Slice]:
        """Return at most about `points` slices of [start, end), oldest first, keeping every extreme that counts.

        Slices without counted readings are left out. Archived quarter hours serve where the slices are whole
        multiples of them; elsewhere the readings themselves.
        """
        size = max(60, -(-(end - start) // points))
        if size > QUARTER_SECONDS // 2:
            size = -(-size // QUARTER_SECONDS) * QUARTER_SECONDS
            start = start // QUARTER_SECONDS * QUARTER_SECONDS
        with self._read() as connection:
            number = _number(connection, probe)
            return [] if number is None else slices(connection, number, start, end, size)

    def overnight(self, start: int, end: int) -> Mapping[str, Span]:
        """Return what every probe's counted readings in [start, end) come to; without any, a probe is left out.

        Any span will do; one that begins and ends on a quarter hour, as nights do, reads no single reading.
        """
        with self._read() as connection:
            return spans(connection, self._standards(connection), start, end)

    def extremes(self, start: int, end: int, quarters: int) -> Mapping[str, Sequence[coarse.Extremes]]:
        """Return every probe's lowest and highest by slices of so many whole quarter hours of [start, end), oldest first."""
        with self._read() as connection:
            return coarse.extremes(connection, start, end, quarters)

    def days(self, probe: str, moments: Sequence[int]) -> Sequence[coarse.Day]:
        """Return what one probe read on each of the days between `moments` (UTC seconds, on quarter hours), oldest first."""
        with self._read() as connection:
            number = _number(connection, probe)
            return [] if number is None else coarse.days(connection, number, moments)

    def stats(self, probe: str, start: int, end: int) -> Span | None:
        """Return what one probe's counted readings in [start, end) come to, None without any."""
        with self._read() as connection:
            return probe_span(connection, self._standards(connection), probe, start, end)

    def in_band(self, probe: str, quantity: Quantity, low: float, high: float, start: int, end: int) -> InBand:
        """Return how long and how far one probe was inside and outside [low, high], %RH or °C, over [start, end)."""
        with self._read() as connection:
            number = _number(connection, probe)
            if number is None:
                return InBand()
            return in_band(connection, self._standards(connection), number, quantity, low, high, start, end)

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
            rows = connection.execute(select(alarm.c.data).where(NOT_NORMAL).order_by(alarm.c.raised)).all()
        return list(codec.readable(codec.unpack_alarm, rows))

    def events(self, since: int, enclosure: str | None = None, *, until: int | None = None) -> Sequence[Event]:
        """Return events from `since` on, oldest first; of one enclosure, and before `until`, where these are given."""
        asked = select(event.c.data).where(event.c.time >= since).order_by(event.c.seq)
        if enclosure is not None:
            asked = asked.where(event.c.enclosure == enclosure)
        if until is not None:
            asked = asked.where(event.c.time < until)
        with self._read() as connection:
            rows = connection.execute(asked).all()
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
        asked = select(item.c.data).where(item.c.kind == "JournalEntry", item.c.time >= since)
        if words is not None:
            asked = asked.where(item.c.word.in_(words))
        if enclosure is not None:
            asked = asked.where(item.c.enclosure == enclosure)
        with self._read() as connection, self._lock:
            self._remembered.bring_up_to_date(connection)
            rows = connection.execute(asked.order_by(item.c.time, item.c.seq)).all()
            gone = set() if replaced else self._remembered.replaced
        entries = codec.readable(codec.unpack_item, (("JournalEntry", data) for (data,) in rows))
        return [
            entry
            for entry in entries
            if isinstance(entry, JournalEntry) and (replaced or (entry.id not in gone and entry.what != WITHDRAWN))
        ]

    def learned(self, at: int) -> Mapping[str, Learned]:
        """Return by enclosure what insight had last said of it at a time (UTC seconds); nothing it says holds for two months."""
        newest = (
            select(func.max(item.c.seq))
            .where(item.c.kind == "Learned", item.c.time > at - LONGEST_FACT_SECONDS, item.c.time <= at)
            .group_by(item.c.enclosure)
        )
        with self._read() as connection:
            rows = connection.execute(select(item.c.data).where(item.c.seq.in_(newest))).all()
        found = codec.readable(codec.unpack_item, (("Learned", data) for (data,) in rows))
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
        late = message.c.not_before > now + LONGEST_QUIET_SECONDS
        waits = (
            PENDING,
            message.c.next_try <= (now if elapsed is None else elapsed),
            or_(message.c.not_before <= now, late),
        )
        order = message.c.priority != "urgent", message.c.seq
        place = func.row_number().over(partition_by=(message.c.channel, message.c.person), order_by=order)
        ranked = select(message.c.seq, place.label("place")).where(*waits)
        if channels is not None:
            ranked = ranked.where(message.c.channel.in_(channels))
        found = ranked.subquery()
        return self._messages(message.c.seq.in_(select(found.c.seq).where(found.c.place <= MOST_DUE)))

    def seconds_to_due(self, now: int, elapsed: int | None = None) -> int | None:
        """Return in how many seconds the next pending message that still waits may go; None for none. Times as above."""
        quiet = case((message.c.not_before > now + LONGEST_QUIET_SECONDS, 0), else_=message.c.not_before - now)
        rest = message.c.next_try - (now if elapsed is None else elapsed)
        wait = select(case((rest > quiet, rest), else_=quiet).label("wait")).where(PENDING).subquery()
        with self._read() as connection:
            found: int | None = connection.scalar(select(func.min(wait.c.wait)).where(wait.c.wait > 0))
        return found

    def waiting(self) -> Mapping[tuple[str, str], tuple[int, str]]:
        """Return how many messages wait on each way (person, channel), and the newest of their errors, "" for none."""
        asked = select(message.c.person, message.c.channel, message.c.last_error).where(PENDING).order_by(message.c.seq)
        with self._read() as connection:
            rows = connection.execute(asked).all()
        ways: dict[tuple[str, str], tuple[int, str]] = {}
        for person, channel, error in rows:
            count, newest = ways.get((person, channel), (0, ""))
            ways[person, channel] = (count + 1, error or newest)
        return ways

    def messages(self, since: int = 0) -> Sequence[Message]:
        """Return all messages planned from `since` on, oldest first."""
        return self._messages(message.c.created >= since)

    def notes(self) -> Mapping[str, str]:
        """Return the small named facts, without those that begin with `FIGURES`: they are large, and `figures` gives them."""
        return self._notes(or_(note.c.name < FIGURES, note.c.name >= FIGURES + _END))

    def figures(self, about: str) -> Mapping[str, str]:
        """Return the named facts whose names go on so after `FIGURES`, by the rest of their names."""
        found = self._notes(and_(note.c.name >= FIGURES + about, note.c.name < FIGURES + about + _END))
        return {name.removeprefix(FIGURES + about): value for name, value in found.items()}

    def _notes(self, which: ColumnElement[bool]) -> Mapping[str, str]:
        with self._read() as connection:
            return {row.name: row.value for row in connection.execute(select(note).where(which))}

    def _messages(self, which: ColumnElement[bool]) -> Sequence[Message]:
        of, asked = (
            message.c,
            (message.c.state, message.c.attempts, message.c.next_try, message.c.last_error, message.c.sent),
        )
        with self._read() as connection:
            rows = connection.execute(select(of.id, of.data, *asked).where(which).order_by(of.seq)).all()
        return [_message(*row) for row in rows]

    def _standards(self, connection: Connection) -> Standards:
        with self._lock:
            self._remembered.bring_up_to_date(connection)
            return Standards(self._remembered.in_force)

    def _read(self) -> _Reader:
        return _Reader(self._engine)


def _message(
    identity: str, data: str, state: Delivery, attempts: int, next_try: int, error: str, sent: int | None
) -> Message:
    try:
        kept = codec.unpack_message(data)
    except ValueError:
        kept = Message(identity, 0, "", "", "", (), "low", UNREADABLE)
    return replace(kept, state=state, attempts=attempts, next_try=next_try, last_error=error, sent=sent)


def _newest(connection: Connection, newest: int, first: int) -> Sequence[Any]:
    """Return (key, words) of the newest reading of every probe between two keys."""
    key, number = reading.c.key, reading.c.key.op("&")(PROBE_MASK)
    last = select(func.max(key)).where(key >= first, key <= newest).group_by(number)
    return connection.execute(select(reading).where(key.in_(last))).all()


def _after(connection: Connection, newest: int) -> Sequence[Any]:
    """Return (key, words) of the last reading of every probe that came after the largest key of all."""
    last = select(func.max(late.c.seq)).where(late.c.after_key == newest).group_by(late.c.key.op("&")(PROBE_MASK))
    keys = connection.scalars(select(late.c.key).where(late.c.seq.in_(last))).all()
    return connection.execute(select(reading).where(reading.c.key.in_(keys))).all()


def _number(connection: Connection, probe: str) -> int | None:
    return connection.scalar(select(probe_table.c.id).where(probe_table.c.name == probe))


class _Reader:
    """A connection for one question; SQLite's complaints become ours."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def __enter__(self) -> Connection:
        try:
            self._connection = self._engine.connect()
        except DatabaseError as error:
            raise StoreUnusable(plain_reason(error)) from error
        return self._connection

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()
        if isinstance(error, DatabaseError):
            raise StoreUnusable(plain_reason(error)) from error
