"""Why humidity changed: parts that add up, against worked examples and a room that is known."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.air import humidity_at, saturation_hpa
from dewkeeper.insight.attribution import Account, account, turned
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import Gathering, Series

START = 1_767_225_600
MINUTE = 60


def of_minutes(values: list[tuple[float, float]], seed: int | None = None) -> Series:
    """Return the series of (°C, %RH) read once a minute, with a probe's noise when a seed is given."""
    dice = Random(seed) if seed is not None else None
    gathered = Gathering()
    for minute, (warm, humidity) in enumerate(values):
        noise = (dice.gauss(0, 0.013), dice.gauss(0, 0.027)) if dice is not None else (0.0, 0.0)
        gathered.add(START + minute * MINUTE, warm + noise[0], humidity + noise[1])
    return gathered.series()


def told(tub: Series, minutes: int, room: Series | None = None, since: int | None = None) -> Account:
    """Return the account at a minute."""
    found = account(tub, room, [], START + minutes * MINUTE, None if since is None else START + since * MINUTE)
    assert isinstance(found, Account), found
    return found


def test_one_degree_warmer_takes_sixty_percent_to_56_7_and_is_called_temperature() -> None:
    """Near 30 °C one degree alone takes 60 % to 56.7 % (worked example of the project's physics notes)."""
    vapour = 0.60 * saturation_hpa(30.0)
    tub = of_minutes([(30.0, 60.0)] * 240 + [(31.0, humidity_at(vapour, 31.0))] * 240)
    found = told(tub, 480, since=240)
    assert found.after == pytest.approx(56.7, abs=0.05)
    assert found.temperature == pytest.approx(found.change, abs=0.02)
    assert found.moisture == pytest.approx(0, abs=0.02)
    assert found.cause == "temperature"


def test_a_sealed_jar_that_warms_gains_a_third_of_a_percent_of_vapour_per_kelvin() -> None:
    """In a rigid sealed jar vapour pressure follows absolute temperature (ideal gas): +0.33 % per kelvin at 300 K."""
    start_c, rise = 27.0, 6.0
    first = 0.5 * saturation_hpa(start_c)

    def jar(minute: int) -> tuple[float, float]:
        warm = start_c + rise * min(1.0, max(0, minute) / 360)
        return warm, humidity_at(first * (warm + 273.15) / (start_c + 273.15), warm)

    found = told(of_minutes([jar(minute) for minute in range(-120, 480)]), 600, since=120)
    expected = math.log((start_c + rise + 273.15) / (start_c + 273.15))
    mean = (found.after - found.before) / math.log(found.after / found.before)
    assert found.moisture / mean == pytest.approx(expected, abs=0.0005)
    assert found.cause == "temperature"


def test_a_misting_is_called_added_and_its_beginning_is_found_in_the_curve() -> None:
    """Vapour that jumped is moisture added, since the minute before it jumped."""
    tub = of_minutes([(29.0, 60.0)] * 600 + [(29.0, min(74.0, 60.0 + m)) for m in range(45)], seed=1)
    found = told(tub, 645)
    assert found.cause == "added"
    assert abs(found.since - (START + 600 * MINUTE)) <= 20 * MINUTE


def test_what_is_left_of_a_misting_is_still_the_mistings_story() -> None:
    """Two hours after a misting humidity sinks, but stands above where it came from: it was added."""
    tub = of_minutes([(29.0, 60.0)] * 600 + [(29.0, 60.0 + 15 * math.exp(-m / 180)) for m in range(120)], seed=2)
    assert told(tub, 720).cause == "added"


def test_an_empty_bowl_is_called_moisture_lost() -> None:
    """Vapour that sinks for hours while heat and room stay is lost by the enclosure."""
    room = of_minutes([(22.0, 45.0)] * 1800, seed=3)
    tub = of_minutes([(29.0, 66.0 - max(0, m - 1200) / 50) for m in range(1800)], seed=4)
    assert told(tub, 1800, room).cause == "moisture"


def test_air_that_the_room_carried_out_is_called_the_rooms() -> None:
    """An enclosure that always followed its room follows it down: the room's air, by this enclosure's own response."""
    dice = Random(5)
    tub_e, room_e, walk = 24.0, 12.0, 0.0
    tub, room = [], []
    for minute in range(14 * 1440):
        walk = 0.9995 * walk + dice.gauss(0, 0.03)
        drop = 4.0 * min(1.0, max(0, minute - 13 * 1440) / 240)
        room_e = 12.0 + walk - drop
        tub_e += (24.0 + 0.5 * (room_e - 12.0) - tub_e) / 120
        tub.append((29.5, humidity_at(tub_e, 29.5)))
        room.append((22.0, humidity_at(room_e, 22.0)))
    found = told(of_minutes(tub, seed=6), 14 * 1440, of_minutes(room, seed=7), 13 * 1440)
    assert found.learned
    assert found.cause == "room"
    assert found.room == pytest.approx(-2.0 / saturation_hpa(29.5) * 100, rel=0.15)


def test_a_small_change_is_not_explained() -> None:
    """A change within what a thermostat does anyway has no cause, and says so."""
    found = told(of_minutes([(29.0, 60.0)] * 300 + [(29.0, 60.8)] * 300, seed=8), 600, since=300)
    assert found.cause is None
    assert "small" in found.why


@given(st.floats(20, 36), st.floats(20, 36), st.floats(25, 90), st.floats(25, 90), st.floats(-4, 4))
def test_the_parts_add_up_to_what_was_read(t1: float, t2: float, h1: float, h2: float, step: float) -> None:
    """Heat, room and moisture add up to the change, whatever it was."""
    tub = of_minutes([(t1, h1)] * 120 + [(t2, h2)] * 120)
    room = of_minutes([(22.0, 50.0)] * 120 + [(22.0, 50.0 + step)] * 120)
    found = told(tub, 240, room, 120)
    assert found.temperature + found.room + found.moisture == pytest.approx(found.after - found.before, abs=1e-9)
    assert found.after - found.before == pytest.approx(h2 - h1, abs=0.01)


def test_nothing_after_the_question_is_looked_at() -> None:
    """The account at a time is the same whether or not later readings exist."""
    values = [(29.0, 66.0 - max(0, m - 600) / 40) for m in range(900)]
    short = account(of_minutes(values, seed=9), None, [], START + 900 * MINUTE)
    longer = account(
        of_minutes([*values, *[(29.0, 99.0)] * 300], seed=9),
        None,
        [Deed(START + 1000 * MINUTE, "misted")],
        START + 900 * MINUTE,
    )
    assert short == longer


def test_where_too_little_was_read_nothing_is_told() -> None:
    """A curve of a quarter of an hour has no beginning."""
    assert turned(of_minutes([(29.0, 60.0)] * 15), START + 900) is None
    assert isinstance(account(of_minutes([(29.0, 60.0)] * 15), None, [], START + 900), str)
