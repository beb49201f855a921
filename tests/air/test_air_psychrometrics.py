"""Psychrometrics against references computed outside this project."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper import air

REFERENCE = Path(__file__).parents[1] / "reference"


def _rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", _rows("psychrometric_grid.csv"), ids=lambda r: f"{r['T_C']}C-{r['RH_pct']}")
def test_vapour_pressure_agrees_with_the_grid(row: dict[str, str]) -> None:
    """Vapour pressure is within 0.07 % of IAPWS-95."""
    t, h = float(row["T_C"]), float(row["RH_pct"])
    assert air.vapour_hpa(t, h) == pytest.approx(float(row["e_IAPWS95_hPa"]), rel=7e-4)


@pytest.mark.parametrize("row", _rows("saturation_vapour_pressure.csv"), ids=lambda r: f"{r['t_C']}C")
def test_the_judges_quick_formula_is_close(row: dict[str, str]) -> None:
    """The one-exponential saturation pressure is within 0.06 % of IAPWS-95 (CoolProp) from 0.01 to 50 °C."""
    assert air.saturation_hpa(float(row["t_C"])) == pytest.approx(float(row["IAPWS95_CoolProp_hPa"]), rel=6e-4)


@given(st.floats(0, 50), st.floats(1, 100), st.floats(0, 50), st.floats(1, 100))
def test_the_split_is_exact(t1: float, h1: float, t2: float, h2: float) -> None:
    """Moisture and temperature terms add up to ln(RH2/RH1), for any two states."""
    moisture, heat = air.split(t1, h1, t2, h2)
    assert moisture + heat == pytest.approx(math.log(h2 / h1), abs=1e-9)


def test_one_degree_alone_takes_60_percent_to_56_7() -> None:
    """Near 30 °C the same vapour one degree warmer reads 56.7 % instead of 60 % (exact physics, rounded)."""
    assert air.referred_humidity(60, 30, 31) == pytest.approx(56.7, abs=0.05)
    assert air.split(30, 60, 31, air.referred_humidity(60, 30, 31))[0] == pytest.approx(0, abs=1e-9)
