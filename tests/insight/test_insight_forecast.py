"""The hours ahead: on enclosures of a known nature, knowing nothing later, shown only when better than a guess."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
import pytest

from dewkeeper.air import humidity_at
from dewkeeper.insight.forecast import Forecast, Study, forecast, lift, study
from dewkeeper.insight.hours import Deed, Hours, hours_of
from dewkeeper.insight.response import Response, learn, settling
from dewkeeper.insight.series import Gathering

START = 1_767_225_600
HOUR = 3600


def furnished(days: int, *, dry_from: int | None = None, seed: int = 1) -> Hours:
    """Return an enclosure with day and night, misted every other day, whose water ends at a day if given."""
    dice = Random(seed)
    tub, room = Gathering(), Gathering()
    deeds: list[Deed] = []
    extra = walk = 0.0
    vapour = 24.0
    for minute in range(days * 1440):
        hour = minute / 60 % 24
        warm = 29.5 + 2.0 * math.sin(2 * math.pi * (hour - 9) / 24)
        walk = 0.9997 * walk + dice.gauss(0, 0.03)
        outside = 11.5 + walk
        if minute % 2880 == 1140 and (dry_from is None or minute < dry_from * 1440):
            extra += 5.0
            deeds.append(Deed(START + minute * 60, "misted"))
        extra *= math.exp(-1 / 300)
        source = 24.0 + 0.5 * (warm - 29.5)
        if dry_from is not None and minute >= dry_from * 1440:
            source -= 6.0 * (1 - math.exp(-(minute - dry_from * 1440) / 900))
        vapour += (source + 0.4 * walk - vapour) / 90
        at = START + minute * 60
        tub.add(at, warm + dice.gauss(0, 0.02), humidity_at(vapour + extra, warm) + dice.gauss(0, 0.05))
        room.add(at, 22.0, humidity_at(outside, 22.0))
    end = START + days * 86400
    return hours_of(tub.series(), room.series(), deeds, end, days * 24)


def cut(hours: Hours, end: int) -> Hours:
    """Return the hours as they were known at index `end`."""
    parts = (hours.temperature_c, hours.vapour, hours.saturation, hours.room, hours.wet, hours.opened, hours.daily)
    return Hours(hours.end - (len(hours) - end) * HOUR, *(part[:end].copy() for part in parts))  # type: ignore[arg-type]


def test_polls_ten_minutes_apart_leave_no_holes() -> None:
    """Of polls every ten minutes, the longest a configuration allows, each holds until the next; one that failed stays a gap."""
    gathering = Gathering()
    for minute in (0, 10, 20, 40, 50):
        gathering.add(START + 60 * minute, 29.0 + minute, 60.0)
    read = gathering.series().temperature_c - 29.0
    gap = [math.nan] * 3
    np.testing.assert_allclose(read, [0, 0, 10, 10, 20, *gap, 40, 40, 50], atol=1e-3)


def test_the_rooms_share_is_learned() -> None:
    """An enclosure that follows its room by two fifths is known as one that does, within its own error."""
    response = learn(furnished(28))
    assert isinstance(response, Response)
    assert response.gain == pytest.approx(0.4, abs=0.08)


def test_twelve_hours_ahead_it_beats_a_plain_guess_and_its_interval_holds() -> None:
    """Over a week of forecasts, each knowing nothing later: better than staying as it is, four of five inside."""
    hours = furnished(42)
    own, plain, inside = [], [], []
    for end in range(35 * 24, 41 * 24, 7):
        if settling(cut(hours, end))[-1]:
            continue
        found = forecast(cut(hours, end), None, 12)
        assert isinstance(found, Forecast)
        if hours.touched[end - 1 : end + 12].any():
            continue
        truth = hours.humidity[end + 11]
        own.append(abs(found.middle[11] - truth))
        plain.append(abs(hours.humidity[end - 1] - truth))
        inside.append(found.low[11] <= truth <= found.high[11])
    assert np.median(own) < 0.6 * np.median(plain)
    assert sum(inside) >= 0.6 * len(inside)


def test_nothing_later_is_known() -> None:
    """The forecast at a time is the same whatever came afterwards."""
    calm, dry = furnished(30), furnished(30, dry_from=28)
    a, b = (forecast(cut(hours, 27 * 24 + 12), 55.0, 24) for hours in (calm, dry))
    assert isinstance(a, Forecast)
    assert isinstance(b, Forecast)
    assert np.array_equal(a.middle, b.middle)
    assert (a.leaves, a.earliest, a.latest) == (b.leaves, b.earliest, b.latest)


def test_a_limit_far_away_holds_and_a_near_one_is_left() -> None:
    """Far below every hour of its past the limit holds; a hair below now it is left, within the interval told."""
    hours = cut(furnished(30), 28 * 24 + 6)
    far = forecast(hours, 20.0, 72)
    near = forecast(hours, float(hours.humidity[-1]) - 0.5, 72)
    assert isinstance(far, Forecast)
    assert isinstance(near, Forecast)
    assert far.leaves is None
    assert near.leaves is not None
    assert near.earliest <= near.leaves <= near.latest


def test_an_enclosure_hardly_known_is_not_forecast() -> None:
    """After three days nothing is said, and what it takes is."""
    assert "not known well enough" in str(forecast(furnished(3), 55.0, 24))


def test_where_a_plain_guess_is_as_good_nothing_is_shown() -> None:
    """An enclosure whose air is noise alone is not forecast."""
    dice = Random(4)
    tub = Gathering()
    for slot in range(30 * 24):
        tub.add(START + slot * HOUR, 29.0, 60 + dice.gauss(0, 1.0))
        for part in range(1, 12):
            tub.add(START + slot * HOUR + part * 300, 29.0, 60 + dice.gauss(0, 1.0))
    found = forecast(hours_of(tub.series(), None, [], START + 30 * 86400, 30 * 24), 55.0, 24)
    assert isinstance(found, str) or found.skill < 0.5


def test_what_a_misting_does_here_is_learned_hour_by_hour() -> None:
    """The made air gives 5 hPa at 19:00 that fall to 1/e in 5 h: the mean of each hour, as %RH at its temperature."""
    hours = furnished(28)
    known = study(hours, 72)
    assert isinstance(known, Study)
    found = lift(hours, known)
    assert len(found) == 24
    for ahead in (0, 1, 3, 6, 12):
        hpa = 5.0 * 5 * (math.exp(-ahead / 5) - math.exp(-(ahead + 1) / 5))
        warm = 29.5 + 2.0 * math.sin(2 * math.pi * (19.5 + ahead - 9) / 24)
        assert found[ahead] == pytest.approx(humidity_at(hpa, warm), abs=1.2)


def test_two_mistings_teach_nothing_yet() -> None:
    """Three are the least of which a middle is taken."""
    hours = furnished(28)
    known = study(hours, 72)
    assert isinstance(known, Study)
    early = hours.wet.copy()
    early[np.flatnonzero(early)[2:]] = False
    assert lift(replace(hours, wet=early), known) == ()


def test_what_comes_every_day_at_that_hour_is_no_hand() -> None:
    """A lamp at 08:00 raises vapour by a tenth in minutes, as it will tomorrow; a misting at 15:00 of one day does so once."""
    tub = Gathering()
    for minute in range(12 * 1440):
        lit = 480 <= minute % 1440 < 1230
        vapour = (22.0 if lit else 20.0) + (3.0 if 0 <= minute - (6 * 1440 + 900) < 120 else 0.0)
        tub.add(START + minute * 60, 29.0, humidity_at(vapour, 29.0))
    end = START + 12 * 86400
    hours = hours_of(tub.series(), None, [], end, 12 * 24)
    lamp = [day * 24 + 8 for day in range(1, 12)]
    assert hours.wet[lamp].all()
    assert not hours.handled[lamp].any()
    assert hours.handled[6 * 24 + 15]
    noted = hours_of(tub.series(), None, [Deed(START + 9 * 86400 + 8 * HOUR, "misted")], end, 12 * 24)
    assert noted.handled[9 * 24 + 8]


def test_nothing_is_forecast_while_what_a_hand_did_is_under_way() -> None:
    """Misted at 19:00: at 22:00 it is said so, at noon the next day there is a forecast; nor is any such moment checked."""
    hours = furnished(30)
    misted = int(np.flatnonzero(hours.wet)[-2])
    said = forecast(cut(hours, misted + 3), None, 12)
    assert said == "somebody was at it within the last hours, and what that does is not over"
    assert isinstance(forecast(cut(hours, misted + 17), None, 12), Forecast)
