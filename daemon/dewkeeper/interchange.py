"""What files say to the world and it to us: instants as ISO 8601 UTC, readings files, journal files.

One reader for each file, whoever wants its rows. A line is read to a bounded length, a bad one costs itself: its number
and the reason are handed to `refuse`. Readings: `time,probe,temperature_c,humidity_pct`, empty values are a failed poll;
RFC 4180 (CSV), but a line is a row: no cell holds a line break. Journal: `time,enclosure,what` and, each where it is
wanted, `detail`, of which `until=TIME` is when a stage ends, `who` wrote it, when it was `entered`, its `id`, and the id
of the entry it `replaces`; a cell may hold line breaks. With all of them a journal comes back exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime
from math import isfinite
from pathlib import Path
from typing import Final, NamedTuple, Protocol, TextIO

from dewkeeper.errors import FileRefused

READINGS_HEADER = ["time", "probe", "temperature_c", "humidity_pct"]
JOURNAL_HEADER: Final = ("time", "enclosure", "what", "detail", "who", "entered", "id", "replaces")
_MUST: Final = 3
"""The first columns of a journal file; of the others each may be missing."""
NO_TIME = "no ISO 8601 UTC time ending in Z"
NO_DATE: Final = 253_402_214_400
"""9999-12-30, UTC seconds: from there on an instant is no date any more in some time zone, and no screen could show it."""
LONGEST_LINE = 1 << 16
"""Characters; a row of readings has some fifty, the longest journal entry a few thousand."""
_LONGEST_ENTRY: Final = 60_000
"""Characters of all cells of a journal's row, quotes counted twice: what is taken fits a line when it is written again."""
NO_TEXT = "\ufffd"
"""What stands for bytes that are no UTF-8 in a readings file."""
_NO_BYTES = range(0xDC80, 0xDD00)
"""What stands for them in a journal, where a keeper may have written any character there is."""
_TOO_LONG = f"longer than {LONGEST_LINE} characters"
_UNTIL = "until="

Refuse = Callable[[str, int], None]
"""Takes the reason and the line of a row that is not taken."""
ReadingRow = tuple[int, str, float | None, float | None, int]
"""Time, probe, °C, %RH, and the line. Both values or neither."""


class JournalRow(NamedTuple):
    """An entry of a journal file, with the line it begins on. enclosure: None for all of them; id: "" where it has none."""

    line: int
    time: int
    enclosure: str | None
    what: str
    detail: str
    until: int | None
    who: str
    entered: int | None
    id: str
    replaces: str | None


class Noted(Protocol):
    """What a journal file is written from."""

    @property
    def time(self) -> int: ...  # noqa: D102  as in `JournalRow`
    @property
    def enclosure(self) -> str | None: ...  # noqa: D102
    @property
    def what(self) -> str: ...  # noqa: D102
    @property
    def detail(self) -> str: ...  # noqa: D102
    @property
    def until(self) -> int | None: ...  # noqa: D102
    @property
    def who(self) -> str: ...  # noqa: D102
    @property
    def entered(self) -> int | None: ...  # noqa: D102
    @property
    def id(self) -> str: ...  # noqa: D102
    @property
    def replaces(self) -> str | None: ...  # noqa: D102


def parse_time(text: str) -> int:
    """Return integer UTC seconds of an ISO 8601 time ending in `Z`, fractions cut. Raises ValueError."""
    if not text.endswith("Z"):
        raise ValueError("no UTC time ending in Z")
    return int(datetime.fromisoformat(text).timestamp())


def format_time(seconds: int) -> str:
    """Return the ISO 8601 UTC form of integer seconds."""
    return datetime.fromtimestamp(seconds, UTC).isoformat().removesuffix("+00:00") + "Z"


def readings_rows(path: Path, refuse: Refuse) -> Iterator[ReadingRow]:
    """Yield the rows that are well formed, hand the others to `refuse`. Empty lines are no rows.

    Raises FileRefused for a wrong header, OSError.
    """
    with open_text(path) as file:
        lines = _lines(file, refuse)
        header = _cells(next(lines, (1, ""))[1])
        if header != READINGS_HEADER:
            raise FileRefused(f"{path}: header is {shown(header)}; it must be {','.join(READINGS_HEADER)}")
        text, at = "", 0
        for line, raw in lines:
            # The csv module only for a line with quotes, of which a readings file has none: there may be millions.
            cells = raw.rstrip("\r\n").split(",") if '"' not in raw else _cells(raw)
            try:
                when, probe, t, h = cells
                # The rows of one poll have the same time, which is parsed once.
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
    records = text_records(path, refuse)
    header = next(records, (1, [""]))[1]
    if not _is_journal(header):
        raise FileRefused(
            f"{path}: header is {shown(header)}; it must be {','.join(JOURNAL_HEADER[:_MUST])} and optional "
            f"{', '.join(JOURNAL_HEADER[_MUST:])}"
        )
    for line, cells in records:
        if len(cells) not in (_MUST, len(header)):
            refuse("wrong number of cells", line)
            continue
        row = _journal_row(line, dict(zip(header, cells, strict=False)), words)
        if isinstance(row, str):
            refuse(row, line)
        else:
            yield row


def text_records(path: Path, refuse: Refuse) -> Iterator[tuple[int, list[str]]]:
    """Yield the line and the cells of each record of a file in which people may have written anything; empty ones are none.

    What is no UTF-8 and what is too long to be written again is handed to `refuse`. Raises OSError.
    """
    with open_text(path, errors="surrogateescape") as file:
        for line, cells in _records(_lines(file, refuse)):
            if cells in ([], [""]):
                continue
            if any(ord(letter) in _NO_BYTES for cell in cells if not cell.isascii() for letter in cell):
                refuse("bytes that are not UTF-8", line)
            elif sum(len(cell) + cell.count('"') for cell in cells) > _LONGEST_ENTRY:
                refuse(f"longer than {_LONGEST_ENTRY} characters", line)
            else:
                yield line, cells


def _is_journal(header: list[str]) -> bool:
    more = header[_MUST:]
    return (
        tuple(header[:_MUST]) == JOURNAL_HEADER[:_MUST]
        and len(set(more)) == len(more)
        and set(more) <= set(JOURNAL_HEADER[_MUST:])
    )


def _journal_row(line: int, cells: dict[str, str], words: Collection[str]) -> JournalRow | str:
    """Return an entry, or why there is none."""
    try:
        at = parse_time(cells["time"])
        entered = parse_time(cells["entered"]) if cells.get("entered") else None
    except (ValueError, OverflowError):
        return NO_TIME
    try:
        detail, until = _until(cells.get("detail", ""))
    except (ValueError, OverflowError):
        return f"after {_UNTIL} {NO_TIME}"
    if cells["what"] not in words:
        return "unknown journal word"
    return JournalRow(
        line, at, cells["enclosure"] or None, cells["what"], detail, until, cells.get("who", ""), entered,
        cells.get("id", ""), cells.get("replaces") or None,
    )  # fmt: skip


def journal_cells(entry: Noted) -> list[str]:
    """Return the row, in the order of `JOURNAL_HEADER`, from which `journal_rows` makes this entry again."""
    return [
        format_time(entry.time), entry.enclosure or "", entry.what, _detail(entry.detail, entry.until), entry.who,
        "" if entry.entered is None else format_time(entry.entered), entry.id, entry.replaces or "",
    ]  # fmt: skip


def _detail(detail: str, until: int | None) -> str:
    """Return the cell from which `_until` makes this detail and this end again."""
    if until is None and _UNTIL not in detail:
        return detail
    end = _UNTIL + ("" if until is None else format_time(until))  # an empty one: what the keeper wrote is no end
    return f"{detail} {end}" if detail else end


def _until(cell: str) -> tuple[str, int | None]:
    """Return detail and end: `until=TIME` at the very end of a cell is no part of the detail, elsewhere it stays in it."""
    before, _, last = cell.rpartition(" ")
    if last.startswith(_UNTIL):
        named = last.removeprefix(_UNTIL)
        return before, _end(named)
    named = cell.partition(_UNTIL)[2].split(" ")[0]
    return cell, _end(named)


def _end(text: str) -> int | None:
    if not text:
        return None
    end = parse_time(text)
    # Past is allowed: a stage that was. A reading has its own rule, by the machine's clock.
    if not 0 < end < NO_DATE:
        raise ValueError("no end that could be shown")
    return end


def open_text(path: Path, errors: str = "replace") -> TextIO:
    """Open a CSV file; what is no UTF-8 becomes a character that nothing is called by."""
    # -sig: spreadsheets put a byte order mark before what they save.
    return path.open(newline="", encoding="utf-8-sig", errors=errors)


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


def shown(header: list[str]) -> str:
    """Return a header as a complaint quotes it."""
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
