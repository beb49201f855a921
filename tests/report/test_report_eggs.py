"""Eggs: water lost beside the deficit of the box's air, fitted, projected, and said with what it rests on."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np
import pytest
from scipy import stats
from tests.report.conftest import judged, seconds

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.contract import Point
from dewkeeper.report.eggs import HEAT_FIRST, clutch_lines, clutches, deficit, fit, project
from dewkeeper.report.wording import Wording

DAY = 86400
BEGIN = seconds("2026-04-01T12:00:00")


def test_the_deficit_is_that_of_the_handbook() -> None:
    """At 31 °C air of 75 % lacks five times the vapour of air of 95 % by the definition of RH; 44.9 hPa saturate it (Magnus, WMO-No. 8†)."""
    dry, damp = (deficit([Point(0, 3600, rh, rh, rh, 31.0, 31.0, 31.0)]) for rh in (75.0, 95.0))
    assert dry is not None
    assert damp is not None
    assert dry / damp == pytest.approx(5)
    assert dry == pytest.approx(0.25 * 44.9, rel=0.01)
    assert deficit([]) is None


def test_the_fit_is_the_least_squares_line_through_the_origin() -> None:
    """Conductance and its error are NumPy's, the interval's t is SciPy's."""
    chance = random.Random(3)
    steps = [(x, 0.4 * x + chance.gauss(0, 0.1)) for x in (2.0, 3.0, 2.5, 4.0, 3.5)]
    found = fit(steps)
    assert found is not None
    x, y = np.array(steps).T
    slope, rest, *_ = np.linalg.lstsq(x[:, None], y, rcond=None)
    assert found.conductance == pytest.approx(slope[0])
    assert found.error == pytest.approx(np.sqrt(rest[0] / 4 / (x**2).sum()))
    assert found.t90 == pytest.approx(stats.t.ppf(0.95, 4), abs=0.001)
    assert fit(steps[:2]) is None


def test_the_interval_covers_what_it_says() -> None:
    """Of 400 simulated clutches whose weighings scatter, the projected interval holds the true mass in 86 to 94 of a hundred."""
    chance, inside, runs = random.Random(5), 0, 400
    for _ in range(runs):
        true = chance.uniform(0.2, 0.6)
        airs = [chance.uniform(1.5, 5) for _ in range(5)]
        found = fit([(air, true * air + chance.gauss(0, 0.15)) for air in airs])
        assert found is not None
        low, _, high = project(1e6, 20, 3.0, found)
        inside += low <= 1e6 - true * 3.0 * 20 <= high
    assert 0.86 <= inside / runs <= 0.94


def test_a_clutch_is_read_from_the_journal(shelf: Callable[..., Any]) -> None:
    """Count and masses from words, losses from what the box lost, a projection after three stretches, none before; hatched ends it."""
    one = shelf()
    one.keep([judged("p1", BEGIN + hour * 3600, 31.0, 90.0) for hour in range(31 * 24)])
    told = [JournalEntry("e", BEGIN, "T1", "eggs", "6 eggs, 480 g")]
    told += [JournalEntry(f"w{n}", BEGIN + n * 10 * DAY, "T1", "weighed", f"{480 - 12 * n} g") for n in (1, 2, 3)]
    wording, now = Wording.of(one.config.site), BEGIN + 30 * DAY
    with one.past() as past:
        (early,) = clutches(past, one.config, told, BEGIN + 15 * DAY)
        assert early.projected is None
        assert "No projection yet: 1 of 3" in "\n".join(clutch_lines(early, wording))
        (found,) = clutches(past, one.config, told, now)
        assert (found.count, [g for _, g in found.masses]) == (6, [480, 468, 456, 444])
        assert [s.lost_grams_a_day for s in found.steps] == pytest.approx([1.2] * 3)
        assert found.first == date(2026, 5, 24)
        assert found.projected is not None
        assert found.projected[1] == pytest.approx(444 - 1.2 * 23, abs=0.5)
        lines = clutch_lines(found, wording)
        assert any("extrapolated" in line for line in lines)
        assert lines[-1] == HEAT_FIRST
        assert clutches(past, one.config, [*told, JournalEntry("h", now - 60, "T1", "hatched")], now) == []


@pytest.mark.parametrize(
    ("said", "count"), [("6 eggs, 420 g", 6), ("7", 7), ("9" * 5000, None), ("laid on 2026", None)]
)
def test_a_count_is_what_a_clutch_can_hold(shelf: Callable[..., Any], said: str, count: int | None) -> None:
    """A number of up to three figures counts eggs; a longer one is a slip or a year, and ends nothing."""
    one = shelf()
    with one.past() as past:
        (found,) = clutches(past, one.config, [JournalEntry("e", BEGIN, "T1", "eggs", said)], BEGIN + DAY)
    assert found.count == count
