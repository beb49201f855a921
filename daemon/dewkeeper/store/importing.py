"""Years from a file, into the archive. The judge never sees them: they are history, not news.

Repeating an import changes nothing, so an interrupted one is simply started again, and the exports of two machines
merge. Only offline, by the one who holds the writer's place.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
import uuid
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DatabaseError

from dewkeeper.interchange import READINGS_HEADER, parse_time
from dewkeeper.judge.types import MISSING, PASS, Calibration, JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.store import codec
from dewkeeper.store.archive import keep, probe_rows, there
from dewkeeper.store.coverage import cover_imported, covered, rebuild
from dewkeeper.store.database import BLOCK_SECONDS, FOREVER, PROBE_BITS, plain_reason, writing_engine
from dewkeeper.store.errors import TransferRefused
from dewkeeper.store.export import sidecar
from dewkeeper.store.lock import WriterLock
from dewkeeper.store.quality import cut_out, needs_span, spelled, write_spans
from dewkeeper.store.quarters import QUARTER_SECONDS, Standards
from dewkeeper.store.remembered import Remembered
from dewkeeper.store.ring import of_failed
from dewkeeper_drivers.contract import SCALES

_NAMESPACE = uuid.UUID("5a7ff0f4-3c0a-4a55-9d3d-8f1f64a7c1de")
_LARGEST_PART = 100_000
_MOST_PROBES = 1023
NO_TIME = "the time is not ISO 8601 UTC ending in Z"


@dataclass(slots=True)
class Result:
    """What became of the rows. refused: reason -> how many; first_line: reason -> first line of the file."""

    stored: int = 0
    known: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    first_line: dict[str, int] = field(default_factory=dict)

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


def import_readings(folder: Path, source: Path, progress: Callable[[float], None] = lambda _: None) -> Result:
    """Take in a readings file, with its sidecar when it lies beside it. Raises TransferRefused, StoreBusy, OSError.

    progress: called with the share of the file done, 0 to 1, after each part. A row whose probe and second are taken
    by the same words counts as known, by other words as refused. Interrupted, the next import of the same file goes on
    after the last part that was stored, with the counts it had.
    """
    with writing(folder) as engine:
        try:
            return _Import(engine, source, progress).run()
        except (DatabaseError, UnicodeDecodeError, csv.Error) as error:
            raise TransferRefused(f"{source}: {plain_reason(error)}; what was stored before stays") from error


def import_journal(folder: Path, source: Path) -> Result:
    """Take in a journal file; every row is stored, known or refused. Raises TransferRefused, StoreBusy, OSError."""
    result = Result()
    with (
        writing(folder) as engine,
        source.open(encoding="utf-8-sig", newline="") as file,
        engine.begin() as connection,
    ):
        items = connection.exec_driver_sql("SELECT data FROM item WHERE kind = 'JournalEntry'")
        entries = [codec.unpack_item("JournalEntry", data) for (data,) in items]
        facts = {(e.time, e.enclosure, e.what, e.detail) for e in entries if isinstance(e, JournalEntry)}
        reader = csv.DictReader(file)
        if (reader.fieldnames or [])[:3] != ["time", "enclosure", "what"]:
            raise TransferRefused(f"{source}: the first line must be time,enclosure,what and optional detail")
        for row in reader:
            at, what = _second(row.get("time") or ""), row.get("what") or ""
            fact = (at or 0, row.get("enclosure") or None, what, row.get("detail") or "")
            if at is None:
                result.refuse(NO_TIME, reader.line_num)
            elif what not in JOURNAL:
                result.refuse("not a word of the journal", reader.line_num)
            elif fact in facts:
                result.known += 1
            else:
                facts.add(fact)
                identity = str(uuid.uuid5(_NAMESPACE, repr(fact)))
                _past_item(connection, JournalEntry(identity, at, fact[1], what, fact[3], who="import"))
                result.stored += 1
    return result


@contextmanager
def writing(folder: Path) -> Iterator[Engine]:
    """Hold the writer's place and give an engine on the database, which must be of the newest schema."""
    with WriterLock(folder, "an import"):
        engine = writing_engine(folder)
        try:
            yield engine
        finally:
            engine.dispose()


class _Import:
    """One file on its way in. What was done is noted in the transaction that did it, so nothing is done twice."""

    def __init__(self, engine: Engine, source: Path, progress: Callable[[float], None]) -> None:
        self._engine = engine
        self._source = source
        self._progress = progress
        self._size = max(1, source.stat().st_size)
        with source.open("rb") as file:
            head = hashlib.sha256(file.read(1 << 16)).hexdigest()
        self._note = f"import {source.name} {self._size} {head[:16]}"
        self._scales: dict[str, str] = {}
        self.result = Result()

    def run(self) -> Result:
        """Store every part that is not yet stored."""
        with ExitStack() as stack:
            file = stack.enter_context(self._source.open("rb"))
            beside_path = sidecar(self._source)
            beside = stack.enter_context(beside_path.open("rb")) if beside_path.exists() else None
            header = file.readline().decode("utf-8-sig").strip()
            if header != ",".join(READINGS_HEADER):
                raise TransferRefused(f"the first line must be {','.join(READINGS_HEADER)}, it is {header[:80]!r}")
            if beside is not None:
                self._describe(json.loads(beside.readline() or b"{}"))
            line = self._resume(file, beside)
            part: list[_Row] = []
            block = -1
            at: tuple[int, ...] = (0, 0, 0)
            for row in self._rows(file, beside, line):
                if part and (row.time // BLOCK_SECONDS != block or len(part) >= _LARGEST_PART):
                    self._store(block, part, at)
                    part = []
                block = row.time // BLOCK_SECONDS
                part.append(row)
                at = self._at
            if part:
                self._store(block, part, at)
        with self._engine.begin() as connection:
            connection.exec_driver_sql("DELETE FROM note WHERE name = ?", (self._note,))
        self._progress(1.0)
        return self.result

    def _describe(self, facts: dict[str, Any]) -> None:
        """Take the sidecar's first line: scales, and calibrations that are not yet known."""
        self._scales = dict(facts.get("scales", {}))
        with self._engine.begin() as connection:
            known = {d for (d,) in connection.exec_driver_sql("SELECT data FROM item WHERE kind = 'Calibration'")}
            numbers = {name: number for number, name in connection.exec_driver_sql("SELECT id, name FROM probe")}
            # The newest of one start holds; here the number given first is the highest.
            for described in reversed(facts.get("calibrations", ())):
                calibration = codec.as_calibration(described)
                if codec.pack(calibration) not in known:
                    _past_item(connection, calibration)
                    if calibration.probe in numbers:
                        rebuild(connection, _standards(connection), [numbers[calibration.probe]], calibration.time, FOREVER)

    def _resume(self, file: BinaryIO, beside: BinaryIO | None) -> int:
        """Move both files behind what is stored already; return the number of the last line passed."""
        with self._engine.begin() as connection:
            text = connection.exec_driver_sql("SELECT value FROM note WHERE name = ?", (self._note,)).scalar()
        self._at = (file.tell(), beside.tell() if beside is not None else 0, 1)
        if text is None:
            return 1
        done = json.loads(text)
        self.result = Result(done["stored"], done["known"], Counter(done["refused"]), done["first_line"])
        self._at = tuple(done["at"])
        file.seek(self._at[0])
        if beside is not None:
            beside.seek(self._at[1])
        return int(self._at[2])

    def _rows(self, file: BinaryIO, beside: BinaryIO | None, line: int) -> Iterator[_Row]:
        """Yield the rows that can be stored; `_at` is where both files stand behind the last of them."""
        offset, beside_offset = file.tell(), beside.tell() if beside is not None else 0
        for raw in file:
            line += 1
            offset += len(raw)
            words = None
            if beside is not None:
                described = beside.readline()
                beside_offset += len(described)
                words = json.loads(described or b"null")
            row = self._row(next(csv.reader([raw.decode("utf-8")]), []), words, line)
            self._at = (offset, beside_offset, line)
            if row is not None:
                yield row

    def _row(self, cells: list[str], words: Any, line: int) -> _Row | None:
        why = ""
        row = None
        if len(cells) != len(READINGS_HEADER):
            why = "not four columns"
        elif (at := _second(cells[0])) is None:
            why = NO_TIME
        elif not (probe := cells[1].strip()):
            why = "no probe"
        elif words is not None:
            said = spelled(*words[3:6])
            h = words[1] if words[0] is not None else of_failed(words[2], said)
            row = _Row(line, at, probe, words[0], h, words[2], said)
        elif not cells[2].strip() and not cells[3].strip():
            row = _Row(line, at, probe, None, None, MISSING, "")
        elif (values := _values(cells[2], cells[3])) is None:
            why = "values are not -45..130 °C and 0..100 %RH"
        else:
            row = _Row(line, at, probe, *SCALES[self._scales.get(probe, "sht3x")].encode(*values), PASS, "")
        if why:
            self.result.refuse(why, line)
        return row

    def _store(self, block: int, part: list[_Row], at: tuple[int, ...]) -> None:
        """Merge rows of one block into the archive, in one transaction with the note of how far it came."""
        with self._engine.begin() as connection:
            _store(connection, block, part, self._scales, self.result)
            result = self.result
            done = {
                "at": at, "stored": result.stored, "known": result.known,
                "refused": dict(result.refused), "first_line": result.first_line,
            }  # fmt: skip
            connection.exec_driver_sql("INSERT OR REPLACE INTO note VALUES (?, ?)", (self._note, json.dumps(done)))
        self._progress(at[0] / self._size)


def _past_item(connection: Connection, item: JournalEntry | Calibration) -> None:
    """Store an item with a number below every other: history, which a restarted judge is not given again."""
    lowest = connection.exec_driver_sql("SELECT min(0, coalesce(min(seq), 0)) FROM item").scalar_one()
    connection.exec_driver_sql(
        "INSERT INTO item VALUES (?, 0, ?, ?, ?)", (lowest - 1, item.time, type(item).__name__, codec.pack(item))
    )


def _standards(connection: Connection) -> Standards:
    remembered = Remembered()
    remembered.bring_up_to_date(connection)
    return Standards(remembered.in_force)


def _second(text: str) -> int | None:
    try:
        second = parse_time(text.strip())
    except ValueError:
        return None
    return second if second > 0 else None


def _values(temperature: str, humidity: str) -> tuple[float, float] | None:
    try:
        t, h = float(temperature), float(humidity)
    except ValueError:
        return None
    return (t, h) if math.isfinite(t) and -45 <= t <= 130 and math.isfinite(h) and 0 <= h <= 100 else None


def _store(connection: Connection, block: int, part: list[_Row], scales: dict[str, str], result: Result) -> None:
    start, end = block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS
    by_probe: dict[str, list[_Row]] = {}
    for row in part:
        by_probe.setdefault(row.probe, []).append(row)
    numbers = {name: number for number, name in connection.exec_driver_sql("SELECT id, name FROM probe")}
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
            values = (number, probe, scales.get(probe, "sht3x"))
            connection.exec_driver_sql("INSERT INTO probe VALUES (?, ?, ?)", values)
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
            touched.append(number)
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
    for time in sorted(all_times):
        row = fresh.get(time)
        verdict = (row.flag, row.tests) if row is not None else None
        if verdict is not None and not needs_span(*verdict):
            verdict = None
        if verdict is not None and verdict == last:
            spans[-1] = (spans[-1][0], time, *verdict)
        elif verdict is not None:
            spans.append((time, time, *verdict))
        last = verdict
    cut_out(connection, number, [row.time for row in rows])
    write_spans(connection, number, spans)
