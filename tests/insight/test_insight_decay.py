"""The drying constant, against a constant that is known, scipy's own fit, and decays that have none."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from scipy.optimize import curve_fit

from dewkeeper.air import humidity_at
from dewkeeper.insight.decay import DryingConstant, _Decay, _one, drying_constant
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import Gathering, Series

START = 1_767_225_600


def mistings(
    hours: float, count: int, *, slow: float | None = None, noise: float = 0.0, weather: float = 0.0, seed: int = 3
) -> tuple[Series, list[Deed]]:
    """Return an enclosure misted once a day whose excess falls by this constant (and a second store's, if given).

    weather: what moves its vapour besides, hPa, one sigma, with a memory of ten hours.
    """
    dice = Random(seed)
    gathered, deeds = Gathering(), []
    quick = deep = moved = 0.0
    for minute in range(count * 1440 + 600):
        if minute % 1440 == 600:
            quick, deep = quick + 7.0, deep + (4.0 if slow else 0.0)
            deeds.append(Deed(START + minute * 60, "misted"))
        quick *= math.exp(-1 / (60 * hours))
        deep *= math.exp(-1 / (60 * slow)) if slow else 0.0
        if weather:
            moved = moved * math.exp(-1 / 600) + weather * math.sqrt(2 / 600) * dice.gauss(0, 1)
        warm = 29.5 + 0.5 * math.sin(minute / 9)
        gathered.add(
            START + minute * 60,
            warm + dice.gauss(0, noise / 4),
            humidity_at(22.0 + quick + deep + moved, warm) + dice.gauss(0, noise),
        )
    return gathered.series(), deeds


@pytest.mark.parametrize("hours", [0.6, 2.0, 5.0, 9.0])
def test_the_constant_of_a_single_store_is_found(hours: float) -> None:
    """Within 3 %, from eight mistings read by a noisy probe, and the interval holds it."""
    tub, deeds = mistings(hours, 8, noise=0.05)
    found = drying_constant(tub, None, deeds)
    assert isinstance(found, DryingConstant)
    assert found.hours == pytest.approx(hours, rel=0.03)
    assert found.low <= hours <= found.high


def test_it_agrees_with_scipys_curve_fit_on_a_decay_without_noise() -> None:
    """scipy.optimize.curve_fit, given one whole decay, finds the same constant."""
    tub, deeds = mistings(4.0, 4)
    found = drying_constant(tub, None, deeds)
    assert isinstance(found, DryingConstant)
    first = (deeds[0].at - START) // 300 + 2
    vapour = tub.vapour_hpa[first : first + 200]
    hours = np.arange(len(vapour)) / 12
    fitted, _ = curve_fit(lambda t, rest, height, tau: rest + height * np.exp(-t / tau), hours, vapour, p0=(20, 5, 3))
    assert found.hours == pytest.approx(float(fitted[2]), rel=0.01)


def test_the_worked_example_of_nine_hours_reaches_fifty_percent_after_5_6_hours() -> None:
    """70 to 50 % at 30 °C, nine hours, resting at a vapour density of 8.3 g/m³: 5.6 h (the project's physics notes)."""
    per_hpa = 0.734  # g/m³ at 22 °C
    at_70, at_50 = (per_hpa * h / 100 * 42.43 for h in (70, 50))  # 42.43 hPa: saturation at 30 °C
    tub, deeds = mistings(9.0, 12, noise=0.03)
    found = drying_constant(tub, None, deeds)
    assert isinstance(found, DryingConstant)
    assert found.hours * math.log((at_70 - 8.3) / (at_50 - 8.3)) == pytest.approx(5.6, abs=0.2)


def test_where_two_stores_are_at_work_no_single_constant_is_given() -> None:
    """A quick film and a slow bedding: the answer is withheld, in words."""
    tub, deeds = mistings(0.7, 8, slow=9.0, noise=0.03)
    found = drying_constant(tub, None, deeds)
    assert isinstance(found, str)
    assert "one constant" in found


def test_two_mistings_are_too_few() -> None:
    """Fewer than three undisturbed decays give no constant."""
    tub, deeds = mistings(4.0, 2)
    assert "only 2" in str(drying_constant(tub, None, deeds))


def test_a_ladder_of_constants_is_what_least_squares_leaves_of_each() -> None:
    """All at once they leave what numpy's least squares leaves one by one, also where two inputs are the same."""
    dice = np.random.default_rng(4)
    hours = np.arange(0, 9, 1 / 12)
    beside = np.column_stack((np.sin(hours), np.sin(hours)))
    vapour = 24 + 5 * np.exp(-hours / 3) + 0.3 * np.sin(hours) + dice.normal(0, 0.1, len(hours))
    for earlier in (None, -2.0):
        decay, taus = _Decay(hours - 3, vapour, beside, earlier), np.geomspace(0.15, 72, 30)
        one_by_one = []
        for shape in _one(taus):
            design = np.column_stack((decay.left(0.0, shape[None, :]), decay.others(shape[None, :])))
            left = vapour - design @ np.linalg.lstsq(design, vapour, rcond=None)[0]
            one_by_one.append(float(left @ left))
        assert decay.ladder(_one(taus)) == pytest.approx(one_by_one, rel=1e-7)


def test_a_film_that_is_gone_at_once_leaves_no_constant_in_any_weather() -> None:
    """Of eleven hPa seven go within half an hour: what falls by 5 h afterwards is not how the enclosure dries."""
    for seed in range(3, 9):
        tub, deeds = mistings(0.25, 10, slow=5.0, noise=0.05, weather=0.6, seed=seed)
        assert "one constant" in str(drying_constant(tub, None, deeds))


def test_weather_is_not_taken_for_a_second_store() -> None:
    """What no probe explains moves the air of an enclosure with one store for days: its constant is told, and in the middle right."""
    told = [drying_constant(*_alone(mistings(5.0, 10, noise=0.05, weather=0.6, seed=seed))) for seed in range(3, 9)]
    hours = [found.hours for found in told if isinstance(found, DryingConstant)]
    assert len(hours) == len(told)
    assert float(np.median(hours)) == pytest.approx(5.0, rel=0.1)


def test_two_stores_that_fall_much_as_one_have_the_time_in_which_all_of_it_falls() -> None:
    """5 and 20 h, 7 and 4 hPa: 1/e is left after 8.1 h, and as long again after another 12: less than twice."""
    told = drying_constant(*_alone(mistings(5.0, 8, slow=20.0, noise=0.05)))
    assert isinstance(told, DryingConstant)
    assert told.hours == pytest.approx(8.12, rel=0.1)


def _alone(misted: tuple[Series, list[Deed]]) -> tuple[Series, None, list[Deed]]:
    """Return the arguments of a question about an enclosure whose room nobody reads."""
    return misted[0], None, misted[1]


def test_what_dries_within_half_an_hour_is_withheld_and_said_to_be_quick() -> None:
    """A constant of a quarter of an hour is three of the five-minute means it would be fitted to."""
    tub, deeds = mistings(0.25, 10, noise=0.05)
    assert "half an hour" in str(drying_constant(tub, None, deeds))
