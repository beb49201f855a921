"""Where humidity lies without water from anybody, and with more or less air; against the balance it is drawn from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dewkeeper.insight.hours import Hours
from dewkeeper.insight.levels import levels
from dewkeeper.insight.outlook import VENT_STEPS
from dewkeeper.insight.series import Numbers

_SATURATED, _ROOM = 42.43, 13.0
"""hPa: at 30 °C (WMO-No. 8), and a heated room's."""


def _percent(vent: float, bowl: float) -> float:
    """Return %RH at rest, where what water gives is what air carries out: V (e - r) = B (s - e)."""
    return 100 * (vent * _ROOM + bowl * _SATURATED) / (vent + bowl) / _SATURATED


def _hours(percent: Numbers) -> Hours:
    many = len(percent)
    none = np.zeros(many, dtype=bool)
    return Hours(
        end=1_790_000_000 // 3600 * 3600,
        temperature_c=np.full(many, 30.0),
        vapour=percent / 100 * _SATURATED,
        saturation=np.full(many, _SATURATED),
        room=np.full(many, _ROOM),
        wet=none.copy(),
        opened=none.copy(),
        daily=none.copy(),
    )


def test_more_air_is_reckoned_as_the_balance_has_it() -> None:
    """A steady tub of one vent and a bowl of 1.4 of it: every step lies where the balance with that vent lies."""
    found = levels(_hours(np.full(20 * 24, _percent(1.0, 1.4))))
    for step, row in zip(VENT_STEPS, found, strict=True):
        assert row == pytest.approx([_percent(step, 1.4)] * 20, abs=0.06)


def test_a_bowl_of_half_the_surface_more_is_a_third_less_air() -> None:
    """The same share of water to air, by the same balance."""
    assert _percent(2 / 3, 1.4) == pytest.approx(_percent(1.0, 2.1))


def test_hours_after_water_are_left_out() -> None:
    """Misted every other day to 20 % more for half a day, it is told as it is without."""
    percent = np.full(20 * 24, 60.0)
    hours = _hours(percent)
    for place in range(0, len(percent), 48):
        percent[place : place + 12] += 20
        hours.wet[place] = True
    found = levels(replace(hours, vapour=percent / 100 * _SATURATED))
    assert found[0] == pytest.approx([60.0] * 20)


def test_without_two_weeks_or_a_room_nothing_is_said() -> None:
    """Nine days are too few, and without the room's air nobody knows what air carries out."""
    short = _hours(np.full(20 * 24, 60.0))
    short.vapour[: 11 * 24] = np.nan
    assert levels(short) == ()
    known = _hours(np.full(20 * 24, 60.0))
    assert levels(replace(known, room=np.full(len(known), np.nan))) == ()
