"""Years from a file, into the archive. The judge never sees them: they are history, not news.

Repeating an import changes nothing, so an interrupted one is simply started again, and the exports of two machines
merge. Only offline, by the one who holds the writer's place.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
import uuid
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from dewkeeper.interchange import NO_TEXT, JournalRow, ReadingRow, format_time, journal_rows, readings_rows
from dewkeeper.judge.stages import BAND, MOVES, STAGE_WORDS, stage_deed
from dewkeeper.judge.types import MISSING, PASS, Calibration, JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.store import altered, asked, codec
from dewkeeper.store.archive import keep, probe_rows, there
from dewkeeper.store.coverage import cover_imported, covered, rebuild
from dewkeeper.store.database import (
    BLOCK_SECONDS,
    FILE_NAME,
    FOREVER,
    PROBE_BITS,
    Connection,
    FileWriter,
    plain_reason,
)
from dewkeeper.store.errors import TransferRefused
from dewkeeper.store.event_rows import write_note
from dewkeeper.store.export import sidecar
from dewkeeper.store.lock import WriterLock
from dewkeeper.store.quality import cut_out, needs_span, write_spans
from dewkeeper.store.quarters import QUARTER_SECONDS, Standards
from dewkeeper.store.records import LEARNING_DONE
from dewkeeper.store.remembered import Remembered, lasts, measure_anew, store_item
from dewkeeper.store.rows import last_key
from dewkeeper.store.words_file import Worded, WordsFile, opened
from dewkeeper_drivers.contract import Scale, scale_of, spelled, spells_a_scale

_NAMESPACE = uuid.UUID("5a7ff0f4-3c0a-4a55-9d3d-8f1f64a7c1de")
"""Ids of entries that come without one follow from it, so a second import knows them: it never changes."""
MUCH_TO_LEARN = 10_000
"""So many new readings, a week of one probe, are learned from as soon as the daemon starts, not at night."""
_LARGEST_PART = 100_000
_MOST_PROBES = 1023
_SLACK_SECONDS = 86400
"""So much later than this machine's clock says may a row be: its clock, or the other one's, may be off."""
_LONGEST_NAME = 200


@dataclass(slots=True)
class Result:
    """What became of the rows. refused: reason -> how many; first_line: reason -> first line of the file.

    unlike: stored as the CSV has them, because the words file beside it has nothing, or something else.
    probes: how many readings of each were stored. entries: the rows of a journal that were.
    """

    stored: int = 0
    known: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    first_line: dict[str, int] = field(default_factory=dict)
    unlike: int = 0
    first_unlike: int = 0
    probes: Counter[str] = field(default_factory=Counter)
    entries: list[JournalRow] = field(default_factory=list)

    def refuse(self, why: str, line: int) -> None:
        """Count one refused row."""
        self.refused[why] += 1
        self.first_line.setdefault(why, line)


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    time: int
    probe: str
    t: int | None
    h: int | None
    flag: int
    tests: str


def import_readings(
    folder: Path, source: Path, progress: Callable[[float], None] = lambda _: None, *, now: float | None = None
) -> Result:
    """Take in a readings file, with its words file when one lies beside it. Raises TransferRefused, StoreBusy, OSError,
    and FileRefused, before anything is stored, for a file that is not what it should be.

    progress: called with the share of the file done, 0 to 1, after each part. now: UTC seconds, None for the machine's
    clock; what lies in the future is refused. A row whose probe and second are taken by the same words counts as known, by
    other words as refused. Interrupted, the next import of the same file goes on after the last part that was stored, with
    the counts it had.
    """
    latest = int(time.time() if now is None else now) + _SLACK_SECONDS
    with writing(folder) as file, opened(sidecar(source)) as words:
        try:
            return _Import(file, source, words, latest, progress).run()
        except sqlite3.Error as error:
            raise TransferRefused(f"{source}: {plain_reason(error)}; what was stored before stays") from error


def import_journal(folder: Path, source: Path, *, now: float | None = None) -> Result:
    """Take in a journal file; every row is stored, known or refused. Raises FileRefused, StoreBusy, OSError.

    Into an empty rack, a file with all columns makes the same book: ids, corrections, who wrote what and when. A row is
    known by its id; without one, by what it says. now: UTC seconds, None for the machine's clock. A stage that still holds
    then, and what was written down about stages since it began, is news to the judge; all else is history.
    """
    result = Result()
    return store_rows(folder, list(journal_rows(source, JOURNAL, result.refuse)), result, now=now)


def store_rows(folder: Path, found: Iterable[JournalRow], result: Result, *, now: float | None = None) -> Result:
    """Take in entries of a journal as `import_journal` does, and count them in `result`. Raises StoreBusy, OSError."""
    now = time.time() if now is None else now
    rows = [row for row in found if _dated(row, int(now), result)]
    with writing(folder) as file, file.transaction() as connection:
        before = Remembered()
        before.bring_up_to_date(connection)
        entries = _unknown(rows, _stored_journal(connection), result)
        _store_journal(connection, entries, now)
        result.stored = len(entries)
        after = Remembered()
        after.bring_up_to_date(connection)
        end = covered(connection).until * QUARTER_SECONDS
        measure_anew(connection, before.in_force, after, [entry for entry in entries if lasts(entry)], end)
    return result


def _stored_journal(connection: Connection) -> list[JournalEntry]:
    rows = connection.rows(asked.ENTRIES)
    return [item for item in codec.readable(codec.unpack_item, rows) if isinstance(item, JournalEntry)]


def _unknown(rows: list[JournalRow], stored: list[JournalEntry], result: Result) -> list[JournalEntry]:
    """Return the rows that are not stored yet, in order of time; count the others."""
    facts = {(e.time, e.enclosure, e.what, e.detail, e.until) for e in stored}
    known = {e.id: _told(e) for e in stored}
    entries: list[JournalEntry] = []
    for row in rows:
        fact = (row.time, row.enclosure, row.what, row.detail, row.until)
        plain = str(uuid.uuid5(_NAMESPACE, repr(fact)))  # of an earlier import of a file without ids
        entry = JournalEntry(
            row.id or plain, row.time, row.enclosure, row.what, row.detail,
            row.who or ("" if row.id else "import"), row.until, row.entered, row.replaces,
        )  # fmt: skip
        if plain in known or (not row.id and fact in facts) or known.get(entry.id) == _told(entry):
            result.known += 1
        elif entry.id in known:
            result.refuse("another entry has the same id", row.line)
        else:
            facts.add(fact)
            known[entry.id] = _told(entry)
            entries.append(entry)
            result.entries.append(row)
    return sorted(entries, key=lambda entry: entry.time)


def _told(entry: JournalEntry) -> JournalEntry:
    """Return an entry as a file can tell it: of an empty id that is replaced, nothing is left."""
    return replace(entry, replaces=entry.replaces or None, enclosure=entry.enclosure or None)


def _store_journal(connection: Connection, entries: list[JournalEntry], now: float) -> None:
    """Put entries before everything else that is stored, those the judge must hear of after it; each in its order."""
    news = _still_hold(entries, now)
    seconds = {entry.time for entry in entries if entry.id in news}
    # Entries of one second keep their order only side by side.
    history = [entry for entry in entries if entry.time not in seconds]
    first = _lowest_item(connection) - len(history)
    for seq, entry in enumerate(history, first):
        _past_item(connection, entry, seq)
    for entry in entries:
        if entry.time in seconds:
            store_item(connection, entry, last_key(connection) or 0)


def _dated(row: JournalRow, now: int, result: Result) -> bool:
    if 0 < row.time <= now + _SLACK_SECONDS:
        return True
    result.refuse(_out_of_time(now), row.line)
    return False


def _out_of_time(now: int) -> str:
    return f"before 1970 or in the future (this machine's clock: {format_time(now)})"


def _still_hold(entries: list[JournalEntry], now: float) -> set[str]:
    """Return the ids of what a judge must hear of: stages that are not over, what came after one, all moves, and corrections of these."""
    about = [entry for entry in entries if entry.what in STAGE_WORDS and entry.enclosure is not None]
    begun: dict[str | None, int] = {}
    for entry in about:
        begins = entry.what == BAND or JOURNAL[entry.what].stage is not None
        if begins and stage_deed(entry).over > now and not _ended(entry, about):
            begun[entry.enclosure] = min(entry.time, begun.get(entry.enclosure, entry.time))
    found = {e.id for e in about if e.what in MOVES or e.time >= begun.get(e.enclosure, FOREVER)}
    while more := {e.id for e in entries if e.replaces in found} - found:  # a correction may be corrected
        found |= more
    return found


def _ended(begun: JournalEntry, about: list[JournalEntry]) -> bool:
    stage = JOURNAL[begun.what].stage
    return any(e.enclosure == begun.enclosure and e.time >= begun.time and stage in JOURNAL[e.what].ends for e in about)


@contextmanager
def writing(folder: Path) -> Iterator[FileWriter]:
    """Hold the writer's place and give the database to write, which must be of the newest schema."""
    with WriterLock(folder, "an import"), closing(FileWriter(folder / FILE_NAME)) as file:
        yield file


class _Import:
    """One file on its way in. What was done is noted in the transaction that did it, so nothing is done twice."""

    def __init__(
        self, file: FileWriter, source: Path, words: WordsFile, latest: int, progress: Callable[[float], None]
    ) -> None:
        self._file = file
        self._source = source
        self._words = words
        self._latest = latest
        self._progress = progress
        size = max(1, source.stat().st_size)
        with source.open("rb") as lines:
            start = lines.read(1 << 16)
        self._lines = size * max(1, start.count(b"\n")) / len(start or b"\n")  # about so many, for the progress
        # Which file it is, should this be interrupted: name, size and beginning tell, without reading all of it first.
        self._note = f"import {source.name} {size} {hashlib.sha256(start).hexdigest()[:16]}"
        self._scales: dict[str, Scale] = {}
        self._passed = 0
        self.result = Result()

    def run(self) -> Result:
        """Store every part that is not yet stored."""
        rows = readings_rows(self._source, self._refuse)
        first = next(rows, None)  # a header that is none refuses the file before anything is stored
        self._begin()
        part: list[_Row] = []
        block = -1
        while first is not None:
            row = self._row(first) if first[4] > self._passed else None
            if row is not None:
                if part and (row.time // BLOCK_SECONDS != block or len(part) >= _LARGEST_PART):
                    self._store(block, part)
                    part = []
                block = row.time // BLOCK_SECONDS
                part.append(row)
            first = next(rows, None)
        if part:
            self._store(block, part)
        with self._file.transaction() as connection:
            connection.execute(asked.DELETE_NOTE, {"name": self._note})
            if self.result.stored >= MUCH_TO_LEARN:
                write_note(connection, LEARNING_DONE, "0")
        self._progress(1.0)
        return self.result

    def _begin(self) -> None:
        """Take calibrations that are not yet known, and what an import of this file that was interrupted had done."""
        with self._file.transaction() as connection:
            known = {data for _, data in connection.rows(asked.CALIBRATIONS)}
            stored = connection.rows(asked.PROBES)
            self._scales = {name: scale_of(scale) for _, name, scale in stored if spells_a_scale(scale)}
            numbers = {name: number for number, name, _ in stored}
            # The newest of one start holds; here the number given first is the highest.
            for calibration in reversed(self._words.calibrations.all()):
                if codec.pack(calibration) not in known:
                    _past_item(connection, calibration, _lowest_item(connection) - 1)
                    if calibration.probe in numbers:
                        rebuild(
                            connection, _standards(connection), [numbers[calibration.probe]], calibration.time, FOREVER
                        )
            text = connection.value(asked.NOTE, name=self._note)
        done = json.loads(text or "{}")
        if "passed" in done:
            self._passed = int(done.pop("passed"))
            counted = {key: Counter(done.get(key, ())) for key in ("refused", "probes")}
            self.result = Result(**{**done, **counted})

    def _refuse(self, why: str, line: int) -> None:
        if line > self._passed:  # else it was counted before the interruption
            self.result.refuse(why, line)

    def _row(self, given: ReadingRow) -> _Row | None:
        """Return a row as it is stored, None when it is refused."""
        at, name, temperature_c, humidity_percent, line = given
        probe = name.strip()
        why = ""
        if not 0 < at <= self._latest:
            why = _out_of_time(self._latest - _SLACK_SECONDS)
        elif not 0 < len(probe) <= _LONGEST_NAME or not probe.isprintable() or NO_TEXT in probe:
            why = "no probe is called that"
        elif temperature_c is not None and not (-45 <= temperature_c <= 130 and 0 <= (humidity_percent or 0) <= 100):
            why = "values are not -45..130 °C and 0..100 %RH"
        if why:
            self._refuse(why, line)
            return None
        found = self._worded((at, probe, temperature_c, humidity_percent, line))
        return _Row(line, at, probe, found.t, found.h, found.flag, found.tests)

    def _worded(self, row: ReadingRow) -> Worded:
        """Return words and verdict of a row: those beside it where they say the same, else what the CSV says."""
        at, probe, temperature_c, humidity_percent, line = row
        stated = self._words.scale(probe)
        scale = self._scales.setdefault(probe, stated)
        beside = self._words.of(row)
        if beside is not None:
            if beside.t is not None and beside.h is not None and scale != stated:  # the probe is known by another scale
                return Worded(*scale.encode(*stated.decode(beside.t, beside.h)), beside.flag, beside.tests)
            return beside
        if self._words.file is not None:
            self.result.unlike += 1
            self.result.first_unlike = self.result.first_unlike or line
        if temperature_c is None or humidity_percent is None:
            return Worded(None, None, MISSING, "")
        return Worded(*scale.encode(*self._words.uncorrected(probe, at, temperature_c, humidity_percent)), PASS, "")

    def _store(self, block: int, part: list[_Row]) -> None:
        """Merge rows of one block into the archive, in one transaction with the note of how far it came."""
        with self._file.transaction() as connection:
            _store(connection, block, part, self._scales, self.result)
            result = self.result
            done = {
                "passed": part[-1].line, "stored": result.stored, "known": result.known, "refused": dict(result.refused),
                "first_line": result.first_line, "unlike": result.unlike, "first_unlike": result.first_unlike,
                "probes": dict(result.probes),
            }  # fmt: skip
            write_note(connection, self._note, json.dumps(done))
        self._progress(min(1.0, part[-1].line / self._lines))


def _lowest_item(connection: Connection) -> int:
    lowest: int = connection.value(asked.LOWEST_ITEM)
    return lowest


def _past_item(connection: Connection, item: JournalEntry | Calibration, seq: int) -> None:
    """Store an item with a number below every other: history, which a restarted judge is not given again."""
    store_item(connection, item, 0, seq=seq)


def _standards(connection: Connection) -> Standards:
    remembered = Remembered()
    remembered.bring_up_to_date(connection)
    return Standards(remembered.in_force)


def _store(connection: Connection, block: int, part: list[_Row], scales: dict[str, Scale], result: Result) -> None:
    start, end = block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS
    by_probe: dict[str, list[_Row]] = {}
    for row in part:
        by_probe.setdefault(row.probe, []).append(row)
    numbers = {name: number for number, name, _ in connection.rows(asked.PROBES)}
    touched = []
    for probe, rows in by_probe.items():
        number = numbers.get(probe)
        if number is None:
            number = max(numbers.values(), default=0) + 1
            if number > _MOST_PROBES:
                for row in rows:
                    result.refuse(f"more than {_MOST_PROBES} probes", row.line)
                continue
            numbers[probe] = number
            made = {"id": number, "name": probe, "scale": spelled(scales[probe])}
            connection.execute(asked.ADD_PROBE, made)
        taken = {key >> PROBE_BITS: (t, h) for key, t, h in probe_rows(connection, number, start, end)}
        new: dict[int, _Row] = {}
        for row in rows:
            if row.time not in taken:
                taken[row.time] = (row.t, row.h)
                new[row.time] = row
            elif taken[row.time] == (row.t, row.h) or (row.t is None and taken[row.time][0] is None):
                result.known += 1
            else:
                result.refuse("another reading of that probe has the same second", row.line)
        if new:
            _merge(connection, block, number, sorted(new.values(), key=lambda row: row.time), taken)
            result.stored += len(new)
            result.probes[probe] += len(new)
            touched.append(number)
    if touched:
        altered.note(connection, start, end)
    standards, before = _standards(connection), covered(connection).until * QUARTER_SECONDS
    cover_imported(connection, max(row.time for row in part))
    # Of every probe: another one's last quarter may lie between where the tables reached and where they reach now.
    rebuild(connection, standards, list(numbers.values()), before, covered(connection).until * QUARTER_SECONDS)
    if start < before:
        rebuild(connection, standards, touched, start, end)


def _merge(connection: Connection, block: int, number: int, rows: list[_Row], all_times: Collection[int]) -> None:
    """Put new rows of a probe, ascending, into its archived block, and their verdicts among the spans.

    all_times: of the new rows and of those that were there. A span covers consecutive readings of one verdict, so a
    reading that was there before must end it.
    """
    start = block * BLOCK_SECONDS
    key = (block << PROBE_BITS) + number
    merged = there(connection, key)
    merged += [(row.time - start, row.t, row.h) for row in rows]
    merged.sort(key=lambda row: row[0])
    keep(connection, key, merged)
    fresh = {row.time: row for row in rows}
    spans: list[tuple[int, int, int, str]] = []
    last: tuple[int, str] | None = None
    for second in sorted(all_times):
        row = fresh.get(second)
        verdict = (row.flag, row.tests) if row is not None else None
        if verdict is not None and not needs_span(*verdict):
            verdict = None
        if verdict is not None and verdict == last:
            spans[-1] = (spans[-1][0], second, *verdict)
        elif verdict is not None:
            spans.append((second, second, *verdict))
        last = verdict
    cut_out(connection, number, [row.time for row in rows])
    write_spans(connection, number, spans)
