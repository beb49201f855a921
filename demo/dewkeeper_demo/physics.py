"""The air in a tub: a well-mixed vapour balance, a thermostat and a room around it.

Vapour pressure e follows

    C·de/dt = Q·(e_room − e) + G_bowl·(e_s(T_bowl) − e) + G_floor·(a·e_s(T) − e) + G_film·(e_s(T) − e)

with all conductances in grams an hour per hPa. Water lost by bowl, floor and sprayed film is taken from them, so a bowl
runs dry and a floor dries out. What is left out: layers of air, the animal, cold walls. Saturation pressures come
from psychrolib, not from the daemon: the demonstration must not agree with it by sharing its mistakes.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

GRAMS_PER_M3_PER_HPA = 0.734  # 216.7 / 295.15: vapour density per hPa, referred to 22 °C
STEP_SECONDS = 60.0
BOWL_LAST_GRAMS = 1.5  # so little no longer covers the bottom: the wet surface shrinks with it
FLOOR_HALF = 0.15  # fraction of full at which a floor of coco or bark is half way up its sorption curve
HUMIDITY_NOISE_PERCENT = 0.027  # one sigma; the SHT3x data sheet gives 0.08 %RH as three
TEMPERATURE_NOISE_C = 0.013  # one sigma; the data sheet gives 0.04 °C as three


def saturation_hpa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water in hPa, for -100 to 200 °C (psychrolib, ASHRAE 2017)."""
    return float(psychrolib.GetSatVapPres(temperature_c)) / 100.0


def vapour_hpa(temperature_c: float, humidity_percent: float) -> float:
    """Return the vapour pressure of air in hPa."""
    return humidity_percent / 100.0 * saturation_hpa(temperature_c)


@dataclass(frozen=True, slots=True)
class Climate:
    """What the room does: temperature over the day, vapour wandering slowly about a mean."""

    mean_c: float = 22.4
    swing_c: float = 1.1
    warmest_hour: float = 16.0
    vapour_mean_hpa: float = 11.6
    vapour_sigma_hpa: float = 0.5
    vapour_tau_hours: float = 18.0


class Room:
    """The air around the racks."""

    def __init__(self, climate: Climate, dice: random.Random) -> None:
        self._climate = climate
        self._dice = dice
        self._wander_hpa = 0.0
        self.temperature_c = climate.mean_c
        self.vapour_hpa = climate.vapour_mean_hpa

    @property
    def humidity_percent(self) -> float:
        """Relative humidity of the room in %RH."""
        return 100.0 * self.vapour_hpa / saturation_hpa(self.temperature_c)

    def step(self, seconds: float, hour: float) -> None:
        """Let so many seconds pass; `hour` is the local time of day, 0 to 24."""
        climate = self._climate
        angle = 2 * math.pi * (hour - climate.warmest_hour) / 24.0
        self.temperature_c = climate.mean_c + climate.swing_c * math.cos(angle)
        # The exact step of an Ornstein-Uhlenbeck process: its spread does not depend on the step's length.
        keep = math.exp(-seconds / (climate.vapour_tau_hours * 3600.0))
        noise = climate.vapour_sigma_hpa * math.sqrt(1.0 - keep * keep)
        self._wander_hpa = self._wander_hpa * keep + self._dice.gauss(0.0, noise)
        self.vapour_hpa = climate.vapour_mean_hpa + self._wander_hpa


@dataclass(frozen=True, slots=True)
class Build:
    """How an enclosure is made and heated.

    vents_m3_per_hour: air exchanged with the room. bowl_, floor_ and film_conductance: g/(h·hPa); droplets on walls
    offer much more surface than a bowl. mist_grams: one usual spraying.
    floor_holds_grams: water a soaked floor holds; floor_fraction: how much of it is there at the start.
    heat_rise_c: how far above the room the tub would settle with its heater always on.
    """

    volume_litres: float = 40.0
    vents_m3_per_hour: float = 0.068
    bowl_conductance: float = 0.04
    bowl_grams: float = 350.0
    floor_conductance: float = 0.12
    floor_holds_grams: float = 420.0
    floor_fraction: float = 0.27
    film_conductance: float = 0.45
    mist_grams: float = 16.0
    day_c: float = 30.0
    night_c: float = 28.2
    thermostat_swing_c: float = 0.4
    heat_rise_c: float = 20.0
    heat_tau_hours: float = 1.5


class Tub:
    """One enclosure. Everything a keeper or a fault can do to it is a method or an attribute named for it."""

    def __init__(self, build: Build, room: Room, dice: random.Random) -> None:
        self.build = build
        self._dice = dice
        self.bowl_grams = build.bowl_grams
        self.floor_grams = build.floor_fraction * build.floor_holds_grams
        self.film_grams = 0.0
        self.vents_factor = 1.0
        self.heater_on = False
        self.heater_stuck: bool | None = None  # True: always on, False: always off
        self.temperature_c = build.day_c
        # Where it would settle: a start shows no hours of settling in.
        self.vapour_hpa = self._balance(room)[0]
        self._noise = (0.0, 0.0)

    @property
    def humidity_percent(self) -> float:
        """Relative humidity in the tub in %RH, 0 to 100."""
        return min(100.0, 100.0 * self.vapour_hpa / saturation_hpa(self.temperature_c))

    def mist(self, grams: float | None = None) -> None:
        """Spray the usual amount or so many grams: a quarter stays as droplets on the walls, the rest soaks in."""
        grams = self.build.mist_grams if grams is None else grams
        self.film_grams += grams / 4
        self.floor_grams = min(self.build.floor_holds_grams, self.floor_grams + 3 * grams / 4)

    def refill(self) -> None:
        """Fill the water bowl."""
        self.bowl_grams = self.build.bowl_grams

    def step(self, seconds: float, hour: float, room: Room) -> None:
        """Let so many seconds pass, in steps of at most a minute; `hour` is the local time of day, 0 to 24."""
        while seconds > 0:
            step = min(seconds, STEP_SECONDS)
            self._heat(step, hour, room)
            self._dry(step, room)
            seconds -= step
        self._noise = (
            self._dice.gauss(0.0, TEMPERATURE_NOISE_C),
            self._dice.gauss(0.0, HUMIDITY_NOISE_PERCENT),
        )

    def probe_air(self) -> tuple[float, float]:
        """Return °C and %RH as a sensor near the floor has them, its noise included."""
        humidity = self.humidity_percent + self._noise[1]
        return self.temperature_c + self._noise[0], min(100.0, max(0.0, humidity))

    def _heat(self, seconds: float, hour: float, room: Room) -> None:
        build = self.build
        wanted = build.day_c if 8.0 <= hour < 22.0 else build.night_c
        if self.temperature_c < wanted - build.thermostat_swing_c:
            self.heater_on = True
        elif self.temperature_c > wanted + build.thermostat_swing_c:
            self.heater_on = False
        on = self.heater_on if self.heater_stuck is None else self.heater_stuck
        settles_at = room.temperature_c + (build.heat_rise_c if on else 0.0)
        keep = math.exp(-seconds / (build.heat_tau_hours * 3600.0))
        self.temperature_c = settles_at + (self.temperature_c - settles_at) * keep

    def _dry(self, seconds: float, room: Room) -> None:
        hours = seconds / 3600.0
        settles_at, conductance = self._balance(room)
        bowl, floor, film = self._sources()
        holds = self.build.volume_litres / 1000.0 * GRAMS_PER_M3_PER_HPA
        rate = conductance / holds
        keep = math.exp(-rate * hours)
        # The mean over the step, so that what the sources lose is what the air and the room gain.
        mean = settles_at + (self.vapour_hpa - settles_at) * (1.0 - keep) / (rate * hours)
        self.vapour_hpa = settles_at + (self.vapour_hpa - settles_at) * keep
        self.bowl_grams = max(0.0, self.bowl_grams - bowl[0] * (bowl[1] - mean) * hours)
        self.film_grams = max(0.0, self.film_grams - film[0] * (film[1] - mean) * hours)
        left = self.floor_grams - floor[0] * (floor[1] - mean) * hours
        self.floor_grams = min(self.build.floor_holds_grams, max(0.0, left))
        saturated = saturation_hpa(self.temperature_c)
        if self.vapour_hpa > saturated:  # more than air can hold is dew on the walls
            self.film_grams += (self.vapour_hpa - saturated) * holds
            self.vapour_hpa = saturated

    def _sources(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """Return (conductance, vapour pressure at the surface) of bowl, floor and film."""
        saturated = saturation_hpa(self.temperature_c)
        bowl_hpa = saturation_hpa(self.temperature_c - 1.6)  # evaporation keeps a bowl cooler than its air
        fraction = self.floor_grams / self.build.floor_holds_grams
        activity = min(1.0, fraction / (fraction + FLOOR_HALF) * (1.0 + FLOOR_HALF))
        return (
            (self.build.bowl_conductance * min(1.0, self.bowl_grams / BOWL_LAST_GRAMS), bowl_hpa),
            (self.build.floor_conductance, activity * saturated),
            (self.build.film_conductance if self.film_grams > 0 else 0.0, saturated),
        )

    def _balance(self, room: Room) -> tuple[float, float]:
        """Return where the vapour pressure would settle as things are, hPa, and the sum of conductances."""
        vents = self.build.vents_m3_per_hour * self.vents_factor * GRAMS_PER_M3_PER_HPA
        flows = [(vents, room.vapour_hpa), *self._sources()]
        conductance = sum(g for g, _ in flows)
        return sum(g * e for g, e in flows) / conductance, conductance
