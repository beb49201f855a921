"""The air in the demo's tubs behaves as air in a tub does."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper_demo.physics import GRAMS_PER_M3_PER_HPA, Build, Climate, Room, Tub, saturation_hpa, vapour_hpa
from dewkeeper_demo.rack import PAPER

BARE = Build(bowl_conductance=0.0, bowl_grams=0.0, floor_conductance=0.0, floor_holds_grams=1.0, floor_fraction=0.0)


def _room(climate: Climate | None = None) -> Room:
    room = Room(climate or Climate(), random.Random(1))
    room.step(60.0, 12.0)
    return room


def _tub(build: Build, room: Room) -> Tub:
    return Tub(build, room, random.Random(2))


@pytest.mark.parametrize(("changes_per_hour", "minutes"), [(1, 138), (2, 69), (3, 46), (4, 35)])
def test_a_bare_tub_is_flushed_as_the_published_decay_table_says(changes_per_hour: int, minutes: int) -> None:
    """90 % of a vapour excess is gone in the time of CDC MMWR 43 RR-13 (1994), table S3-1, within its half minute."""
    room = _room()
    tub = _tub(replace(BARE, vents_m3_per_hour=changes_per_hour * BARE.volume_litres / 1000), room)
    tub.heater_stuck = True  # warm walls: the excess stays vapour
    tub.vapour_hpa = room.vapour_hpa + 10.0
    tub.step((minutes - 0.5) * 60, 12.0, room)
    assert tub.vapour_hpa - room.vapour_hpa > 1.0
    tub.step(60.0, 12.0, room)
    assert tub.vapour_hpa - room.vapour_hpa < 1.0


@given(mist=st.floats(0, 40), hours=st.floats(0.1, 12), fraction=st.floats(0.02, 0.9), bowl=st.floats(0, 50))
def test_in_a_sealed_tub_no_water_is_made_or_lost(mist: float, hours: float, fraction: float, bowl: float) -> None:
    """With its holes closed a tub keeps its water, whatever evaporates, is sprayed, soaks in or turns to dew."""
    room = _room()
    tub = _tub(replace(Build(), vents_m3_per_hour=0.0, floor_fraction=fraction, bowl_grams=bowl), room)
    tub.mist(mist)

    def water() -> float:
        air = tub.vapour_hpa * GRAMS_PER_M3_PER_HPA * tub.build.volume_litres / 1000
        return air + tub.bowl_grams + tub.floor_grams + tub.film_grams

    before = water()
    tub.step(hours * 3600, 12.0, room)
    # A source that runs out within a step gives at most that step's flow too much.
    assert water() == pytest.approx(before, abs=0.4)


def test_a_usual_tub_stays_where_a_keeper_wants_it() -> None:
    """Coco and a filled bowl hold 55 to 80 %RH for two days, the thermostat 27 to 31 °C."""
    room = _room()
    tub = _tub(Build(), room)
    seen = []
    for minute in range(0, 2 * 1440, 5):
        hour = (12 + minute / 60) % 24
        room.step(300, hour)
        tub.step(300, hour, room)
        seen.append(tub.probe_air())
    assert 55 < min(h for _, h in seen) < max(h for _, h in seen) < 80
    assert 27 < min(t for t, _ in seen) < max(t for t, _ in seen) < 31


def test_an_empty_bowl_over_paper_dries_the_tub() -> None:
    """Without its bowl a tub on paper falls by more than 15 %RH in a night, though its temperature does not rise."""
    room = _room()
    tub = _tub(PAPER, room)
    before = tub.humidity_percent
    tub.bowl_grams = 0.0
    tub.step(10 * 3600, 2.0, room)
    assert tub.humidity_percent < before - 15
    assert tub.temperature_c < 30


def test_misting_lifts_humidity_for_an_hour_or_two_only() -> None:
    """Spray takes a tub above 80 %RH and is gone from its air again three hours later."""
    room = _room()
    tub = _tub(Build(), room)
    before = tub.humidity_percent
    tub.mist()
    tub.step(1800, 20.0, room)
    assert tub.humidity_percent > 80
    tub.step(2.5 * 3600, 20.0, room)
    assert abs(tub.humidity_percent - before) < 6


def test_a_stuck_heater_overheats_and_reads_drier_with_no_vapour_gone() -> None:
    """A heater that sticks on passes 38 °C within four hours; humidity falls while vapour pressure does not."""
    room = _room()
    tub = _tub(Build(), room)
    vapour, humidity = tub.vapour_hpa, tub.humidity_percent
    tub.heater_stuck = True
    tub.step(4 * 3600, 2.0, room)
    assert tub.temperature_c > 38
    assert tub.humidity_percent < humidity
    assert tub.vapour_hpa >= vapour


def test_the_room_wanders_as_far_whatever_the_step() -> None:
    """The spread of the room's vapour is that of its climate for short and for long steps."""
    for seconds in (60.0, 3600.0):
        room = Room(Climate(vapour_tau_hours=1.0), random.Random(5))
        values = []
        for n in range(6000):
            room.step(seconds, 12.0)
            if n % max(1, round(7200 / seconds)) == 0:
                values.append(room.vapour_hpa)
        mean = sum(values) / len(values)
        spread = (sum((v - mean) ** 2 for v in values) / len(values)) ** 0.5
        assert spread == pytest.approx(Climate().vapour_sigma_hpa, rel=0.35)


def test_vapour_pressure_is_humidity_times_saturation() -> None:
    """60 %RH at 30 °C is 25.5 hPa: saturation is 42.47 hPa there (IAPWS-95 by CoolProp 8.0.0)."""
    assert saturation_hpa(30.0) == pytest.approx(42.47, abs=0.02)
    assert vapour_hpa(30.0, 60.0) == pytest.approx(25.48, abs=0.02)
