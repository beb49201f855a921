"""The figures of an enclosure run on from now: as the learned response runs on, and when a limit is left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.insight.test_insight_forecast import START, furnished

from dewkeeper.insight.forecast import _ahead, _paths, outlook, study
from dewkeeper.insight.hours import Hours
from dewkeeper.insight.outlook import Ahead, OutlookFigures, Present
from dewkeeper.insight.response import learn
from dewkeeper.insight.series import HOUR_SECONDS


@pytest.fixture(scope="module")
def hours() -> Hours:
    """A month of an enclosure."""
    return furnished(28)


@pytest.fixture(scope="module")
def figures(hours: Hours) -> OutlookFigures:
    """What was learned of it."""
    known = study(hours, 72)
    assert not isinstance(known, str)
    return outlook(hours, known)


def _now(hours: Hours) -> Present:
    recent = tuple(hours.vapour[-6:].tolist())
    return Present(hours.end, float(hours.temperature_c[-1]), recent, float(hours.room[-1]))


@pytest.mark.parametrize("minutes", [0, 30, 55])
def test_it_runs_on_as_the_learned_response_does(hours: Hours, minutes: int) -> None:
    """With the physical path alone it is, hour by hour, what the response itself gives in numpy, within 0.05 %RH, at whatever minute it is asked."""
    hours = replace(hours, end=hours.end + 60 * minutes)
    known = study(hours, 72)
    response = learn(hours)
    assert response is not None
    assert not isinstance(known, str)
    figures = outlook(hours, known)
    bare = replace(figures, blend=(1.0,) * 72, low=(0.0,) * 72, high=(0.0,) * 72, misses=())
    found = bare.ahead(_now(hours))
    assert isinstance(found, Ahead)
    now = np.array([len(hours) - 1])
    plain = _paths(hours, response, now, _ahead(hours, now, 72))[0]
    assert np.abs(np.array(found.middle) - plain).max() < 0.05


def test_the_band_holds_four_of_five_of_its_own_futures(hours: Hours, figures: OutlookFigures) -> None:
    """At every hour to the end of the third day, so that band and limit speak of the same futures."""
    made = figures.ahead(_now(hours))
    assert isinstance(made, Ahead)
    futures = np.array(made.futures)
    held = ((futures >= np.array(made.low) - 1e-9) & (futures <= np.array(made.high) + 1e-9)).mean(axis=0)
    assert held.min() >= 0.8
    assert held.max() <= 0.8 + 3 / len(futures)


def test_figures_survive_as_text(figures: OutlookFigures) -> None:
    """What is stored at night is what is read by the page; text that is none gives nothing."""
    assert OutlookFigures.from_text(figures.text()) == figures
    assert OutlookFigures.from_text("{") is None
    assert OutlookFigures.from_text('{"made": "once"}') is None


def test_what_is_too_old_or_not_read_is_not_forecast(hours: Hours, figures: OutlookFigures) -> None:
    """Figures of four nights ago, hours not read, a room not read, an enclosure not known: a sentence each."""
    now = _now(hours)
    assert "too old" in str(figures.ahead(replace(now, at=now.at + 4 * 86400)))
    assert "not read" in str(figures.ahead(replace(now, vapour_hpa=now.vapour_hpa[:3])))
    assert "not read" in str(figures.ahead(replace(now, room_hpa=None)))
    assert figures.ahead(now) != figures.ahead(replace(now, at=now.at + 6 * HOUR_SECONDS))
    assert OutlookFigures(START, why="unknown").ahead(now) == "unknown"


def test_a_limit_is_left_when_four_of_five_futures_say_so() -> None:
    """Five straight falls of 1 to 5 % an hour from 60 %: 55 % is left in 1 to 5 h, four of five within 1 to 2.5; of ones that stay, never; rising from below."""
    falls = tuple(tuple(60.0 - rate * hour for hour in range(1, 13)) for rate in (1, 2, 3, 4, 5))
    made = Ahead(START, 60.0, falls[2], falls[4], falls[0], falls)
    assert tuple(made.leaves(55.0)) == pytest.approx((5 / 3, 1.0, 2.5))
    flat = replace(made, futures=((60.0,) * 12,) * 10)
    assert flat.leaves(55.0) == (None, 12.0, 12.0)
    mostly = replace(made, futures=(*falls[2:], *((60.0,) * 12,) * 4))
    may = mostly.leaves(55.0)
    assert may.hours == may.latest == 12.0
    assert may.earliest < 2.0
    assert may.rather_holds
    assert not made.leaves(55.0).rather_holds
    rises = replace(made, futures=(tuple(60.0 + hour for hour in range(1, 13)),) * 10)
    assert rises.leaves(65.0).hours == pytest.approx(5.0)
