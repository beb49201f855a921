"""Animals as a CSV file: one row for each stay, read into the journal's entries that say the same.

`animal,enclosure,moved_in,moved_out,hatched,sex,notes`; times ISO 8601 UTC, `moved_out` empty where it lives there still.
Hatch date, sex and notes stand in an animal's first row. Who never had a name is in the journal's file alone.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from itertools import groupby, zip_longest
from pathlib import Path
from typing import Final, NamedTuple, TextIO

from dewkeeper.errors import FileRefused
from dewkeeper.interchange import NO_TIME, JournalRow, Refuse, format_time, parse_time, shown, text_records
from dewkeeper.report.animal_facts import DESCRIBED, SEXES, AnimalFacts, is_hatch_date
from dewkeeper.report.animals import Animal

ANIMALS_HEADER: Final = ("animal", "enclosure", "moved_in", "moved_out", "hatched", "sex", "notes")


class _StayRow(NamedTuple):
    line: int
    name: str
    enclosure: str
    start: int
    end: int | None
    facts: AnimalFacts


def animals_text(known: Sequence[Animal]) -> Iterator[Sequence[str]]:
    """Yield the rows of the file, its header first."""
    yield ANIMALS_HEADER
    for animal in known:
        for number, stay in enumerate(animal.stays):
            facts = animal.facts if number == 0 else AnimalFacts()
            end = "" if stay.end is None else format_time(stay.end)
            yield animal.name, stay.enclosure, format_time(stay.start), end, facts.hatched, facts.sex, facts.notes


def write_animals(known: Sequence[Animal], file: TextIO) -> None:
    """Write the file; open it with `newline=""`."""
    csv.writer(file).writerows(animals_text(known))


def animals_journal(path: Path, refuse: Refuse) -> list[JournalRow]:
    """Return the entries from which `animals` makes the animals of a file again; rows that say nothing are refused.

    Raises FileRefused for a wrong header, OSError.
    """
    records = text_records(path, refuse)
    header = next(records, (1, [""]))[1]
    if tuple(header) != ANIMALS_HEADER:
        raise FileRefused(f"{path}: header is {shown(header)}; it must be {','.join(ANIMALS_HEADER)}")
    found: list[_StayRow] = []
    for line, cells in records:
        row = _stay(line, cells)
        if isinstance(row, str):
            refuse(row, line)
        else:
            found.append(row)
    entries: list[JournalRow] = []
    # The file may be in any order; a stay ends where the next one begins.
    found.sort(key=lambda row: (row.name.casefold(), row.start))
    for _, those in groupby(found, key=lambda row: row.name.casefold()):
        entries += _entries(list(those))
    return sorted(entries, key=lambda entry: entry.time)


def _stay(line: int, cells: Sequence[str]) -> _StayRow | str:
    """Return a row, or why it is none."""
    if len(cells) != len(ANIMALS_HEADER):
        return f"not {len(ANIMALS_HEADER)} cells"
    name, enclosure, begun, ended, hatched, sex, notes = (cell.strip() for cell in cells)
    try:
        start, end = parse_time(begun), parse_time(ended) if ended else None
    except (ValueError, OverflowError):
        return NO_TIME
    if not name or "," in name or not enclosure:
        return "no name of an animal and an enclosure; a name has no comma"
    if end is not None and end < start:
        return "moved out before it moved in"
    if hatched and not is_hatch_date(hatched):
        return "no hatch date like 2021-06-03, 2021-06 or 2021"
    if sex not in ("", *SEXES):
        return f"a sex is {' or '.join(SEXES)}, or left empty"
    return _StayRow(line, name, enclosure, start, end, AnimalFacts(hatched, sex, notes))


def _entries(rows: Sequence[_StayRow]) -> Iterator[JournalRow]:
    """Yield the entries of one animal, its rows in order of time."""
    said = next((row for row in rows if row.facts != AnimalFacts()), None)
    for row, after in zip_longest(rows, rows[1:]):
        yield _entry(row, row.start, "moved_in", row.name)
        if said is not None and row is rows[0]:
            yield _entry(said, row.start, DESCRIBED, said.facts.detail(row.name))
        moves_on = after is not None and after.start == row.end and after.enclosure != row.enclosure
        if row.end is not None and not moves_on:  # moving in elsewhere is moving out
            yield _entry(row, row.end, "moved_out", row.name)


def _entry(row: _StayRow, at: int, what: str, detail: str) -> JournalRow:
    return JournalRow(row.line, at, row.enclosure, what, detail, None, "", None, "", None)
