"""The air over saturated salts against OIML R 121 (1996), Table 1, and what correction follows from a check."""

from __future__ import annotations

import csv
from math import hypot
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.judge.types import Calibration
from dewkeeper.sampling.salts import SALTS, Jar, correction

TABLE = [
    (row["salt"], float(row["t_C"]), float(row["humidity_pct"]), float(row["expanded_uncertainty_pct"]))
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "reference" / "saturated_salts.csv").read_text(encoding="utf-8").splitlines()
    )
    if row["salt"] in SALTS
]


@pytest.mark.parametrize(("salt", "temperature_c", "humidity", "expanded"), TABLE)
def test_the_air_over_every_salt_is_that_of_oiml_r_121(
    salt: str, temperature_c: float, humidity: float, expanded: float
) -> None:
    """Every point of R 121's Table 1 from 15 to 35 °C within 0.1 %RH (KCl at 25 °C within its uncertainty, 0.3)."""
    ours = SALTS[salt].humidity_percent(temperature_c)
    assert abs(ours - humidity) <= (expanded if (salt, temperature_c) == ("KCl", 25.0) else 0.1)
    assert SALTS[salt].uncertainty_percent >= expanded


def test_two_jars_correct_slope_and_offset() -> None:
    """At 25 °C R 121 has 32.8 and 75.3 %RH; a sensor reading 35.8 and 74.3 there is corrected to both, in between linearly."""
    found = correction([Jar("NaCl", 74.3, 25.0), Jar("MgCl2", 35.8, 25.0)])
    assert found.gain == pytest.approx((75.3 - 32.8) / (74.3 - 35.8), abs=0.005)
    for read, right in ((35.8, 32.8), (74.3, 75.3), ((35.8 + 74.3) / 2, (32.8 + 75.3) / 2)):
        assert found.gain * read + found.offset_percent == pytest.approx(right, abs=0.1)


def test_one_jar_moves_the_offset_and_leaves_the_slope() -> None:
    """A probe with a slope from an earlier check keeps it; the one point is met."""
    found = correction([Jar("NaCl", 72.0, 25.0)], gain=1.1)
    assert found.gain == 1.1
    assert 1.1 * 72.0 + found.offset_percent == pytest.approx(75.3, abs=0.1)


def test_no_check_claims_to_be_better_than_one_percent() -> None:
    """Expanded uncertainty: the salt's and the sensor's hysteresis (0.8 %, SHT3x datasheet) together, never below 1 %RH."""
    assert correction([Jar("NaCl", 75.0, 25.0)]).uncertainty_percent == 1.0
    assert correction([Jar("K2SO4", 97.0, 25.0)]).uncertainty_percent == pytest.approx(hypot(0.7, 0.8))


@pytest.mark.parametrize(
    ("jars", "says"),
    [
        ([], "one jar or two"),
        ([Jar("LiCl", 11.0, 25.0)], "no salt 'LiCl'; there are: MgCl2"),
        ([Jar("NaCl", 75.0, 14.9)], "15 to 35 °C"),
        ([Jar("K2CO3", 43.0, 31.0)], "15 to 30 °C"),
        ([Jar("NaCl", float("nan"), 25.0)], "no humidity"),
        ([Jar("NaCl", 75.0, float("nan"))], "15 to 35 °C"),
        ([Jar("NaCl", 91.0, 25.0)], "replace the sensor"),
        ([Jar("NaCl", 75.0, 25.0), Jar("KCl", 84.0, 25.0)], "too near"),
        ([Jar("NaCl", 44.0, 25.0), Jar("MgCl2", 34.0, 25.0)], "replace the sensor"),
        ([Jar("NaCl", 62.0, 25.0), Jar("MgCl2", 46.0, 25.0)], "factor of 0.38"),
        ([Jar("NaCl", 75.0, 25.0)] * 3, "one jar or two"),
    ],
)
def test_a_check_that_cannot_be_is_refused(jars: list[Jar], says: str) -> None:
    """Unknown salts, temperatures outside the table, jars mixed up or too alike, and readings too far off, each by name."""
    with pytest.raises(ValueError, match=says):
        correction(jars)


@given(st.floats(-14, 14), st.floats(0.8, 1.2), st.floats(15, 35))
def test_a_sensor_that_is_off_in_a_line_is_put_right(offset: float, slope: float, temperature_c: float) -> None:
    """Whatever straight error a sensor has, the correction from two jars undoes it between them (or the check is refused)."""

    def read(true: float) -> float:
        return slope * true + offset

    jars = [Jar(salt, read(SALTS[salt].humidity_percent(temperature_c)), temperature_c) for salt in ("MgCl2", "NaCl")]
    try:
        found = correction(jars)
    except ValueError:
        return
    made = Calibration(0, "p", 0.0, found.offset_percent, found.gain)
    for true in (35.0, 50.0, 75.0):
        assert made.corrected(25.0, read(true))[1] == pytest.approx(true, abs=1e-6)
