"""What files say to the world and it to us: instants as ISO 8601 UTC, readings files, journal files.

One reader for each file, whoever wants its rows. A line is read to a bounded length, a bad one costs itself: its number
and the reason are handed to `refuse`. Readings: `time,probe,temperature_c,humidity_pct`, empty values are a failed poll;
RFC 4180 (CSV), but a line is a row: no cell holds a line break. Journal: `time,enclosure,what` and optional `detail`, of
which `until=TIME` is when a stage ends; a detail may hold line breaks.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import NamedTuple, TextIO

from dewkeeper.errors import FileRefused

READINGS_HEADER = ["time", "probe", "temperature_c", "humidity_pct"]
JOURNAL_HEADER = ["time", "enclosure", "what", "detail"]
NO_TIME = "no ISO 8601 UTC time ending in Z"
LONGEST_LINE = 1 << 16
"""Characters; a row of readings has some fifty, the longest journal entry a few thousand."""
NO_TEXT = "\ufffd"
"""What stands for bytes that are no UTF-8."""
_TOO_LONG = f"longer than {LONGEST_LINE} characters"
_UNTIL = "until="

Refuse = Callable[[str, int], None]
"""Takes the reason and the line of a row that is not taken."""
ReadingRow = tuple[int, str, float | None, float | None, int]
"""Time, probe, °C, %RH, and the line. Both values or neither."""


class JournalRow(NamedTuple):
    """An entry of a journal file, with the line it begins on. enclosure: None for all of them."""

    line: int
    time: int
    enclosure: str | None
    what: str
    detail: str
    until: int | None


def parse_time(text: str) -> int:
    """Return integer UTC seconds of an ISO 8601 time ending in `Z`, fractions cut. Raises ValueError."""
    if not text.endswith("Z"):
        raise ValueError("no UTC time ending in Z")
    return int(datetime.fromisoformat(text).timestamp())


def format_time(seconds: int) -> str:
    """Return the ISO 8601 UTC form of integer seconds."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def readings_rows(path: Path, refuse: Refuse) -> Iterator[ReadingRow]:
    """Yield the rows that are well formed, hand the others to `refuse`. Empty lines are no rows.

    Raises FileRefused for a wrong header, OSError.
    """
    with open_text(path) as file:
        lines = _lines(file, refuse)
        header = _cells(next(lines, (1, ""))[1])
        if header != READINGS_HEADER:
            raise FileRefused(f"{path}: header is {_shown(header)}; it must be {','.join(READINGS_HEADER)}")
        text, at = "", 0
        for line, raw in lines:
            cells = raw.rstrip("\r\n").split(",") if '"' not in raw else _cells(raw)
            try:
                when, probe, t, h = cells
                if when != text:
                    at = parse_time(when)
                    text = when
                row: ReadingRow = (at, probe, float(t), float(h), line) if t and h else (at, probe, None, None, line)
            except (ValueError, OverflowError):
                if cells not in ([], [""]):
                    refuse(_why(cells), line)
                continue
            if row[2] is None:
                if t or h:
                    refuse("one value without the other", line)
                    continue
            elif not (isfinite(row[2]) and isfinite(row[3])):  # type: ignore[arg-type]
                refuse("not a finite number", line)
                continue
            yield row


def journal_rows(path: Path, words: Collection[str], refuse: Refuse) -> Iterator[JournalRow]:
    """Yield the entries whose word is one of `words`, hand the others to `refuse`.

    Raises FileRefused for a wrong header, OSError.
    """
    with open_text(path) as file:
        records = _records(_lines(file, refuse))
        header = next(records, (1, [""]))[1]
        if header[:3] != JOURNAL_HEADER[:3] or header[3:] not in ([], JOURNAL_HEADER[3:]):
            raise FileRefused(f"{path}: header is {_shown(header)}; it must be time,enclosure,what and optional detail")
        for line, cells in records:
            if cells in ([], [""]):
                continue
            if len(cells) not in (3, len(header)):
                refuse("wrong number of cells", line)
                continue
            try:
                at = parse_time(cells[0])
            except (ValueError, OverflowError):
                refuse(NO_TIME, line)
                continue
            try:
                detail, until = _until(cells[3] if len(cells) > 3 else "")
            except (ValueError, OverflowError):
                refuse(f"after {_UNTIL} {NO_TIME}", line)
                continue
            if any(NO_TEXT in cell for cell in cells):
                refuse("bytes that are not UTF-8", line)
            elif cells[2] not in words:
                refuse("unknown journal word", line)
            else:
                yield JournalRow(line, at, cells[1] or None, cells[2], detail, until)


def journal_detail(detail: str, until: int | None) -> str:
    """Return the cell from which `journal_rows` makes this detail and this end again."""
    if until is None and _UNTIL not in detail:
        return detail
    end = _UNTIL + ("" if until is None else format_time(until))  # an empty one: what the keeper wrote is no end
    return f"{detail} {end}" if detail else end


def _until(cell: str) -> tuple[str, int | None]:
    """Return detail and end: `until=TIME` at the very end of a cell is no part of the detail, elsewhere it stays in it."""
    before, _, last = cell.rpartition(" ")
    if last.startswith(_UNTIL):
        named = last.removeprefix(_UNTIL)
        return before, parse_time(named) if named else None
    named = cell.partition(_UNTIL)[2].split(" ")[0]
    return cell, parse_time(named) if named else None


def open_text(path: Path) -> TextIO:
    """Open a CSV file; what is no UTF-8 becomes a character that nothing is called by."""
    return path.open(newline="", encoding="utf-8-sig", errors="replace")


def _lines(file: TextIO, refuse: Refuse) -> Iterator[tuple[int, str]]:
    """Yield every line with its number; of one that is too long no more than a bounded part is ever in memory."""
    number = 0
    readline = file.readline
    while line := readline(LONGEST_LINE):
        number += 1
        if len(line) == LONGEST_LINE and line[-1] not in "\r\n":
            while line and line[-1] not in "\r\n":
                line = readline(LONGEST_LINE)
            refuse(_TOO_LONG, number)
            continue
        yield number, line


def _records(lines: Iterator[tuple[int, str]]) -> Iterator[tuple[int, list[str]]]:
    """Yield the cells of each record and the line it begins on.

    A record goes on while a quote is open (RFC 4180, section 2.6). One that is never closed costs its own line, not those
    it would swallow.
    """
    waiting: list[tuple[int, str]] = []
    while True:
        first = waiting.pop(0) if waiting else next(lines, None)
        if first is None:
            return
        taken = [first]
        quotes, length = first[1].count('"'), len(first[1])
        while quotes % 2:
            more = waiting.pop(0) if waiting else next(lines, None)
            if more is None or length + len(more[1]) > LONGEST_LINE:
                waiting = [*taken[1:], *([more] if more is not None else []), *waiting]
                taken = [first]
                break
            taken.append(more)
            quotes += more[1].count('"')
            length += len(more[1])
        yield first[0], _cells("".join(text for _, text in taken))


def _cells(record: str) -> list[str]:
    import csv  # a row without quotes needs none of it

    try:
        return next(csv.reader([record] if record else []), [])
    except csv.Error:
        return [record]


def _shown(header: list[str]) -> str:
    text = ",".join(header)
    return repr(text if len(text) <= 80 else f"{text[:80]}...")


def _why(cells: list[str]) -> str:
    if len(cells) != len(READINGS_HEADER):
        return f"not {len(READINGS_HEADER)} cells"
    try:
        parse_time(cells[0])
    except (ValueError, OverflowError):
        return NO_TIME
    return "not a number"
