"""What the air holds: vapour pressure, and how a change of humidity splits into heat and moisture.

The formula is Buck's (1996): one exponential, within 0.06 % of IAPWS-95 in saturation pressure from 0 to 50 °C, far finer
than any probe: ±2 %RH at 25 °C is ±0.5 °C of dew point.

Pressures are hPa, temperatures °C, humidities %RH.
"""

from __future__ import annotations

import math


def saturation_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water, hPa, for -40 to 125 °C (Buck 1996)."""
    return 6.1121 * math.exp((18.678 - temperature_c / 234.5) * (temperature_c / (257.14 + temperature_c)))


def vapour_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Return the partial pressure of water vapour, hPa: what tub and room are compared in."""
    return humidity_percent * 0.01 * saturation_hpa(temperature_c)


def humidity_at(vapour: float, temperature_c: float) -> float:
    """Return the humidity, %RH, that `vapour` hPa makes at a temperature. Above 100 it would condense."""
    return 100.0 * vapour / saturation_hpa(temperature_c)


def dew_point_c(vapour: float) -> float:
    """Return the temperature, °C, at which `vapour` hPa (above 0) saturates the air: `saturation_hpa` solved for it, exactly."""
    log = math.log(vapour / 6.1121)
    slope = 18.678 - log
    # The smaller of two roots: the other is no temperature of any air.
    return 117.25 * (slope - math.sqrt(slope * slope - 4 * 257.14 * log / 234.5))


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
