"""Readings and journal files for the judge: read row by row, refused row by row, in flat memory, in any order of time.

Readings: RFC 4180 CSV, UTF-8, header `time,probe,temperature_c,humidity_pct`, ISO 8601 UTC times ending in `Z`; empty
values are a failed poll. Journal: `time,enclosure,what` and optional `detail`, where `until=TIME` ends a stage.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from statistics import median
from typing import TextIO

from dewkeeper.errors import DewkeeperError
from dewkeeper.interchange import READINGS_HEADER, parse_time
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.readings_order import Numbered, Sorted, out_of_order

Row = tuple[int, str, float | None, float | None]

_SHOWN_LINES = 10
_BACK_SECONDS = 3600
_AHEAD_SECONDS = 7 * 86400


class FileRefused(DewkeeperError, ValueError):
    """A file is not what it should be, as a whole."""


@dataclass(slots=True)
class Refusals:
    """Rows not taken: reason -> count, with the first line numbers of each."""

    counts: dict[str, int] = field(default_factory=dict)
    lines: dict[str, list[int]] = field(default_factory=dict)

    def add(self, reason: str, line: int) -> None:
        """Count one row."""
        self.counts[reason] = self.counts.get(reason, 0) + 1
        shown = self.lines.setdefault(reason, [])
        if len(shown) < _SHOWN_LINES:
            shown.append(line)

    def take(self, others: Refusals) -> None:
        """Count what others counted, too."""
        for reason, count in others.counts.items():
            self.counts[reason] = self.counts.get(reason, 0) + count
            self.lines[reason] = [*self.lines.get(reason, ()), *others.lines[reason]][:_SHOWN_LINES]

    @property
    def total(self) -> int:
        """How many rows were refused."""
        return sum(self.counts.values())

    def sentences(self, name: str) -> list[str]:
        """Say each reason with its line numbers."""
        return [
            f"{name}: {count} row(s) refused, {reason}: line {', '.join(map(str, self.lines[reason]))}"
            + (", ..." if count > _SHOWN_LINES else "")
            for reason, count in self.counts.items()
        ]


class ReadingsFile:
    """A readings file, put in order of time first where it is not. Close it when done."""

    def __init__(self, path: Path) -> None:
        """Look along the file. Raises FileRefused for a wrong header, OSError."""
        self.path = path
        self._slips = Refusals()
        self._sorted = Sorted(_parsed(path, self._slips)) if out_of_order(path, _BACK_SECONDS) else None

    @property
    def was_sorted(self) -> bool:
        """Whether its rows had to be put in order of time."""
        return self._sorted is not None

    def rows(self, probes: Collection[str], refusals: Refusals) -> Iterator[Row]:
        """Yield the rows that can be judged, count the others. Raises FileRefused for a wrong header, OSError.

        Those of one probe come in order of time, those of different probes within an hour of it. Empty lines are no rows.
        """
        if self._sorted is None:
            return _judgeable(_parsed(self.path, refusals), probes, refusals)
        refusals.take(self._slips)
        return _judgeable(self._sorted.rows(), probes, refusals)

    def usual_interval(self, probes: Collection[str]) -> int | None:
        """Return the median seconds between two rows of one probe at the file's beginning, None for too few rows."""
        last: dict[str, int] = {}
        steps: list[int] = []
        for at, probe, _, _ in islice(self.rows(probes, Refusals()), 5000):
            if probe in last and at > last[probe]:
                steps.append(at - last[probe])
            last[probe] = at
        return round(median(steps)) if len(steps) >= 5 else None

    def close(self) -> None:
        """Give back what sorting took."""
        if self._sorted is not None:
            self._sorted.close()


def _records(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield the cells of every line. A quote that is not closed costs its own line, not those it would swallow."""
    with ExitStack() as stack:
        reader = csv.reader(stack.enter_context(_opened(path)))
        lines: Iterator[tuple[int, str]] | None = None
        done = 0
        while True:
            try:
                for cells in reader:
                    line = reader.line_num
                    if line != done + 1:
                        break
                    done = line
                    yield line, cells
                else:
                    return
            except csv.Error:
                pass  # its lines are read one by one, too
            if lines is None:
                lines = enumerate(stack.enter_context(_opened(path)), start=1)
            for line, text in lines:
                if line > done:
                    yield line, _cells(text)
                if line >= reader.line_num:
                    break
            done = reader.line_num


def _opened(path: Path) -> TextIO:
    return path.open(newline="", encoding="utf-8-sig", errors="replace")


def _cells(line: str) -> list[str]:
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return [line]


def _parsed(path: Path, refusals: Refusals) -> Iterator[Numbered]:
    """Yield the rows that are well formed, with their lines; count the others."""
    records = _records(path)
    _, header = next(records, (0, None))
    if header != READINGS_HEADER:
        raise FileRefused(f"{path}: header is {header}; it must be {','.join(READINGS_HEADER)}")
    text, at = "", 0
    for line, cells in records:
        try:
            when, probe, t, h = cells
            if when != text:
                at = parse_time(when)
                text = when
            row: Numbered = (at, probe, float(t), float(h), line) if t and h else (at, probe, None, None, line)
        except ValueError:
            if cells:
                refusals.add(_why(cells), line)
            continue
        if row[2] is None:
            if t or h:
                refusals.add("one value without the other", line)
                continue
        elif not (math.isfinite(row[2]) and math.isfinite(row[3])):  # type: ignore[arg-type]
            refusals.add("not a finite number", line)
            continue
        yield row


def _judgeable(rows: Iterable[Numbered], probes: Collection[str], refusals: Refusals) -> Iterator[Row]:
    """Yield the rows of known probes that come in order of time; count the others."""
    last = dict.fromkeys(probes, -math.inf)
    newest = -math.inf
    doubtful = _Doubtful(refusals)
    for at, probe, t, h, line in rows:
        before = last.get(probe)
        if before is None:
            refusals.add("unknown probe", line)
            continue
        row: Row = (at, probe, t, h)
        if at > newest + _AHEAD_SECONDS or newest == -math.inf:
            sure = doubtful.confirmed_by(row, line)
            if sure is None:
                continue
            newest = last[sure[1]] = sure[0]
            before = last[probe]
            yield sure
        elif doubtful.rows:
            doubtful.refuse()
        if at <= before:
            refusals.add("the probe has a row for that second" if at == before else "not after the probe's row before it", line)
            continue
        if at > newest:
            newest = at
        elif at < newest - _BACK_SECONDS:
            refusals.add("not in order of time", line)
            continue
        last[probe] = at
        yield row
    if doubtful.rows and newest == -math.inf:
        yield doubtful.rows.pop(0)[0]  # nothing but it speaks for another time
    doubtful.refuse()


class _Doubtful:
    """Rows far ahead of all before them, or the first of all: one may be a slip, two that agree are not."""

    def __init__(self, refusals: Refusals) -> None:
        self.rows: list[tuple[Row, int]] = []
        self._refusals = refusals

    def confirmed_by(self, row: Row, line: int) -> Row | None:
        """Return the row that this one agrees with, refusing the others; None, and keep this one too, when there is none."""
        for index, (other, _) in enumerate(self.rows):
            if -_BACK_SECONDS <= row[0] - other[0] <= _AHEAD_SECONDS and row[:2] != other[:2]:
                del self.rows[index]
                self.refuse()
                return other
        self.rows.append((row, line))
        if len(self.rows) > _SHOWN_LINES:
            self.refuse(1)
        return None

    def refuse(self, most: int | None = None) -> None:
        """Refuse the oldest of them, or all."""
        for _, line in self.rows[:most]:
            self._refusals.add("time far from its neighbours", line)
        del self.rows[:most]


def _why(cells: list[str]) -> str:
    if len(cells) != len(READINGS_HEADER):
        return f"not {len(READINGS_HEADER)} cells"
    try:
        parse_time(cells[0])
    except ValueError:
        return "no ISO 8601 UTC time ending in Z"
    return "not a number"


def read_journal(path: Path, enclosures: Collection[str], refusals: Refusals) -> list[JournalEntry]:
    """Return the entries of a journal file in order of time. Raises FileRefused for a wrong header, OSError."""
    entries: list[JournalEntry] = []
    with path.open(newline="", encoding="utf-8-sig", errors="replace") as file:
        reader = csv.reader(file)
        header = next(reader, [])
        if header[:3] != ["time", "enclosure", "what"] or header[3:] not in ([], ["detail"]):
            raise FileRefused(
                f"{path}: header is {header}; it must be time,enclosure,what and optional detail"
            )
        for cells in reader:
            if len(cells) not in (3, len(header)):
                refusals.add("wrong number of cells", reader.line_num)
                continue
            detail = cells[3] if len(cells) > 3 else ""
            until = detail.partition("until=")[2].split(" ")[0]
            try:
                at, end = parse_time(cells[0]), parse_time(until) if until else None
            except ValueError:
                refusals.add("no ISO 8601 UTC time ending in Z", reader.line_num)
                continue
            if cells[1] and cells[1] not in enclosures:
                refusals.add("unknown enclosure", reader.line_num)
            elif cells[2] not in JOURNAL:
                refusals.add("unknown journal word", reader.line_num)
            else:
                identity = f"{path.name}:{reader.line_num}"
                entries.append(
                    JournalEntry(identity, at, cells[1] or None, cells[2], detail, until=end)
                )
    return sorted(entries, key=lambda entry: entry.time)
