"""What a pass learns of enclosures of a known nature, what it withholds, and when it has news."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from random import Random

import numpy as np
import pytest
from scipy import stats

from dewkeeper.air import humidity_at
from dewkeeper.insight.facts import VERSION
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.learning import Lesson, WasRead, findings, lessons, news
from dewkeeper.insight.series import DAY_SECONDS, Gathering, Series
from dewkeeper.insight.warmth import interval_of_median
from dewkeeper.judge.types import Fact, Learned, Quantity

START = 1_767_225_600
DAYS = 20
END = START + DAYS * DAY_SECONDS
TAU_HOURS = 3.0


def lesson(tub: Series, deeds: list[Deed], at: int) -> Lesson:
    """Return what is learned of a tub without a room's probe."""
    return lessons(WasRead({"B1": tub}, {}, {}, {"B1": deeds}), at).tubs["B1"]


@cache
def _lesson(period_minutes: int = 40, *, proportional: bool = False, until: int = DAYS) -> Lesson:
    """Return what is learned of a tub with such a thermostat, misted every other day, whose moisture leaves in 3 h."""
    dice, tub, deeds, extra = Random(2), Gathering(), [], 0.0
    for minute in range(until * 1440):
        at = START + 60 * minute
        cycle = 0.0 if proportional else 0.6 * math.sin(2 * math.pi * minute / period_minutes)
        warm = 29.0 + cycle + 1.0 * math.sin(2 * math.pi * minute / 1440)
        if minute % 2880 == 600:
            deeds.append(Deed(at, "misted"))
            extra += 6.0
        extra *= math.exp(-1 / (60 * TAU_HOURS))
        tub.add(at, warm + dice.gauss(0, 0.02), humidity_at(24.0 + extra, warm) + dice.gauss(0, 0.05))
    return lesson(tub.series(), deeds, END if until == DAYS else START + 12 * DAY_SECONDS)


def _fact(found: Lesson, quantity: Quantity) -> Fact:
    return next(fact for fact in found.facts if fact.quantity == quantity)


def test_a_thermostats_cycle_is_known() -> None:
    """Its period within two minutes and its swing within a fifth; proportional control is known as having none."""
    period, swing = (_fact(_lesson(), name) for name in ("heat_period_minutes", "heat_swing_c"))
    assert period.value == pytest.approx(40, abs=2)
    assert swing.value == pytest.approx(1.2, abs=0.24)
    assert "in proportion" in _fact(_lesson(proportional=True), "heat_period_minutes").why


def test_a_misting_lasts_as_long_as_half_of_it_is_there() -> None:
    """ln 2 of three hours, from every misting that was followed; the interval holds it."""
    fact = _fact(_lesson(), "misting_hours")
    assert fact.decays == DAYS // 2
    assert fact.value is not None
    assert fact.low is not None
    assert fact.high is not None
    assert fact.value == pytest.approx(math.log(2) * TAU_HOURS, rel=0.1)
    assert fact.low <= fact.value <= fact.high


def test_drying_rest_and_peak_are_known() -> None:
    """The drying constant within a tenth, the resting vapour within 2 %, the usual peak within a third of a degree."""
    found = _lesson()
    assert _fact(found, "drying_hours").value == pytest.approx(TAU_HOURS, rel=0.1)
    assert _fact(found, "resting_hpa").value == pytest.approx(24.0, rel=0.02)
    assert _fact(found, "usual_peak_c").value == pytest.approx(30.6, abs=0.3)
    assert all(fact.until == END + 21 * DAY_SECONDS for fact in found.facts if fact.value is not None)


def test_of_what_was_not_read_everything_is_withheld_with_a_reason() -> None:
    """No readings, no facts, and a sentence for each; no forecast either."""
    found = lesson(Series(0, np.empty(0), np.empty(0)), [], END)
    assert all(fact.value is None and fact.why for fact in found.facts)
    assert "not known well enough" in found.outlook.why


def test_nothing_later_is_looked_at() -> None:
    """A pass at noon of the twelfth day finds the same whether the days after it are there or not."""
    assert _lesson(until=12) == _lesson(until=13)


def test_a_lever_begins_it_anew() -> None:
    """What was learned before a change of the mesh, or of where the probe lies, is of another enclosure."""
    tub = Gathering()
    for minute in range(0, DAYS * 1440, 5):
        tub.add(START + 60 * minute, 29.0, 60.0)
    for what in ("mesh_cover_changed", "probe_moved"):
        found = lesson(tub.series(), [Deed(END - 2 * DAY_SECONDS, what)], END)
        assert _fact(found, "usual_peak_c").value is None


def test_the_interval_of_a_median_is_the_binomials() -> None:
    """Of n values, the order statistics between which the median lies with 95 %, as scipy's binomial counts them."""
    for n in (6, 9, 20, 41):
        values = np.arange(n, dtype=float)
        low, high = interval_of_median(values)
        places = stats.binom(n, 0.5).cdf(low - 1), stats.binom(n, 0.5).cdf(high)
        assert places[1] - places[0] >= 0.95
        assert high == n - 1 - low


def test_only_news_is_handed_in() -> None:
    """The same facts are no news; a value that left half its interval is, one withheld or found, and one about to run out."""
    facts = _lesson().facts
    known = Learned(END, "B1", facts, VERSION)
    assert not news(facts, known, END)
    assert news(facts, None, END)
    assert news(facts, replace(known, version=VERSION + 1), END)
    assert news(facts, known, END + 14 * DAY_SECONDS)
    first, *others = facts
    assert first.value is not None
    assert news((replace(first, value=1.2 * first.value), *others), known, END)
    assert news((Fact(first.quantity, why="two stores"), *others), known, END)
    assert not news((replace(first, value=1.001 * first.value), *others), known, END)


def test_what_changes_did_is_found_beside_those_left_alone() -> None:
    """Three hectopascals more since the mesh was covered, told with its interval; a change of yesterday can't be told yet."""
    dice = Random(5)
    walk, tubs = 0.0, {name: Gathering() for name in ("A", "B", "C")}
    at = START + 17 * DAY_SECONDS + 50_000
    for slot in range(36 * 288):
        if slot % 288 == 0:
            walk = 0.6 * walk + dice.gauss(0, 0.4)
        for name, tub in tubs.items():
            more = 3.0 if name == "A" and START + 300 * slot >= at else 0.0
            tub.add(START + 300 * slot, 29.0, humidity_at(22.0 + walk + more + dice.gauss(0, 0.1), 29.0))
    end = START + 36 * DAY_SECONDS
    deeds = {"A": [Deed(at, "mesh_cover_changed")], "B": [Deed(end - DAY_SECONDS, "holes_changed")]}
    series = {name: tub.series() for name, tub in tubs.items()}
    (found,) = findings("A", series, None, deeds, end)
    assert (found.at, found.what, found.why) == (at, "mesh_cover_changed", "")
    assert found.low is not None
    assert found.high is not None
    assert found.low < 3.0 < found.high
    assert found.low > 2.0
    assert findings("B", series, None, deeds, end)[0].why.startswith("can't tell yet")
    assert findings("C", series, None, deeds, end) == []
