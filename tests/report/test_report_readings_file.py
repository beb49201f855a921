"""Readings and journal files: what was written comes back; what is wrong is counted on its line; nothing else is lost."""

from __future__ import annotations

import contextlib
import csv
import io
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount

from dewkeeper.errors import FileRefused
from dewkeeper.interchange import READINGS_HEADER, format_time, parse_time
from dewkeeper.report.readings_file import (
    ReadingsFile,
    Refusals,
    Row,
    read_journal,
)

START = 1_790_000_000
PROBES = ("p1", "B4 floor", 'odd "name", with comma', "Öl")
_VALUES = st.one_of(st.none(), st.tuples(st.floats(-45, 130), st.floats(0, 100)))
_POLLS = st.lists(st.tuples(st.integers(1, 4000), st.lists(_VALUES, min_size=1, max_size=len(PROBES))), max_size=40)
BAD = (
    "nonsense", "2026-01-01T00:00:00Z,p1,29", "2026-01-01T00:00:00Z,p1,29,60,1", ",p1,29,60", "2026-01-01T00:00:00,p1,29,60",
    "01.02.2026 12:00,p1,29,60", "2026-13-01T00:00:00Z,p1,29,60", "{now},p1,warm,60", "{now},p1,nan,60", "{now},p1,29,inf",
    "{now},p1,29,", "{now},p1,,60", "{now},stranger,29,60", "2019-01-01T00:00:00Z,p1,29,60", "2099-01-01T00:00:00Z,p1,29,60",
    "{now},p1,29.0\0,60", '"{now}",p1,"29',
)  # fmt: skip


def _rows(polls: list[tuple[int, list[tuple[float, float] | None]]]) -> list[Row]:
    rows: list[Row] = []
    at = START
    for step, values in polls:
        at += step
        for probe, pair in zip(PROBES, values, strict=False):
            rows.append((at, probe, None, None) if pair is None else (at, probe, *pair))
    return rows


def _line(row: Row, end: str, quoting: int) -> str:
    text = io.StringIO()
    cells = ["" if cell is None else repr(cell) if isinstance(cell, float) else cell for cell in row[1:]]
    csv.writer(text, lineterminator=end, quoting=quoting).writerow([format_time(row[0]), *cells])  # type: ignore[arg-type]
    return text.getvalue()


def _read(path: Path, text: str, mark: bool) -> tuple[list[Row], Refusals]:
    path.write_bytes((b"\xef\xbb\xbf" if mark else b"") + text.encode())
    return _rows_of(path)


def _rows_of(path: Path) -> tuple[list[Row], Refusals]:
    refusals = Refusals()
    with contextlib.closing(ReadingsFile(path)) as file:
        return list(file.rows(PROBES, refusals)), refusals


@settings(max_examples=amount(40, 1500))
@given(
    _POLLS,
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.booleans(),
    st.booleans(),
)
def test_what_was_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory,
    polls: list[tuple[int, list[tuple[float, float] | None]]], end: str, quoting: int, mark: bool, cut: bool,
) -> None:  # fmt: skip
    """With a byte order mark or not, LF or CRLF, quoted or not, a last line end or none: every row comes back exactly."""
    rows = _rows(polls)
    text = ",".join(READINGS_HEADER) + end + "".join(_line(row, end, quoting) for row in rows)
    found, refusals = _read(tmp_path_factory.getbasetemp() / "r.csv", text.removesuffix(end) if cut else text, mark)
    assert found == rows
    assert refusals.total == 0


@settings(max_examples=amount(40, 1500))
@given(
    _POLLS.filter(lambda polls: len(polls) > 2),
    st.lists(st.tuples(st.integers(0, 10_000), st.sampled_from(BAD)), max_size=12),
    st.sampled_from(["\n", "\r\n"]),
)
def test_bad_rows_cost_themselves_only(
    tmp_path_factory: pytest.TempPathFactory,
    polls: list[tuple[int, list[tuple[float, float] | None]]], slips: list[tuple[int, str]], end: str,
) -> None:  # fmt: skip
    """Rubbish anywhere in the file is counted, each on its own line; every good row still comes, in order."""
    rows = _rows(polls)
    lines: list[tuple[str, Row | None]] = [(_line(row, end, csv.QUOTE_MINIMAL), row) for row in rows]
    for where, bad in slips:
        place = where % (len(lines) + 1)
        now = rows[min(len([r for _, r in lines[:place] if r is not None]), len(rows) - 1)][0]
        lines.insert(place, (bad.format(now=format_time(now)) + end, None))
    text = ",".join(READINGS_HEADER) + end + "".join(line for line, _ in lines)
    found, refusals = _read(tmp_path_factory.getbasetemp() / "r.csv", text, mark=False)
    assert found == rows
    wrong = [number for number, (_, row) in enumerate(lines, start=2) if row is None]
    assert refusals.total == len(wrong)
    shown = {line for listed in refusals.lines.values() for line in listed}
    assert shown <= set(wrong)
    if len(wrong) <= 10:
        assert shown == set(wrong)


@settings(max_examples=amount(40, 1000))
@given(st.binary(max_size=400), st.booleans())
def test_no_bytes_crash_the_reader(tmp_path_factory: pytest.TempPathFactory, rubbish: bytes, headed: bool) -> None:
    """Any bytes at all: rows, refused rows or a refused file, never another error."""
    path = tmp_path_factory.getbasetemp() / "x.csv"
    path.write_bytes((",".join(READINGS_HEADER) + "\n").encode() * headed + rubbish)
    for read in (lambda: _rows_of(path), lambda: read_journal(path, {"B1"}, Refusals())):
        with contextlib.suppress(FileRefused):
            read()


def test_doubled_and_disordered_rows_are_refused_by_name(tmp_path: Path) -> None:
    """A second row of a probe for the same second, and an older one, are refused; another probe up to an hour back is not."""
    order = [(0, "p1"), (60, "p1"), (60, "p1"), (30, "p1"), (30, "Öl"), (4000, "p1"), (300, "Öl"), (4060, "Öl")]
    text = (
        ",".join(READINGS_HEADER)
        + "\n"
        + "".join(_line((START + at, probe, 29.0, 60.0), "\n", 0) for at, probe in order)
    )
    found, refusals = _read(tmp_path / "r.csv", text, mark=False)
    assert [(row[0] - START, row[1]) for row in found] == [
        (0, "p1"),
        (60, "p1"),
        (30, "Öl"),
        (4000, "p1"),
        (4060, "Öl"),
    ]
    assert refusals.lines == {
        "the probe has a row for that second": [4], "not after the probe's row before it": [5], "not in order of time": [8],
    }  # fmt: skip


@settings(max_examples=amount(40, 1500))
@given(
    _POLLS.filter(lambda polls: len(polls) > 2),
    st.randoms(use_true_random=False),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_any_order_of_rows_is_put_in_order_of_time(
    tmp_path_factory: pytest.TempPathFactory,
    polls: list[tuple[int, list[tuple[float, float] | None]]],
    dice: Random,
    quoting: int,
) -> None:
    """Probe by probe, or shuffled: every row is used, in order of time, or counted; doubled ones are refused on their lines."""
    rows = _rows(polls)
    path = tmp_path_factory.getbasetemp() / "o.csv"
    for order in (sorted(rows, key=lambda row: PROBES.index(row[1])), dice.sample(rows, len(rows))):
        lines = [_line(row, "\n", quoting) for row in [*order, *order[:2]]]
        path.write_text(",".join(READINGS_HEADER) + "\n" + "".join(lines), encoding="utf-8")
        refusals = Refusals()
        with contextlib.closing(ReadingsFile(path)) as file:
            found = list(file.rows(PROBES, refusals))
            again = list(file.rows(PROBES, Refusals()))
        assert found == again
        assert len(found) + refusals.total == len(rows) + 2
        if file.was_sorted:
            assert sorted(found, key=repr) == sorted(rows, key=repr)
            assert [row[0] for row in found] == [row[0] for row in rows]
            assert refusals.total == 2


def test_a_file_probe_by_probe_is_sorted_and_single_slips_are_not_worth_it(tmp_path: Path) -> None:
    """Two days of one probe and then of the other come in order of time; a row dated wrong here and there sorts nothing."""
    path = tmp_path / "r.csv"
    head = ",".join(READINGS_HEADER) + "\n"
    times = range(START, START + 2 * 86400, 600)
    blocks = {probe: [_line((at, probe, 29.0, 60.0), "\n", 0) for at in times] for probe in ("p1", "Öl")}
    path.write_text(head + "".join(blocks["p1"] + ["rubbish\n"] + blocks["Öl"]), encoding="utf-8")
    with contextlib.closing(ReadingsFile(path)) as file:
        assert file.was_sorted
        refusals = Refusals()
        found = list(file.rows(PROBES, refusals))
        assert file.usual_interval(PROBES) == 600
    assert [row[:2] for row in found] == [(at, probe) for at in times for probe in ("p1", "Öl")]
    assert refusals.lines == {"not 4 cells": [2 + len(times)]}
    mixed = [line for pair in zip(blocks["p1"], blocks["Öl"], strict=True) for line in pair]
    for where in (5, 90, 200):
        mixed.insert(where, "2031-01-01T00:00:00Z,p1,29,60\n")
        mixed.insert(where + 40, "2011-01-01T00:00:00Z,p1,29,60\n")
    path.write_text(head + "".join(mixed), encoding="utf-8")
    with contextlib.closing(ReadingsFile(path)) as file:
        assert not file.was_sorted


ODD: list[tuple[str, object]] = [
    ('"2026-01-01T00:00:00Z","p1","29.0","60.0"', (0, "p1", 29.0, 60.0)),
    ("2026-01-01T00:00:00.999Z,p1,29,60", (0, "p1", 29.0, 60.0)),
    ("20260101T000000Z,p1,29,60", (0, "p1", 29.0, 60.0)),
    ("2026-01-01T00:00:00Z,p1,2.9e1,+6E1", (0, "p1", 29.0, 60.0)),
    ("2026-01-01T00:00:00Z,p1, 29 , 60 ", (0, "p1", 29.0, 60.0)),
    ("2026-01-01T00:00:00Z,p1,,", (0, "p1", None, None)),
    ('2026-01-01T00:00:00Z,p1,"",""', (0, "p1", None, None)),
    ("2026-01-01T00:00:00+00:00,p1,29,60", "no ISO 8601 UTC time ending in Z"),
    ("2026-01-01T00:00:00z,p1,29,60", "no ISO 8601 UTC time ending in Z"),
    ("2026-01-01 00:00:00,p1,29,60", "no ISO 8601 UTC time ending in Z"),
    ("1767225600,p1,29,60", "no ISO 8601 UTC time ending in Z"),
    ("2026-01-01T00:00:00Z,p1,NaN,60", "not a finite number"),
    ("2026-01-01T00:00:00Z,p1,29,-inf", "not a finite number"),
    ("2026-01-01T00:00:00Z,p1,1e999,60", "not a finite number"),
    ('2026-01-01T00:00:00Z,p1,"29,0","60,0"', "not a number"),
    ("2026-01-01T00:00:00Z,p1,29 °C,60", "not a number"),
    ("2026-01-01T00:00:00Z,p1,29,60%", "not a number"),
    ("2026-01-01T00:00:00Z,p1, ,60", "not a number"),
    ("2026-01-01T00:00:00Z,p1,29", "not 4 cells"),
    ("2026-01-01T00:00:00Z;p1;29;60", "not 4 cells"),
    ("2026-01-01T00:00:00Z,P1,29,60", "unknown probe"),
    ('2026-01-01T00:00:00Z,"p1,29,60', "not 4 cells"),
    ("   ", "not 4 cells"),
]


@pytest.mark.parametrize(("line", "comes_to"), ODD, ids=[line for line, _ in ODD])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_odd_but_legal_rows_are_read_and_others_counted_on_their_line(
    tmp_path: Path, line: str, comes_to: object, end: str
) -> None:
    """Quotes, fractions, exponents, blank lines and empty cells as RFC 4180 and ISO 8601 allow; the rest is refused by name."""
    text = end.join(
        [",".join(READINGS_HEADER), "", line, "2026-01-01T00:01:00Z,p1,30,61", "2026-01-01T00:02:00Z,p1,30,61", "", ""]
    )
    found, refusals = _read(tmp_path / "r.csv", text, mark=True)
    first = 1_767_225_600  # 2026-01-01
    rest = [(first + 60, "p1", 30.0, 61.0), (first + 120, "p1", 30.0, 61.0)]
    if isinstance(comes_to, tuple):
        assert found == [(first, *comes_to[1:]), *rest]
        assert refusals.total == 0
    else:
        assert found == rest
        assert refusals.lines == {comes_to: [3]}


@pytest.mark.parametrize("where", [0, 3, 10])
def test_one_slipped_time_takes_no_other_row_with_it(tmp_path: Path, where: int) -> None:
    """A single row dated years ahead, at the beginning, amid or at the end, is refused alone; two that agree end a long gap."""
    times = [START + 60 * n for n in range(10)]
    times.insert(where, START + 10 * 365 * 86400)
    text = ",".join(READINGS_HEADER) + "\n" + "".join(_line((at, "p1", 29.0, 60.0), "\n", 0) for at in times)
    found, refusals = _read(tmp_path / "r.csv", text, mark=False)
    assert [row[0] for row in found] == [START + 60 * n for n in range(10)]
    assert refusals.lines == {"time far from its neighbours": [where + 2]}
    later = START + 30 * 86400
    gap = "".join(_line((at, "p1", 29.0, 60.0), "\n", 0) for at in (START, START + 60, later, later + 60))
    found, refusals = _read(tmp_path / "g.csv", ",".join(READINGS_HEADER) + "\n" + gap, mark=False)
    assert (len(found), refusals.total) == (4, 0)


def test_a_file_of_one_row_has_one_row(tmp_path: Path) -> None:
    """Header alone: no rows. One row: that row."""
    head = ",".join(READINGS_HEADER) + "\n"
    assert _read(tmp_path / "r.csv", head, mark=True)[0] == []
    assert len(_read(tmp_path / "r.csv", head + _line((START, "p1", 29.0, 60.0), "\n", 0), mark=True)[0]) == 1


@given(st.datetimes(datetime(1971, 1, 1), datetime(2200, 1, 1)))  # noqa: DTZ001  given UTC below
def test_times_are_those_of_the_standard_library(when: datetime) -> None:
    """ISO 8601 with Z, with or without fraction or in the basic form, is what datetime says; without Z it is refused."""
    second = int(when.replace(tzinfo=UTC, microsecond=0).timestamp())
    assert parse_time(when.isoformat(timespec="microseconds") + "Z") == second
    assert parse_time(when.strftime("%Y%m%dT%H%M%SZ")) == second
    assert parse_time(format_time(second)) == second
    with pytest.raises(ValueError, match="Z"):
        parse_time(when.isoformat())


def test_a_journal_file_comes_back_in_order(tmp_path: Path) -> None:
    """Entries in order of time whatever the file's; `until=` ends a stage; what nobody knows is refused on its line."""
    path = tmp_path / "j.csv"
    path.write_text(
        "time,enclosure,what,detail\n2026-01-02T00:00:00Z,B1,opaque,until=2026-01-09T00:00:00Z early\n"
        '2026-01-01T00:00:00Z,,note,"two\nlines"\n2026-01-01T00:00:00Z,B9,misted,\n2026-01-01T00:00:00Z,B1,flew,\nx,B1,misted,\n'
        "2026-01-03T00:00:00Z,B1,misted\n",
        encoding="utf-8",
    )
    refusals = Refusals()
    entries = read_journal(path, {"B1"}, refusals)
    assert [(entry.what, entry.enclosure) for entry in entries] == [("note", None), ("opaque", "B1"), ("misted", "B1")]
    assert entries[1].until == parse_time("2026-01-09T00:00:00Z")
    assert refusals.lines == {
        "unknown enclosure": [5], "unknown journal word": [6], "no ISO 8601 UTC time ending in Z": [7],
    }  # fmt: skip
