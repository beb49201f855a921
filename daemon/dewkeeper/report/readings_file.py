"""Readings and journal files for the judge: read row by row, refused row by row, in flat memory.

Readings: RFC 4180 CSV, UTF-8, header `time,probe,temperature_c,humidity_pct`, ISO 8601 UTC times ending in `Z`; empty
values are a failed poll. Journal: `time,enclosure,what` and optional `detail`, where `until=TIME` ends a stage.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from statistics import median

from dewkeeper.errors import DewkeeperError
from dewkeeper.interchange import READINGS_HEADER, parse_time
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL

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


def read_readings(path: Path, probes: Collection[str], refusals: Refusals) -> Iterator[Row]:
    """Yield the rows that can be judged; count the others. Raises FileRefused for a wrong header, OSError.

    Rows of one probe come in order of time, those of different probes within an hour of it. Empty lines are no rows.
    """
    last = dict.fromkeys(probes, -math.inf)
    with path.open(newline="", encoding="utf-8-sig", errors="replace") as file:
        reader = csv.reader(file)
        header = next(reader, None)
        if header != READINGS_HEADER:
            raise FileRefused(f"{path}: header is {header}; it must be {','.join(READINGS_HEADER)}")
        newest = -math.inf
        text, at = "", 0
        doubtful = _Doubtful(refusals)
        while True:
            try:
                for cells in reader:
                    try:
                        when, probe, t, h = cells
                        if when != text:
                            at = parse_time(when)
                            text = when
                        row: Row = (
                            (at, probe, float(t), float(h)) if t and h else (at, probe, None, None)
                        )
                    except ValueError:
                        if cells:
                            refusals.add(_why(cells), reader.line_num)
                        continue
                    before = last.get(probe)
                    if before is None:
                        refusals.add("unknown probe", reader.line_num)
                        continue
                    if row[2] is None:
                        if t or h:
                            refusals.add("one value without the other", reader.line_num)
                            continue
                    elif not (math.isfinite(row[2]) and math.isfinite(row[3])):  # type: ignore[arg-type]
                        refusals.add("not a finite number", reader.line_num)
                        continue
                    if at > newest + _AHEAD_SECONDS or newest == -math.inf:
                        sure = doubtful.confirmed_by(row, reader.line_num)
                        if sure is None:
                            continue
                        newest = last[sure[1]] = sure[0]
                        before = last[probe]
                        yield sure
                    elif doubtful.rows:
                        doubtful.refuse()
                    if at <= before:
                        refusals.add("not after the probe's row before it", reader.line_num)
                        continue
                    if at > newest:
                        newest = at
                    elif at < newest - _BACK_SECONDS:
                        refusals.add("not in order of time", reader.line_num)
                        continue
                    last[probe] = at
                    yield row
                break
            except csv.Error as error:
                refusals.add(f"unreadable ({error})", reader.line_num)
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


def usual_interval(path: Path, probes: Collection[str]) -> int | None:
    """Return the median seconds between two rows of one probe at the file's beginning, None for too few rows."""
    last: dict[str, int] = {}
    steps: list[int] = []
    for at, probe, _, _ in islice(read_readings(path, probes, Refusals()), 5000):
        if probe in last and at > last[probe]:
            steps.append(at - last[probe])
        last[probe] = at
    return round(median(steps)) if len(steps) >= 5 else None


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
