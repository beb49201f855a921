"""Readings and journal files for the judge: read row by row, refused row by row, in flat memory, in any order of time.

The files themselves are read by `interchange`; here is decided which of their rows a judge can be given.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from statistics import median

from dewkeeper.interchange import ReadingRow, journal_rows, readings_rows
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL, WITHDRAWN
from dewkeeper.report.readings_order import Sorted, out_of_order

Row = tuple[int, str, float | None, float | None]

_SHOWN_LINES = 10
_LOOKED_AT = 5000
"""Rows at a file's beginning by which its pace and its direction are known."""
_BACK_SECONDS = 3600
_AHEAD_SECONDS = 7 * 86400


@dataclass(slots=True)
class Refusals:
    """Rows not taken: reason -> count, with the first line numbers of each."""

    counts: dict[str, int] = field(default_factory=dict)
    lines: dict[str, list[int]] = field(default_factory=dict)
    taken: int = 0
    """How many rows were taken instead, known when all were read."""

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
        backwards = _backwards(islice(readings_rows(path, Refusals().add), _LOOKED_AT))
        unsorted = backwards or out_of_order(path, _BACK_SECONDS)
        self._sorted = Sorted(readings_rows(path, self._slips.add)) if unsorted else None

    @property
    def was_sorted(self) -> bool:
        """Whether its rows had to be put in order of time."""
        return self._sorted is not None

    def rows(self, probes: Collection[str], refusals: Refusals) -> Iterator[Row]:
        """Yield the rows that can be judged, count the others. Raises FileRefused for a wrong header, OSError.

        Those of one probe come in order of time, those of different probes within an hour of it. Empty lines are no rows.
        """
        if self._sorted is None:
            return _judgeable(readings_rows(self.path, refusals.add), probes, refusals)
        refusals.take(self._slips)
        return _judgeable(self._sorted.rows(), probes, refusals)

    def usual_interval(self, probes: Collection[str]) -> int | None:
        """Return the median seconds between two rows of one probe at the file's beginning, None for too few rows."""
        last: dict[str, int] = {}
        steps: list[int] = []
        for at, probe, _, _ in islice(self.rows(probes, Refusals()), _LOOKED_AT):
            if probe in last and at > last[probe]:
                steps.append(at - last[probe])
            last[probe] = at
        return round(median(steps)) if len(steps) >= 5 else None

    def close(self) -> None:
        """Give back what sorting took."""
        if self._sorted is not None:
            self._sorted.close()


def _backwards(rows: Iterable[ReadingRow]) -> bool:
    """Return whether rows of one probe mostly come newest first, which within an hour no look along all times would show."""
    last: dict[str, int] = {}
    count = back = 0
    for count, (at, probe, _, _, _) in enumerate(rows, start=1):  # noqa: B007  the last one is asked for
        back += at < last.get(probe, at)
        last[probe] = at
    # A slip now and then is no direction.
    return back > 1 and 10 * back > count


def _judgeable(rows: Iterable[ReadingRow], probes: Collection[str], refusals: Refusals) -> Iterator[Row]:
    """Yield the rows of known probes that come in order of time; count the others."""
    last = dict.fromkeys(probes, -math.inf)
    newest = -math.inf
    taken = 0
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
            taken += 1
            yield sure
        elif doubtful.rows:
            doubtful.refuse()
        if at <= before:
            refusals.add(
                "the probe has a row for that second" if at == before else "not after the probe's row before it", line
            )
            continue
        if at > newest:
            newest = at
        elif at < newest - _BACK_SECONDS:
            refusals.add("not in order of time", line)
            continue
        last[probe] = at
        taken += 1
        yield row
    if doubtful.rows and newest == -math.inf:
        taken += 1
        yield doubtful.rows.pop(0)[0]  # nothing but it speaks for another time
    doubtful.refuse()
    refusals.taken = taken


class _Doubtful:
    """Rows far ahead of all before them, or the first of all: one may be a slip, two that agree are not."""

    def __init__(self, refusals: Refusals) -> None:
        self.rows: list[tuple[Row, int]] = []
        self._refusals = refusals

    def confirmed_by(self, row: Row, line: int) -> Row | None:
        """Return the row that this one agrees with, refusing the others; None, and keep this one too, when there is none."""
        for index, (other, _) in enumerate(self.rows):
            # A row that stands twice is no second witness of its time.
            if -_BACK_SECONDS <= row[0] - other[0] <= _AHEAD_SECONDS and row[:2] != other[:2]:
                del self.rows[index]
                self.refuse()
                return other
        self.rows.append((row, line))
        # A file of nothing but slips must not fill memory.
        if len(self.rows) > _SHOWN_LINES:
            self.refuse(1)
        return None

    def refuse(self, most: int | None = None) -> None:
        """Refuse the oldest of them, or all."""
        for _, line in self.rows[:most]:
            self._refusals.add("time far from its neighbours", line)
        del self.rows[:most]


def read_journal(path: Path, enclosures: Collection[str], refusals: Refusals) -> list[JournalEntry]:
    """Return what holds of a journal file, each entry as if written down at once. Raises FileRefused for a wrong header, OSError."""
    entries: list[JournalEntry] = []
    replaced: set[str] = set()
    for row in journal_rows(path, JOURNAL, refusals.add):
        if row.enclosure is not None and row.enclosure not in enclosures:
            refusals.add("unknown enclosure", row.line)
        else:
            named = row.id or f"{path.name}:{row.line}"
            entries.append(JournalEntry(named, row.time, row.enclosure, row.what, row.detail, row.who, row.until))
            replaced.add(row.replaces or "")
    kept = [entry for entry in entries if entry.id not in replaced and entry.what != WITHDRAWN]
    return sorted(kept, key=lambda entry: entry.time)
