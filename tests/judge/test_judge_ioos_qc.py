"""The judge beside ioos-qc 3.x itself, on one series: where both mean the same they flag the same.

The library (Apache-2.0) brings pandas and xarray and is no dependency of ours: `pip install "ioos-qc>=3,<4"`. Under CI it
must be there; elsewhere these tests say that they were skipped. Where the judge differs on purpose:

- ioos-qc's spike test `average` and its rate of change condemn the good readings beside a bad one, for they cannot know
  which of two is bad; the judge waits for the next reading and lets the good ones count.
- its flat line has a default tolerance of 0, with which nothing is ever flat; the judge compares the sensor's own words.
- the rule of weather stations (less than 1 % in an hour) condemns honest still air: see test_judge_real_air.py.
"""

from __future__ import annotations

import csv
import importlib
import os
from pathlib import Path
from typing import Any

import pytest
from tests.judge import qartod_series as qartod
from tests.judge.judge_desk import START, rack

from dewkeeper.judge import Judge
from dewkeeper.judge.checks.flat_line import FLAT_RUN
from dewkeeper.judge.checks.gross_range import H_JUMP_PERCENT, H_SPAN
from dewkeeper.judge.types import Reading

if not os.environ.get("CI"):
    pytest.importorskip("ioos_qc.qartod", reason="ioos-qc 3.x is not installed")
reference: Any = importlib.import_module("ioos_qc.qartod")
np: Any = importlib.import_module("numpy")

with (Path(__file__).parents[1] / "reference" / "ioos_qc_example.csv").open(encoding="utf-8") as _file:
    SERIES = [float(row["rh_pct"]) if row["rh_pct"] else None for row in csv.DictReader(_file)]
TIMES = [60 * n for n in range(len(SERIES))]


def _numpy() -> tuple[Any, Any]:
    values = np.array([np.nan if x is None else x for x in SERIES])
    return values, np.array(TIMES, dtype="datetime64[s]")


def _judged() -> list[tuple[int, tuple[str, ...]]]:
    judge = Judge()
    judge.feed(rack())
    flags = []
    for at, h in zip(TIMES, SERIES, strict=True):
        reading = Reading(
            START + 60 + at, "p1", None if h is None else 29.0, h, failure="missing" if h is None else None
        )
        (quality,) = judge.feed(reading).quality
        flags.append((quality.flag, quality.tests))
    return flags


def test_the_series_tests_equal_the_library() -> None:
    """Gross range, spike (differential), rate of change and flat line of `qartod` give ioos-qc's flags, sample by sample."""
    values, times = _numpy()
    assert qartod.gross_range(SERIES, (0, 100), (55, 75)) == list(
        reference.gross_range_test(values, fail_span=(0, 100), suspect_span=(55, 75))
    )
    assert qartod.spike(SERIES, 3, 6) == list(
        reference.spike_test(values, suspect_threshold=3, fail_threshold=6, method="differential")
    )
    assert qartod.rate_of_change(SERIES, TIMES, 3 / 60, 8 / 60) == list(
        reference.rate_of_change_test(values, times, threshold=3 / 60, fail_threshold=8 / 60)
    )
    assert qartod.flat_line(SERIES, 60, 300, 600, 0.01) == list(
        reference.flat_line_test(values, times, suspect_threshold=300, fail_threshold=600, tolerance=0.01)
    )


def test_the_judge_fails_what_the_library_fails_as_gross() -> None:
    """With the judge's own span, the same samples fail the gross range and the same one is missing."""
    values, _ = _numpy()
    theirs = list(reference.gross_range_test(values, fail_span=(H_SPAN[0], 100.0)))
    for ours, flag in zip(_judged(), theirs, strict=True):
        assert (ours[0] == 9) == (flag == 9)
        if "gross_range" in ours[1]:
            assert flag == 4


def test_the_judge_suspects_jumps_and_spares_their_neighbours() -> None:
    """With the judge's own rate, ioos-qc marks a jump and the way back; the judge marks the jump alone and counts the rest."""
    values, times = _numpy()
    theirs = list(reference.rate_of_change_test(values, times, threshold=H_JUMP_PERCENT / 60))
    ours = [("rate_of_change" in tests or "gross_range" in tests) for _, tests in _judged()]
    marked = {n for n, flag in enumerate(theirs) if flag == 3}
    assert {n for n, bad in enumerate(ours) if bad} <= marked
    assert 9 in marked
    assert ours[9]
    assert 10 in marked
    assert not ours[10]


def test_ten_identical_words_are_flat_to_both() -> None:
    """Ten identical pairs of words are a flat line to the judge, and ioos-qc fails the span when given a tolerance."""
    judge = Judge()
    judge.feed(rack())
    flags = []
    for n in range(30):
        word = 40000 if n >= 12 else 39000 + 17 * n
        reading = Reading(START + 60 * (n + 1), "p1", 29.0, 100 * word / 65535, 27713 if n >= 12 else 27700 + n, word)
        flags.append(judge.feed(reading).quality[0])
    first = next(n for n, quality in enumerate(flags) if "flat_line" in quality.tests)
    assert first - 12 in (FLAT_RUN - 1, FLAT_RUN)
    series = np.array([100 * (40000 if n >= 12 else 39000 + 17 * n) / 65535 for n in range(30)])
    times = np.array([60 * n for n in range(30)], dtype="datetime64[s]")
    span = 60 * (FLAT_RUN - 1)
    theirs = list(reference.flat_line_test(series, times, suspect_threshold=span, fail_threshold=span, tolerance=0.001))
    assert abs(theirs.index(4) - first) <= 1
