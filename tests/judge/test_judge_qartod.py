"""The QARTOD tests against the flags of ioos-qc 3.0.0 on one series with every fault."""

from __future__ import annotations

import csv
from pathlib import Path

from tests.judge import qartod_series as qartod

with (Path(__file__).parents[1] / "reference" / "ioos_qc_example.csv").open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))
SERIES = [float(row["rh_pct"]) if row["rh_pct"] else None for row in ROWS]
TIMES = [60 * n for n in range(len(ROWS))]


def _flags(column: str) -> list[int]:
    return [int(row[column]) for row in ROWS]


def test_gross_range_equals_ioos_qc() -> None:
    """Outside 0..100 fails, outside 55..75 is suspect: every flag as ioos-qc's."""
    assert qartod.gross_range(SERIES, (0, 100), (55, 75)) == _flags("gross_range")


def test_spike_equals_ioos_qc_differential() -> None:
    """Every flag as ioos-qc's `differential`; its `average` condemns good neighbours (9 = 104 fails 8 and 10 too)."""
    assert qartod.spike(SERIES, 3, 6) == _flags("spike_differential")
    assert _flags("spike_average")[8] == 4
    assert qartod.spike(SERIES, 3, 6)[8] == 1


def test_rate_of_change_equals_ioos_qc() -> None:
    """3 and 8 %RH a minute: every flag as ioos-qc's."""
    assert qartod.rate_of_change(SERIES, TIMES, 3 / 60, 8 / 60) == _flags("rate_of_change")


def test_flat_line_equals_ioos_qc() -> None:
    """Five minutes suspect, ten fail, tolerance 0.01: as ioos-qc's; with its default tolerance of 0 nothing is ever flat."""
    assert qartod.flat_line(SERIES, 60, 300, 600, 0.01) == _flags("flat_line_tol0.01")
    assert qartod.flat_line(SERIES, 60, 300, 600, 0.0) == _flags("flat_line_default_tol")


def test_still_air_is_not_condemned() -> None:
    """An hour that varies by 0.3 %RH passes; the rule "less than 1 % in 60 min" of weather stations would condemn it."""
    still = [65.0 + 0.03 * (n % 11) for n in range(120)]
    assert set(qartod.flat_line(still, 60, 1800, 3600, 0.01)) == {1}
    assert 4 in qartod.flat_line(still, 60, 1800, 3600, 1.0)


def test_the_worst_flag_wins() -> None:
    """The comparison of four tests is as ioos-qc's wherever the spike tests agree."""
    got = qartod.worst(
        qartod.gross_range(SERIES, (0, 100), (55, 75)),
        qartod.rate_of_change(SERIES, TIMES, 3 / 60, 8 / 60),
        qartod.flat_line(SERIES, 60, 300, 600, 0.01),
        _flags("spike_average"),
    )
    assert got == _flags("compare_worst")
