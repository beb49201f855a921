"""The one writer. Every commit is one transaction: readings, verdicts, stream items, events and messages, or nothing."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Collection, Sequence
from contextlib import closing
from dataclasses import replace
from itertools import groupby
from pathlib import Path

from dewkeeper.clock import Clock
from dewkeeper.judge.types import Calibration, Exclusion, Item, Quality, Reading, Rebase
from dewkeeper.store import altered, asked, damage, far, migrate, remake
from dewkeeper.store.archive import archive_block, oldest_block, probe_rows
from dewkeeper.store.complaints import check, complaint, refusal, refusing
from dewkeeper.store.coverage import Filler, fill_in, rebuild, roll, uncover
from dewkeeper.store.database import (
    BLOCK_SECONDS,
    FILE_NAME,
    FOREVER,
    PROBE_BITS,
    PROBE_MASK,
    Connection,
    FileWriter,
    plain_reason,
)
from dewkeeper.store.dating import date_anew
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.event_rows import restate, write_delivery, write_event, write_message, write_note
from dewkeeper.store.files import Files
from dewkeeper.store.hot import Probes
from dewkeeper.store.lock import DAEMON, WriterLock, give_to_owner
from dewkeeper.store.quality import Verdicts, cut_out, spelled, write_exclusion
from dewkeeper.store.quarters import LONGEST_HOLD_SECONDS, QUARTER_SECONDS, Standards
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper.store.remembered import Remembered, gather, measure_anew, store_item
from dewkeeper.store.repair import Repaired, bring_back
from dewkeeper.store.resume import Kept
from dewkeeper.store.rows import Row, insert, last_key
from dewkeeper.store.salvage import Range, spans
from dewkeeper_config.models import Storage

_RECENT_SECONDS = 10 * 3600
"""At ten past four, when this is asked, six in the evening: the night is whole, and a chart of one probe reads little of it."""


class Store(Kept):
    """Used by one thread. `StoreRefused` means that nothing of the batch was written."""

    def __init__(self, file: FileWriter, lock: WriterLock, folder: Path, storage: Storage, clock: Clock) -> None:
        super().__init__(file)
        self.folder = folder
        self._lock = lock
        self._files = Files(folder)
        self._storage = storage
        self._clock = clock
        self._probes = Probes(())
        self._last_key = 0  # of the reading stored last
        self._max_key = 0
        self._verdicts = Verdicts()
        self._remembered = Remembered()
        self.damage: dict[int, damage.Block] = {}  # what was set aside; read by other threads
        self._filler: Filler | None = None  # None: to be made anew from what is stored

    @classmethod
    def open(cls, folder: Path, storage: Storage, clock: Clock, who: str = DAEMON) -> Store:
        """Take the writer's place, open or create the database in `folder`, bring it to the newest schema.

        Raises StoreBusy, StoreDamaged, StoreUnusable. After an end that was not in good order the file is checked
        whole; else only what opening reads, for reading gigabytes of a slow card at every start costs minutes of
        watching, and every nightly backup is checked anyway.
        """
        try:
            lock = WriterLock(folder, who)
        except OSError as error:
            if isinstance(error, StoreUnusable):
                raise
            raise StoreUnusable(plain_reason(error)) from error
        file = FileWriter(folder / FILE_NAME)
        store = cls(file, lock, folder, storage, clock)
        try:
            if lock.unclean:
                check(file.connection())
            migrate.bring_up_to_date(file, folder / FILE_NAME)
            with file.transaction() as connection:
                gather(connection)
                # Before the largest key is looked up: one of the year 2100 would make everything that comes late.
                far.set_aside(connection)
                store._recall(connection)
                store.damage = damage.blocks(connection)
            give_to_owner(folder / FILE_NAME)
            store._files.remember()
        except (sqlite3.Error, OSError) as error:
            store.close(sound=False)
            raise complaint(error, StoreUnusable) from error
        return store

    @property
    def disorder(self) -> bool:
        """Whether the writer before did not stop in good order."""
        return self._lock.unclean

    def misplaced(self) -> str:
        """Return which of the files in use are not where they were any more, empty when all are: two looks at the card.

        Removed or replaced under the open database, they take everything with them that is stored from then on.
        """
        return self._files.gone()

    def copy_to(self, target: Path, alive: Callable[[], None]) -> None:
        """Write everything, as this connection sees it, into a new file. Raises sqlite3.Error, OSError."""
        with closing(sqlite3.connect(target)) as writing:
            self._file.connection().backup(writing, pages=5000, progress=lambda *_: alive(), sleep=0)
            # The copy has taken over the mode, and in it even reading makes a file beside it, which a stick may not allow.
            writing.execute("PRAGMA journal_mode=DELETE")

    def commit(self, batch: Batch) -> None:
        """Store a batch in one transaction. Raises StoreRefused, and then nothing was written.

        StoreCannotHold is the batch's own fault: it would be refused for ever. Every other refusal is the disk's.
        """
        before = (self._probes.newest, self._last_key, self._max_key)
        try:
            with self._file.transaction() as connection:
                self._write(connection, batch)
                self._set_damage_aside(connection)
        except Exception as error:
            newest, self._last_key, self._max_key = before
            self._probes.keep(newest)
            # They may have taken in what was rolled back; fresh ones need nothing of it.
            self._filler, self._remembered, self._verdicts = None, Remembered(), Verdicts()
            raise refusal(error) from error

    def in_stored_order(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return a cycle's readings, all of one second, as the stream will give them back.

        That is in order of their probes' numbers; after the clock was stepped back onto a second that is taken, at the
        next free one. Where that cannot be asked they keep their second: nobody may go unwatched for it, and the commit
        to come says what is wrong, or finds the free second itself.
        """
        missing = sorted({reading.probe for reading in readings} - self._probes.ids.keys())
        # A new probe gets the next free number, so it comes after all others; the largest there can be is 1023.
        order = self._probes.ids | {name: 2000 + index for index, name in enumerate(missing)}
        ordered = sorted(readings, key=lambda reading: order[reading.probe])
        if not ordered or ordered[0].time > self._max_key >> PROBE_BITS:
            return ordered
        free = ordered[0].time
        try:
            connection = self._file.connection()  # no transaction: it only reads, whoever holds the file for writing
            while any(self._taken(connection, free, number) for number in self._probes.ids.values()):
                free += 1
        except (sqlite3.Error, OSError):
            return ordered
        return ordered if free == ordered[0].time else [replace(reading, time=free) for reading in ordered]

    def compact(self, now: int, stop: Callable[[], bool] = lambda: False) -> int:
        """Archive every whole block older than `hot_days`; return how many readings moved. Raises StoreRefused.

        Each block is one transaction, so it may be killed at any point; `stop` is asked between two. Nothing is ever
        thrown away, so a clock that leaps ahead can do no harm here; still no block is taken that readings, or the
        stream a restart needs, may yet refer to. Quarter hours of before last night move to where they stay.
        """
        moved = 0
        with refusing():
            with self._file.transaction() as connection:
                roll(connection, (min(now, self._max_key >> PROBE_BITS) - _RECENT_SECONDS) // QUARTER_SECONDS)
            while not stop():
                with self._file.transaction() as connection:
                    block = oldest_block(connection)
                    if block is None or (block + 1) * BLOCK_SECONDS > self._archive_limit(connection, now):
                        break
                    moved += archive_block(connection, block)
                    self._set_damage_aside(connection)
            for _ in range(remake.MOST_A_NIGHT):
                if stop() or not remake.due(self._file.connection()):
                    break
                with self._file.transaction() as connection:
                    remake.some(connection, self._standards(connection))
                    self._set_damage_aside(connection)
                self._filler = None  # it held quarter hours of before
            with self._file.transaction() as connection:
                self.damage = damage.blocks(connection)
            # The log is written back and cut; outside any transaction, where SQLite allows it.
            self._file.connection().execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return moved

    def repair(self, keys: Collection[int], copies: Sequence[Path]) -> list[Repaired]:
        """Bring damaged blocks back from copies (oldest first); keys: more that somebody found. Raises StoreRefused."""
        with refusing(), self._file.transaction() as connection:
            done = bring_back(
                connection, keys, copies, lambda number, start, end: self._rebuild(connection, [number], start, end)
            )
            self.damage = damage.blocks(connection)
        return done

    def make_good(self, unread: dict[str, list[Range]], alive: Callable[[], None]) -> None:
        """Make anew what follows from the rest, after a salvage that could not read all. Raises StoreRefused."""
        with refusing():
            with self._file.transaction() as connection:
                if "alarm" in unread:
                    restate(connection)
            for first, last in spans(unread):
                with self._file.transaction() as connection:
                    numbers = list(self._probes.ids.values())
                    for _ in fill_in(connection, self._standards(connection), numbers, first, last):
                        alive()

    def _set_damage_aside(self, connection: Connection) -> None:
        """Move blocks that were met and cannot be read out of the way of everything that comes."""
        if met := damage.forget(connection):
            damage.set_aside(connection, met)
            self.damage = damage.blocks(connection)

    def _archive_limit(self, connection: Connection, now: int) -> int:
        newest = self._max_key >> PROBE_BITS
        kept = connection.value(asked.OLDEST_PLACE)
        before = (kept or 0) >> PROBE_BITS  # without a snapshot a restart reads the stream from its beginning
        return min(min(now, newest) - self._storage.hot_days * 86400, before)

    def close(self, *, sound: bool = True) -> None:
        """Close the file and give the writer's place up; not `sound`, whoever opens it next checks it whole."""
        self._file.close()
        self._lock.release(clean=sound)

    def _recall(self, connection: Connection) -> None:
        self._probes = Probes(connection.rows(asked.PROBES))
        self._max_key = last_key(connection) or 0
        # A late reading is the one stored last only if no newer one has come since.
        late, after = connection.row(asked.LAST_LATE) or (0, -1)
        self._last_key = self._max_key if after < self._max_key else late

    def _write(self, connection: Connection, batch: Batch) -> None:
        # First: an item is stored as having come after the reading stored last (`service.batches` sees to the rest).
        if batch.readings:
            self._write_readings(connection, batch.readings)
        if batch.items:
            self._write_items(connection, batch.items)
        for event in batch.events:
            write_event(connection, event)
        for exclusion in batch.exclusions:
            self._write_exclusion(connection, exclusion)
        for message in batch.messages:
            write_message(connection, message)
        for delivery in batch.deliveries:
            write_delivery(connection, delivery)
        notes = dict(batch.notes)
        if batch.planner_state is not None:
            notes["planner"] = batch.planner_state
        for name, value in notes.items():
            write_note(connection, name, value)
        # Last, for it has taken in everything above.
        if batch.snapshot is not None:
            self._write_snapshot(connection, batch.snapshot)

    def _write_items(self, connection: Connection, items: Sequence[Item]) -> None:
        # Before they are stored: else the first items of a life would seem to change all of the past.
        self._remembered.bring_up_to_date(connection)
        known = self._remembered.in_force
        for item in items:
            kept, after_key = item, self._last_key
            if isinstance(item, Rebase) and item.dates_since is not None:
                kept, after_key = date_anew(connection, item)
                self._recall(connection)
                self._filler, self._verdicts, self._remembered = None, Verdicts(), Remembered()
                self._remembered.bring_up_to_date(connection)
                known = self._remembered.in_force
            store_item(connection, kept, after_key, came=item)
        self._remembered.bring_up_to_date(connection)
        newest = self._max_key >> PROBE_BITS
        if self._remembered.in_force is not known:  # what is being filled was measured by the limits of before
            self._filler = None
            measure_anew(connection, known, self._remembered, items, newest + 1)
        for item in items:
            if isinstance(item, Calibration):  # what is being filled was read by the correction of before
                self._filler = None
                if item.probe in self._probes.ids and item.time <= newest:
                    self._rebuild(connection, [self._probes.ids[item.probe]], item.time, FOREVER)

    def _standards(self, connection: Connection) -> Standards:
        self._remembered.bring_up_to_date(connection)
        return Standards(self._remembered.in_force)

    def _rebuild(self, connection: Connection, numbers: Sequence[int], start: int, end: int) -> None:
        """Make the quarter hours anew that a change of the past bears on."""
        rebuild(connection, self._standards(connection), numbers, start, end)
        self._filler = None

    def _write_readings(self, connection: Connection, readings: Sequence[tuple[Reading, Quality]]) -> None:
        if readings[0][0].time == readings[-1][0].time:
            self._write_poll(connection, readings)
            return
        for _, poll in groupby(readings, key=lambda pair: pair[0].time):
            self._write_poll(connection, tuple(poll))

    def _write_poll(self, connection: Connection, readings: Sequence[tuple[Reading, Quality]]) -> None:
        if self._filler is None:
            self._filler = Filler(connection, self._standards(connection))
        poll, uneven = self._probes.poll(connection, readings, self._verdicts.standing)
        keys = poll.keys()
        if keys[0] > self._max_key and poll.time >= self._filler.until * QUARTER_SECONDS:
            insert(connection, keys, poll.ts, poll.hs)
            self._last_key = self._max_key = max(keys)
            self._filler.take(poll, uneven)
            for place in uneven:
                reading, quality = readings[place]
                self._verdicts.note(
                    connection, poll.numbers[place], poll.time, quality.flag, _spelled(reading, quality)
                )
            self._filler.flush(connection)
            return
        self._write_out_of_order(connection, list(zip(keys, poll.ts, poll.hs, strict=True)), readings)

    def _write_out_of_order(
        self, connection: Connection, rows: Sequence[Row], readings: Sequence[tuple[Reading, Quality]]
    ) -> None:
        """Store readings of which some lie before stored ones, or in quarters that were thought over."""
        keys, before = [], self._max_key
        for (key, t, h), (reading, quality) in zip(rows, readings, strict=True):
            if key > self._max_key:
                insert(connection, [key], [t], [h])
                self._max_key = self._last_key = key
                self._verdicts.note(
                    connection, key & PROBE_MASK, reading.time, quality.flag, _spelled(reading, quality)
                )
            else:
                self._write_late(connection, (key, t, h), reading, quality)
            keys.append(self._last_key)
        times, newest = [key >> PROBE_BITS for key in keys], self._max_key >> PROBE_BITS
        if min(times) <= before >> PROBE_BITS:
            altered.note(connection, min(times), max(times) + 1)
        self._rebuild(connection, sorted({key & PROBE_MASK for key in keys}), min(times), max(times) + 1)
        # How long these stand is for readings to say that are yet to come.
        if max(times) > newest - LONGEST_HOLD_SECONDS:
            uncover(connection, newest - LONGEST_HOLD_SECONDS)

    def _write_late(self, connection: Connection, row: Row, reading: Reading, quality: Quality) -> None:
        """Store a reading that lies before stored ones: the clock was stepped back."""
        key, t, h = row
        while self._taken(connection, key >> PROBE_BITS, self._probes.ids[reading.probe]):
            key += 1 << PROBE_BITS
        insert(connection, [key], [t], [h])
        cut_out(connection, self._probes.ids[reading.probe], [key >> PROBE_BITS])
        late = {"key": key, "after_key": self._max_key, "flag": quality.flag, "tests": _spelled(reading, quality)}
        connection.execute(asked.ADD_LATE, late)
        self._last_key = key

    def _taken(self, connection: Connection, second: int, number: int) -> bool:
        return bool(probe_rows(connection, number, second, second + 1))

    def _write_exclusion(self, connection: Connection, exclusion: Exclusion) -> None:
        probe = self._probes.ids.get(exclusion.probe)
        if probe is None:
            return  # it has stored nothing that could be excluded
        # What is not stored yet will bring its own verdict.
        until = min(exclusion.until, self._max_key >> PROBE_BITS)
        write_exclusion(connection, probe, exclusion.since, until, exclusion.flag, ",".join(exclusion.tests))
        altered.note(connection, exclusion.since, until + 1)
        self._rebuild(connection, [probe], exclusion.since, until + 1)

    def _write_snapshot(self, connection: Connection, snapshot: Snapshot) -> None:
        connection.execute(asked.DELETE_OLD_SNAPSHOTS)
        row = {
            "time": snapshot.time, "after_key": self._last_key, "after_item": connection.value(asked.NEWEST_ITEM),
            "data": zlib.compress(snapshot.data, 6),
        }  # fmt: skip
        connection.execute(asked.ADD_SNAPSHOT, row)


def _spelled(reading: Reading, quality: Quality) -> str:
    return spelled(quality.tests, reading.failure, reading.notes)
