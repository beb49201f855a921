"""Air laws and the air of a room, written for this bench alone.

Nothing here is taken from the daemon or from the demo: a judge measured by its own formulas would pass its own
mistakes. Temperatures are °C, vapour pressures e are hPa, humidities %RH, one step is one minute.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

DAY = 1440
"""Minutes."""

_LOW_C, _STEP_C = -20.0, 0.05


def saturation_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water, hPa, by Sonntag (1990); good for -40 to 100 °C."""
    kelvin = temperature_c + 273.15
    return math.exp(
        -6096.9385 / kelvin
        + 16.635794
        - 2.711193e-2 * kelvin
        + 1.673952e-5 * kelvin * kelvin
        + 2.433502 * math.log(kelvin)
    )


_TABLE = array("d", [saturation_hpa(_LOW_C + _STEP_C * i) for i in range(int(150 / _STEP_C))])


def quick_saturation_hpa(temperature_c: float) -> float:
    """Return `saturation_hpa` by interpolation, within 0.0003 hPa from -20 to 60 °C."""
    place = (temperature_c - _LOW_C) / _STEP_C
    index = int(place)
    low = _TABLE[index]
    return low + (_TABLE[index + 1] - low) * (place - index)


def humidity_percent(vapour_hpa: float, temperature_c: float) -> float:
    """Return the relative humidity, %RH, not above 100."""
    return min(100.0, 100.0 * vapour_hpa / quick_saturation_hpa(temperature_c))


@dataclass(frozen=True, slots=True)
class Spell:
    """Weather out of the usual from `start` to `end` (minutes): warmer by `add_c`, outdoor vapour at `vapour_hpa`."""

    start: int
    end: int
    add_c: float = 0.0
    vapour_hpa: float | None = None


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """A room: its daily temperature wave, and the outdoor vapour that reaches it with a source of its own added."""

    mean_c: float
    swing_c: float
    outdoor_hpa: float
    outdoor_sd_hpa: float
    gain_hpa: float
    spells: tuple[Spell, ...] = field(default=())
    draught: float = 1.0  # times the usual


def expectation(mean: float, _: float) -> float:
    """Return the mean of a normal chance, in place of a draw."""
    return mean


def room_air(
    plan: RoomPlan, minutes: int, chance: Random, expected_from: int | None = None
) -> tuple[array[float], array[float]]:
    """Return temperature (°C) and vapour pressure (hPa) of the room for every minute.

    Weather is a first-order process with a memory of two days; the room follows it with a time constant of two
    hours; draughts are a second process with a memory of twenty minutes. From `expected_from` on nothing is left to chance.
    """
    temperatures, vapours = array("d"), array("d")
    gauss: Callable[[float, float], float] = chance.gauss
    front = gauss(0, 1)
    draught_c = draught_hpa = shift_c = 0.0
    vapour = plan.outdoor_hpa + plan.gain_hpa
    keep_front, keep_draught = math.exp(-30 / (2 * DAY)), math.exp(-1 / 20)
    fresh_front = math.sqrt(1 - keep_front**2)
    fresh_draught = math.sqrt(1 - keep_draught**2)
    spells = sorted(plan.spells, key=lambda spell: spell.start)
    for minute in range(minutes):
        if minute == expected_from:
            gauss = expectation
        if minute % 30 == 0:
            front = front * keep_front + fresh_front * gauss(0, 1)
        add_c, outdoor = 0.0, plan.outdoor_hpa + plan.outdoor_sd_hpa * front
        for spell in spells:
            if spell.start <= minute < spell.end:
                add_c += spell.add_c
                outdoor = outdoor if spell.vapour_hpa is None else spell.vapour_hpa
        shift_c += (add_c - shift_c) / 240
        wave = math.sin(2 * math.pi * (minute / DAY - 0.375))
        draught_c = draught_c * keep_draught + fresh_draught * gauss(0, 0.08 * plan.draught)
        draught_hpa = draught_hpa * keep_draught + fresh_draught * gauss(0, 0.12 * plan.draught)
        vapour += (max(1.5, outdoor) + plan.gain_hpa * (1 + 0.2 * wave) - vapour) / 120
        temperature = plan.mean_c + plan.swing_c * wave + 0.3 * front + shift_c + draught_c
        temperatures.append(temperature)
        vapours.append(min(vapour + draught_hpa, 0.95 * quick_saturation_hpa(temperature)))
    return temperatures, vapours
