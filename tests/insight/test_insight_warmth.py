"""What a pass learns of an enclosure's heat: who holds it, how fast it warms, and how far it follows its room."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from random import Random

import numpy as np
import pytest
from scipy import optimize

from dewkeeper.insight.series import DAY_SECONDS, Gathering, Series
from dewkeeper.insight.warmth import _least_absolute, warmth
from dewkeeper.judge.types import Fact, Quantity

START = 1_767_225_600
DAYS = 12
END = START + DAYS * DAY_SECONDS


@cache
def _room() -> tuple[float, ...]:
    """Return a room's °C every five minutes: a daily course, and days warmer and cooler than others."""
    dice, found, front = Random(4), [], 0.0
    for slot in range(DAYS * 288):
        if slot % 12 == 0:
            front = 0.98 * front + dice.gauss(0, 0.25)
        found.append(22.0 + math.sin(2 * math.pi * slot / 288) + front)
    return tuple(found)


def _series(celsius: Callable[[int], float]) -> Series:
    dice, gathered = Random(3), Gathering()
    for slot in range(DAYS * 288):
        gathered.add(START + 300 * slot, celsius(slot) + dice.gauss(0, 0.02), 60.0)
    return gathered.series()


def _known(celsius: Callable[[int], float], *, room: bool = True) -> dict[Quantity, Fact]:
    beside = _series(lambda slot: _room()[slot]) if room else None
    return {fact.quantity: fact for fact in warmth(_series(celsius), beside, END, DAYS)}


def _saw(slot: int) -> float:
    """Return a thermostat's course: up by 0.4 °C in each of five minutes, three times, then down as far in nine."""
    place = slot % 12
    return 29.0 + (0.4 * place if place <= 3 else 1.2 - 1.2 * (place - 3) / 9)


def test_how_fast_it_warms_is_the_pace_while_its_heat_is_on() -> None:
    """0.4 °C in five minutes is 4.8 °C an hour, whatever it does the rest of the hour; its cycle is an hour."""
    found = _known(_saw)
    assert found["heat_period_minutes"].value == pytest.approx(60, abs=3)
    pace = found["heat_c_per_hour"]
    assert pace.value == pytest.approx(4.8, rel=0.1)
    assert pace.low is not None
    assert pace.high is not None
    assert pace.low <= (pace.value or 0.0) <= pace.high


def test_what_no_thermostat_holds_follows_its_room() -> None:
    """Always 7 °C above its room: its share is 1, and no cycle is said to be why; of a held one it is 0."""
    loose = _known(lambda slot: _room()[slot] + 7.0)
    assert loose["room_warmth_share"].value == pytest.approx(1.0, abs=0.05)
    assert "no thermostat holds it" in loose["heat_period_minutes"].why
    assert loose["heat_swing_c"].value is None
    assert _known(_saw)["room_warmth_share"].value == pytest.approx(0.0, abs=0.05)


def test_control_in_proportion_is_recognised_by_what_its_room_does_to_it() -> None:
    """Held at 29.5 °C without a cycle while its room comes and goes: a swing and no period, and the reason says what holds it."""
    found = _known(lambda slot: 29.5 + 0.05 * (22.0 - _room()[slot]))
    assert "in proportion, or in quick pulses" in found["heat_period_minutes"].why
    assert found["heat_swing_c"].value is not None
    assert found["heat_swing_c"].value < 0.15


def test_without_a_rooms_probe_nobody_can_say_who_holds_it() -> None:
    """The same air, and no room to compare it with: both are withheld, and why."""
    found = _known(lambda slot: 29.5, room=False)
    assert found["room_warmth_share"].why == "no probe reads its room"
    assert "or is not its own" in found["heat_period_minutes"].why
    assert found["heat_swing_c"].value is None


def test_a_room_that_never_changes_shows_nothing() -> None:
    """A room as warm one day as the next: who follows it cannot be seen."""
    still = _series(lambda slot: 22.0)
    share = next(f for f in warmth(_series(_saw), still, END, DAYS) if f.quantity == "room_warmth_share")
    assert share.value is None
    assert "as warm one day as the next" in share.why


def test_the_slope_is_that_of_the_least_absolute_deviations() -> None:
    """The weighted median of the ratios, against scipy's own minimisation of the same sum."""
    dice = np.random.default_rng(7)
    x = dice.normal(size=41)
    y = 0.6 * x + dice.standard_t(2, size=41)
    found = optimize.minimize_scalar(lambda b: float(np.abs(y - b * x).sum()), bounds=(-3, 3), method="bounded")
    assert np.abs(y - _least_absolute(x, y) * x).sum() <= found.fun + 1e-4
