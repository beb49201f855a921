"""The one loop that all physics of the bench run in: what happens to a tub, its thermostat, its snake and its unrest.

A physics says what the air does in a minute; everything that is the same whatever the physics is here.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from random import Random
from typing import Protocol

from tests.bench.alarms.bench_air import DAY
from tests.bench.alarms.bench_plan import Happening, TubPlan


@dataclass(slots=True)
class Air:
    """Temperature (°C) and humidity (%RH) at a probe for every minute, as an ideal probe of its lag would read them.

    The ideal probe has no offset, no noise, no fault and infinite resolution.
    """

    temperature: array[float]
    humidity: array[float]


@dataclass(frozen=True, slots=True)
class Nature:
    """Constants that differ from physics to physics.

    sensor_minutes, band_c: lag of the thermostat's sensor, half the band of a proportional one. open_air, open_heat: how many
    times more air and heat an open lid lets through; lid_heat: what a lid left open adds to the heat, its size over this.
    snake_minutes: how slowly a snake warms its probe. keep: the share of its unrest that the air keeps a minute later.
    """

    sensor_minutes: float
    band_c: float
    open_air: float
    open_heat: float
    lid_heat: float
    snake_minutes: float
    keep: float


class Doings:
    """What is being done to a tub: how open it is to air and heat, its bowl, its heater (0 well, 1 stuck on, 2 off), its snake."""

    __slots__ = ("_nature", "filled", "heat_leak", "mode", "open_share", "snake_goal", "stuck")

    def __init__(self, nature: Nature) -> None:
        self._nature = nature
        self.open_share = self.heat_leak = self.stuck = 1.0
        self.filled, self.mode, self.snake_goal = True, 0, 0.0

    def take(self, h: Happening, begins: bool) -> None:
        """Take the begin or the end of something."""
        nature = self._nature
        match h.what:
            case "open" | "clean":
                self.open_share, self.heat_leak = (nature.open_air, nature.open_heat) if begins else (1.0, 1.0)
            case "lid_left":
                self.open_share, self.heat_leak = (h.size, 1.0 + h.size / nature.lid_heat) if begins else (1.0, 1.0)
            case "blocked":
                self.open_share = h.size if begins else 1.0
            case "bowl_dry":
                self.filled, self.open_share = (not begins), (h.size if begins else 1.0)
            case "heater_stuck":
                self.mode, self.stuck = (1, h.size) if begins else (0, 1.0)
            case "heater_lost":
                self.mode = 2 if begins else 0
            case "snake":
                self.snake_goal = h.size if begins else 0.0
            case _:
                pass


class Body(Protocol):
    """What a physics is to the loop. air: the temperature, °C, that the thermostat's sensor follows."""

    air: float

    def happens(self, h: Happening, begins: bool) -> None:
        """Take what wets it or empties it."""

    def step(self, minute: int, drive: float, doings: Doings) -> None:
        """Go on by a minute; drive: what the heater gives, in °C above the room at rest."""

    def at_probe(self, snake: float, unrest_c: float, unrest: float) -> tuple[float, float]:
        """Return °C and %RH at the probe; snake: how much of it lies there; unrest: of the air, °C and a share of its vapour."""


class _Thermostat:
    __slots__ = ("_nature", "_on", "_plan", "_sensed")

    def __init__(self, plan: TubPlan, nature: Nature) -> None:
        self._plan, self._nature = plan, nature
        self._sensed, self._on = plan.set_c, False

    def drive(self, minute: int, air: float, doings: Doings) -> float:
        plan = self._plan
        wanted = plan.set_c if 480 <= minute % DAY < 1230 else plan.night_set_c
        self._sensed += (air - self._sensed) / self._nature.sensor_minutes
        if doings.mode == 1:
            return plan.full_rise_c * doings.stuck
        if doings.mode == 2:
            return 0.0
        if plan.proportional:
            band = self._nature.band_c
            return plan.full_rise_c * min(1.0, max(0.0, (wanted + band - self._sensed) / (2 * band)))
        self._on = self._sensed < wanted + (plan.hysteresis_c if self._on else -plan.hysteresis_c)
        return plan.full_rise_c if self._on else 0.0


def changes(happenings: list[Happening], minutes: int) -> list[tuple[int, bool, Happening]]:
    """Return (minute, whether it begins, what) of every begin and end in order, and one after the last minute."""
    marks = [(h.start, True, h) for h in happenings] + [(h.end, False, h) for h in happenings]
    marks.sort(key=lambda mark: (mark[0], mark[1]))
    marks.append((minutes + 1, True, Happening(minutes + 1, minutes + 1, "open")))
    return marks


def live(plan: TubPlan, nature: Nature, body: Body, minutes: int, chance: Random) -> Air:
    """Carry a plan out with a body and return the air at its probe for every minute."""
    doings, thermostat = Doings(nature), _Thermostat(plan, nature)
    marks, at = changes(plan.happenings, minutes), 0
    snake = unrest_c = unrest = 0.0
    gauss, keep = chance.gauss, nature.keep
    noise_c, noise = 0.02 * plan.noise, 0.0016 * plan.noise
    warm, wet = array("d"), array("d")
    for minute in range(minutes):
        while marks[at][0] <= minute:
            _, begins, h = marks[at]
            at += 1
            doings.take(h, begins)
            body.happens(h, begins)
        body.step(minute, thermostat.drive(minute, body.air, doings), doings)
        snake += (doings.snake_goal - snake) / nature.snake_minutes
        unrest_c = keep * unrest_c + gauss(0, noise_c)
        unrest = keep * unrest + gauss(0, noise)
        celsius, percent = body.at_probe(snake, unrest_c, unrest)
        warm.append(celsius)
        wet.append(min(100.0, percent))
    return lagged(warm, wet, plan.lag_seconds)


def lagged(temperatures: array[float], humidities: array[float], lag_seconds: float) -> Air:
    """Return what a probe with this response time makes of the air."""
    share = 1 - math.exp(-60 / lag_seconds)
    t, h = temperatures[0], humidities[0]
    out = Air(array("d"), array("d"))
    for temperature, humidity in zip(temperatures, humidities, strict=True):
        t += share * (temperature - t)
        h += share * (humidity - h)
        out.temperature.append(t)
        out.humidity.append(h)
    return out
