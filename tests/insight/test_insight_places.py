"""Humidity and condensation where no probe lies, against handbook tables, worked examples and places of known nature."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.air import dew_point_c, humidity_at, saturation_hpa, vapour_hpa
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.places import (
    Reckoned,
    Surface,
    factor_at_dew,
    humidity_there,
    surface_of,
    wall_c,
    with_unit,
)
from dewkeeper.insight.series import DAY_SECONDS, HOUR_SECONDS, Gathering, Series
from dewkeeper.insight.spots import spot_facts
from dewkeeper.judge.types import Fact

START = 1_767_225_600


@pytest.mark.parametrize(
    ("warm", "percent", "dew"),
    [(20, 50, 9.3), (20, 70, 14.4), (22, 60, 13.9), (25, 60, 16.7), (30, 50, 18.4), (30, 70, 23.9), (30, 90, 28.2)],
)
def test_dew_points_are_the_tables(warm: float, percent: float, dew: float) -> None:
    """The dew point table of DIN 4108-3 (annex; from memory), to the tenth of a degree it is printed in."""
    assert dew_point_c(vapour_hpa(warm, percent)) == pytest.approx(dew, abs=0.1)


@given(st.floats(-30, 60))
def test_the_dew_point_undoes_saturation(warm: float) -> None:
    """Saturated air is at its dew point, over all a probe can read."""
    assert dew_point_c(saturation_hpa(warm)) == pytest.approx(warm, abs=1e-6)


@pytest.mark.parametrize(("there", "percent"), [(34.0, 48), (26.0, 76), (30.0, 60)])
def test_the_same_vapour_elsewhere(there: float, percent: int) -> None:
    """Worked example: 60 % at 30 °C is 48 % at a 34 °C end and 76 % at 26 °C."""
    found = humidity_there(30.0, 60.0, Reckoned(there - 30, there - 30, there - 30))
    assert round(found.value) == percent
    assert found.low < found.value < found.high


def test_a_building_wall_by_its_standard() -> None:
    """20 °C and 50 % inside, -5 °C outside: a wall of factor 0.70 has 12.6 °C (DIN 4108-2, EN ISO 13788; from memory) and is dry."""
    assert wall_c(20, -5, 0.704) == pytest.approx(12.6, abs=0.05)
    assert factor_at_dew(20, -5, dew_point_c(vapour_hpa(20, 50))) == pytest.approx((9.3 + 5) / 25, abs=0.005)


def test_an_egg_box_drips_on_a_lid_a_degree_cooler() -> None:
    """Worked example: 31 °C and 95 % have their dew point at 30.1 °C, 0.9 °C below the air."""
    assert dew_point_c(vapour_hpa(31, 95)) == pytest.approx(30.1, abs=0.05)


@given(st.floats(18, 36), st.floats(20, 95), st.floats(-6, 10), st.floats(0, 3))
def test_warmer_places_are_drier_and_doubt_only_widens(warm: float, percent: float, apart: float, half: float) -> None:
    """A warmer place is never damper, the interval holds the value, and what is less sure has a wider one."""
    sure = humidity_there(warm, percent, Reckoned(apart, apart, apart))
    unsure = humidity_there(warm, percent, Reckoned(apart, apart - half, apart + half))
    assert sure.low <= sure.value <= sure.high <= 100
    assert unsure.low <= sure.low + 1e-9
    assert (sure.value <= percent + 1e-9) if apart >= 0 else (sure.value >= min(percent, 100) - 1e-9)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("31.5 hide floor", Surface("hide", 31.5)), ("warm end, 92 F", Surface("warm_end", 33.3)),
        ("cool wall 24,0 °C", Surface("wall", 24.0)), ("hide 2, 30.1 C", Surface("hide", 30.1)),
        ("31.5", None), ("hide", None), ("hide 2, 30.1", None), ("310 hide", None), ("warm hide 30", Surface("hide", 30.0)),
    ],
)  # fmt: skip
def test_what_a_surface_reading_says(text: str, read: Surface | None) -> None:
    """One temperature and one place; with neither, two, or none that a surface can have it says nothing."""
    found = surface_of(text)
    assert (found is None) == (read is None)
    if found is not None and read is not None:
        assert found.spot == read.spot
        assert found.celsius == pytest.approx(read.celsius, abs=0.05)


def test_the_unit_is_kept() -> None:
    """A number without a unit gets the site's, one with a unit keeps its own."""
    assert with_unit("31.5 hide floor", fahrenheit=False) == "31.5 °C hide floor"
    assert with_unit("hide, 88", fahrenheit=True) == "hide, 88 °F"
    assert with_unit("hide, 31 C", fahrenheit=True) == "hide, 31 °C"
    read = surface_of(with_unit("hide, 88", fahrenheit=True))
    assert read is not None
    assert read.celsius == pytest.approx(31.1, abs=0.05)


def _place(hours: int, warm: float, vapour: float, swing: float = 0.0) -> Series:
    place = Gathering()
    for slot in range(hours * 12):
        now = warm + swing * math.sin(2 * math.pi * slot / 288)
        place.add(START + 300 * slot, now, humidity_at(vapour, now))
    return place.series()


def _fact(facts: list[Fact], quantity: str) -> Fact:
    return next(fact for fact in facts if fact.quantity == quantity)


def test_warmth_of_a_hide_from_a_surface_thermometer() -> None:
    """Four readings two degrees above the probe: two degrees, no surer than the thermometer; from two readings none."""
    tub = _place(200, 29.0, 24.0, 1.0)
    ends = [START + HOUR_SECONDS * hour for hour in (30, 60, 99, 150)]
    deeds = [Deed(at, "surface", f"{29 + math.sin(2 * math.pi * (at - START) / 86400) + 2:.1f} °C hide") for at in ends]
    found = _fact(spot_facts(tub, None, {}, deeds, None, tub.end), "hide_above_c")
    assert found.value == pytest.approx(2.0, abs=0.15)
    assert found.low is not None
    assert found.high is not None
    assert found.high - found.low >= 2.0
    assert found.decays == 4
    few = _fact(spot_facts(tub, None, {}, deeds[:2], None, tub.end), "hide_above_c")
    assert (few.value, few.why[:1]) == (None, "2")
    assert _fact(spot_facts(tub, None, {}, deeds, ends[2], tub.end), "hide_above_c").value is None


def test_warmth_of_the_warm_end_from_a_second_probe() -> None:
    """A probe there that reads 4 °C more over a week says so, with how much it swings; its last days are too few alone."""
    tub, second = _place(240, 29.0, 24.0), _place(240, 33.0, 24.0, 1.0)
    found = _fact(spot_facts(tub, None, {"warm_end": second}, [], None, tub.end), "warm_end_above_c")
    assert found.value == pytest.approx(4.0, abs=0.1)
    assert found.low == pytest.approx(3.0, abs=0.1)
    assert found.high == pytest.approx(5.0, abs=0.1)
    late = second.since(tub.end - 10 * HOUR_SECONDS)
    assert _fact(spot_facts(tub, None, {"warm_end": late}, [], None, tub.end), "warm_end_above_c").value is None


def _mornings(seed: int, factor: float, count: int, scatter: float) -> tuple[Series, Series, list[Deed]]:
    """Return an enclosure and its room over nights of different damp, and what was noted of its wall each morning."""
    dice, tub, room, deeds = Random(seed), Gathering(), Gathering(), []
    for day in range(count):
        air, beside = 28.0 + dice.gauss(0, 0.5), 20.0 + dice.gauss(0, 1.0)
        dew = wall_c(air, beside, dice.uniform(0.3, 0.95))
        for slot in range(288):
            at = START + day * DAY_SECONDS + 300 * slot
            tub.add(at, air, humidity_at(saturation_hpa(dew), air))
            room.add(at, beside, 40.0)
        wet = wall_c(air, beside, factor + dice.gauss(0, scatter)) < dew
        deeds.append(Deed(START + day * DAY_SECONDS + 10 * HOUR_SECONDS, "wall_wet" if wet else "wall_dry"))
    return tub.series(), room.series(), deeds


def test_a_walls_factor_from_mornings_holds_the_true_one() -> None:
    """Of forty walls of drawn factors, each noted on twenty mornings by a careless eye, the interval holds nine of ten at least."""
    dice, held, told = Random(4), 0, 0
    for seed in range(40):
        factor = dice.uniform(0.45, 0.8)
        tub, room, deeds = _mornings(seed, factor, 20, 0.06)
        found = _fact(spot_facts(tub, room, {}, deeds, None, tub.end), "wall_factor")
        if found.value is not None and found.low is not None and found.high is not None:
            told += 1
            held += found.low <= factor <= found.high
    assert told >= 36
    assert held >= 0.9 * told


def test_too_few_mornings_say_nothing() -> None:
    """Two wet mornings and none dry, mornings after a misting, and a room as warm as the tub are all withheld, with the reason."""
    tub, room, deeds = _mornings(1, 0.6, 20, 0.0)
    wet = [deed for deed in deeds if deed.what == "wall_wet"]
    assert (
        "2 mornings were noted wet and 0 dry"
        in _fact(spot_facts(tub, room, {}, wet[:2], None, tub.end), "wall_factor").why
    )
    misted = [*deeds, *(Deed(deed.at - HOUR_SECONDS, "misted") for deed in deeds)]
    assert "0 mornings" in _fact(spot_facts(tub, room, {}, misted, None, tub.end), "wall_factor").why
    assert "0 mornings" in _fact(spot_facts(tub, tub, {}, deeds, None, tub.end), "wall_factor").why
    assert _fact(spot_facts(tub, None, {}, deeds, None, tub.end), "wall_factor").why == "no probe reads its room"


def test_surface_readings_of_the_wall_are_its_factor() -> None:
    """Three readings of 24.8 °C between 28 °C and 20 °C are a factor of 0.6."""
    tub, room = _place(96, 28.0, 20.0), _place(96, 20.0, 10.0)
    deeds = [Deed(START + HOUR_SECONDS * hour, "surface", "24.8 °C cool wall") for hour in (20, 44, 68)]
    found = _fact(spot_facts(tub, room, {}, deeds, None, tub.end), "wall_factor")
    assert found.value == pytest.approx(0.6, abs=0.02)
    assert found.low is not None
    assert found.low > 0.4


def _vented(share: float, days: int = 14, *, noise: float = 0.02, seed: int = 3) -> tuple[Series, Series, list[Deed]]:
    """Return a well-mixed box with open water, V de/dt = Q(r - e) + kA(es - e), whose vents are changed half-way."""
    dice, tub, room = Random(seed), Gathering(), Gathering()
    vapour, q, water = 24.0, 1.0, 0.5
    for slot in range(2 * days * 288):
        warm = 29.0 + math.sin(2 * math.pi * slot / 288)
        around = 12.0 + 2.0 * math.sin(slot / 900)
        flow = q if slot < days * 288 + 140 else q * share
        vapour += (flow * (around - vapour) + water * (saturation_hpa(warm) - vapour)) / 12
        tub.add(START + 300 * slot, warm + dice.gauss(0, 0.02), humidity_at(vapour * (1 + dice.gauss(0, noise)), warm))
        room.add(START + 300 * slot, 21.0, humidity_at(around, 21.0))
    return tub.series(), room.series(), [Deed(START + days * DAY_SECONDS + 42_000, "mesh_cover_changed")]


@pytest.mark.parametrize("share", [0.3, 0.5, 1.0, 1.8])
def test_what_is_left_of_the_exchange(share: float) -> None:
    """Of a box whose vents were covered to a known share it is found within a tenth, and the interval is honest about 1."""
    tub, room, deeds = _vented(share)
    found = _fact(spot_facts(tub, room, {}, deeds, deeds[0].at, tub.end), "exchange_share")
    assert found.value == pytest.approx(share, rel=0.1)
    assert found.low is not None
    assert found.high is not None
    assert found.low <= share * 1.03
    assert found.high >= share * 0.97


def test_exchange_is_withheld_where_it_cannot_be_told() -> None:
    """No change, no room, two days since, another change the same day, an enclosure as dry as its room."""
    tub, room, deeds = _vented(0.5)
    assert "not changed" in _fact(spot_facts(tub, room, {}, [], None, tub.end), "exchange_share").why
    assert "no probe" in _fact(spot_facts(tub, None, {}, deeds, None, tub.end), "exchange_share").why
    soon = deeds[0].at + 2 * DAY_SECONDS
    assert "are needed" in _fact(spot_facts(tub.until(soon), room, {}, deeds, None, soon), "exchange_share").why
    both = [*deeds, Deed(deeds[0].at + 600, "substrate_changed")]
    assert "two changes" in _fact(spot_facts(tub, room, {}, both, None, tub.end), "exchange_share").why
    dry = Series(tub.start, tub.temperature_c, np.full(len(tub.vapour_hpa), 13.0))
    assert "clearly moister" in _fact(spot_facts(dry, room, {}, deeds, None, tub.end), "exchange_share").why
