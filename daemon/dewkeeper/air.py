"""What the air holds: vapour pressure, dew point, and how a change of humidity splits into heat and moisture.

Two speeds. The named quantities use `psychrolib` (ASHRAE Fundamentals 2017, chapter 1; within 0.03 % of IAPWS-95 in
saturation pressure and 0.01 °C in dew point from 15 to 40 °C). The judge, which needs one number per reading, uses
`saturation_hpa`, the formula of Buck (1996): one exponential, within 0.06 % of psychrolib from 0 to 50 °C. Both are
far finer than any probe: ±2 %RH at 25 °C is ±0.5 °C of dew point.

Pressures are hPa, temperatures °C, humidities %RH.
"""

from __future__ import annotations

import math
from typing import Final

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

LOWEST_C: Final = -40.0
HIGHEST_C: Final = 125.0
"""Where the formulas here may be asked: the span of the probes."""


def saturation_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water, hPa, for -40 to 125 °C (Buck 1996)."""
    return 6.1121 * math.exp((18.678 - temperature_c / 234.5) * (temperature_c / (257.14 + temperature_c)))


def vapour_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Return the partial pressure of water vapour, hPa: what tub and room are compared in."""
    return humidity_percent * 0.01 * saturation_hpa(temperature_c)


def humidity_at(vapour: float, temperature_c: float) -> float:
    """Return the humidity, %RH, that `vapour` hPa makes at a temperature. Above 100 it would condense."""
    return 100.0 * vapour / saturation_hpa(temperature_c)


def referred_humidity(humidity_percent: float, from_c: float, to_c: float) -> float:
    """Return the humidity, %RH, the same vapour makes at another temperature: 62 % at 27 °C is 52 % at 30 °C."""
    return humidity_percent * saturation_hpa(from_c) / saturation_hpa(to_c)


def split(t1_c: float, h1_percent: float, t2_c: float, h2_percent: float) -> tuple[float, float]:
    """Return ln(RH2/RH1) as its two exact parts: (moisture, temperature).

    moisture = ln(e2/e1): negative when water left the air. temperature = -ln(es2/es1): negative when it warmed.
    Raises ValueError unless both humidities are above 0.
    """
    if h1_percent <= 0 or h2_percent <= 0:
        raise ValueError("humidities must be above 0 %RH")
    temperature = math.log(saturation_hpa(t1_c) / saturation_hpa(t2_c))
    return math.log(h2_percent / h1_percent) - temperature, temperature


def _fraction(temperature_c: float, humidity_percent: float) -> float:
    # psychrolib's dew point never converges for NaN and refuses exactly 0 %: both are caught here, by name.
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise ValueError(f"temperature {temperature_c} °C outside {LOWEST_C} to {HIGHEST_C} °C")
    if not 0 < humidity_percent <= 100:
        raise ValueError(f"humidity {humidity_percent} %RH outside 0 (excluded) to 100 %RH")
    return humidity_percent / 100


def exact_vapour_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Return the vapour pressure by psychrolib, hPa. Raises ValueError outside -40..125 °C or 0..100 %RH."""
    return float(psychrolib.GetVapPresFromRelHum(temperature_c, _fraction(temperature_c, humidity_percent))) / 100


def dew_point_c(temperature_c: float, humidity_percent: float) -> float:
    """Return the dew point, °C; below 0.01 °C it is the frost point. Raises ValueError outside the ranges."""
    return float(psychrolib.GetTDewPointFromRelHum(temperature_c, _fraction(temperature_c, humidity_percent)))


def deficit_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Return the vapour pressure deficit, hPa: how strongly the air dries. Raises ValueError outside the ranges."""
    fraction = _fraction(temperature_c, humidity_percent)
    return float(psychrolib.GetSatVapPres(temperature_c)) / 100 * (1 - fraction)


def absolute_g_m3(temperature_c: float, humidity_percent: float) -> float:
    """Return grams of water per cubic metre. For display only: warming alone changes it. Raises ValueError."""
    vapour_pa = exact_vapour_hpa(temperature_c, humidity_percent) * 100
    return vapour_pa / (461.52 * (temperature_c + 273.15)) * 1000


def mixing_ratio_g_kg(temperature_c: float, humidity_percent: float, pressure_hpa: float = 1013.25) -> float:
    """Return grams of water per kilogram of dry air at an air pressure. Raises ValueError outside the ranges."""
    fraction = _fraction(temperature_c, humidity_percent)
    return float(psychrolib.GetHumRatioFromRelHum(temperature_c, fraction, pressure_hpa * 100)) * 1000
