"""A second physics of a tub, written anew: walls that hold the heat, a floor whose moisture diffuses, masses in grams.

Where `bench_tub` has one air node, a quick mat and water activities with constant capacities, this one has

- two heat nodes, air and shell (walls and floor), a heater that warms the shell, and a thermostat whose sensor lags;
- absolute humidity (g/m³) as the state, steps of 20 s, explicit;
- a floor in three layers with a sorption isotherm h = 1 - exp(-a·u) and diffusion between the layers;
- a bowl whose water has its own temperature.

It takes the same plans, so the same things happen to the same racks, and nothing else is shared.
"""

from __future__ import annotations

import math
from array import array
from random import Random

from tests.bench.alarms.bench_air import DAY
from tests.bench.alarms.bench_loop import Air, Doings, Nature, live
from tests.bench.alarms.bench_plan import Happening, TubPlan

_STEPS = 3
_ISOTHERM = 9.0  # per gram of water a gram of dry floor: 20 % moisture is in balance with 83 %RH


def _density(celsius: float) -> float:
    """Return the saturation density of vapour, g/m³, by Magnus (6.112, 17.62, 243.12)."""
    return 216.7 * 6.112 * math.exp(17.62 * celsius / (243.12 + celsius)) / (273.15 + celsius)


_LOW, _STEP = -10.0, 0.05
_TABLE = array("d", [_density(_LOW + _STEP * i) for i in range(int(80 / _STEP))])


def _saturation(celsius: float) -> float:
    place = min(max((celsius - _LOW) / _STEP, 0.0), len(_TABLE) - 2.0)
    index = int(place)
    return _TABLE[index] + (_TABLE[index + 1] - _TABLE[index]) * (place - index)


_NATURE = Nature(sensor_minutes=4, band_c=0.7, open_air=50.0, open_heat=5.0, lid_heat=8, snake_minutes=12, keep=0.8)


def shell_air(plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> Air:
    """Carry the plan out under this physics and return the air at the probe, every minute of the room's series."""
    return live(plan, _NATURE, _Shell(plan, room_c, room_hpa, chance), len(room_c), chance)


class _Shell:
    """Air and walls, absolute humidity, and a floor of three layers."""

    def __init__(self, plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> None:
        self._plan, self._room_c, self._room_hpa = plan, room_c, room_hpa
        self._vent = vent = plan.vent * DAY / 0.734 / DAY  # m³ a minute
        self._dry_floor = 900 * plan.volume_m3 / 0.04  # grams of substrate
        self._layers = [self._dry_floor * share for share in (0.15, 0.35, 0.5)]
        self._rest = rest = plan.rest_percent / 100
        self._held = [-math.log(1 - rest) / _ISOTHERM] * 3  # grams of water a gram of floor
        self._speed = vent * chance.uniform(1.0, 4.0)  # m³ a minute between the top layer and the air
        mean_hpa = sum(room_hpa) / len(room_hpa)
        room_density = 216.7 * mean_hpa / (273.15 + plan.set_c - 6)
        goal = rest * _saturation(plan.set_c)
        self._bowl = max(0.0, vent * (goal - room_density) / max(0.5, _saturation(plan.set_c - 1.5) - goal))
        self.air = self._shell = plan.set_c
        self._water_c = plan.set_c - 1.5
        self._density = goal
        self._film = self._power = 0.0

    def happens(self, h: Happening, begins: bool) -> None:
        """Take what wets it, and a clean-out, which brings a new floor."""
        if h.what in ("mist", "spill") and begins:
            self._film += (2000 if h.what == "mist" else 16000) * self._vent * h.size
            self._held[0] += 0.01 * h.size
        elif h.what == "clean" and begins:
            self._film = 0.0
            self._held = [-math.log(1 - min(0.95, self._rest * (1 + 0.06 * (h.size - 1)))) / _ISOTHERM] * 3

    def step(self, minute: int, drive: float, doings: Doings) -> None:
        """Go on by a minute, in steps of 20 s."""
        vent, held, layers, speed = self._vent, self._held, self._layers, self._speed
        volume, shell_minutes, air_minutes = (
            self._plan.volume_m3,
            self._plan.heat_minutes * 0.8,
            3.0 + 200 * self._plan.volume_m3,
        )
        diffusion = 0.0007 * self._dry_floor  # grams a minute for one gram a gram of difference
        outside = self._room_c[minute]
        outside_density = 216.7 * self._room_hpa[minute] / (273.15 + outside)
        self._power += (drive - self._power) / self._plan.mat_minutes
        exchange = vent * doings.open_share
        wetting = 5 * vent if self._film > 0 else 0.0
        bowl = self._bowl if doings.filled else 0.0
        air, shell, density, water_c = self.air, self._shell, self._density, self._water_c
        for _ in range(_STEPS):
            step = 1 / _STEPS
            shell += step * (outside + self._power - shell) / shell_minutes
            air += step * (
                (shell - air) / air_minutes
                + (outside - air) * (doings.heat_leak - 1) / air_minutes
                + (outside - air) * 0.02
            )
            water_c += step * (0.7 * shell + 0.3 * air - 1.2 - water_c) / 25
            full = _saturation(air)
            top = (1 - math.exp(-_ISOTHERM * max(0.0, held[0]))) * _saturation(0.5 * (air + shell))
            # What is exchanged is so much beside the air's own water that the balance is solved, not stepped.
            total = volume / step + exchange + speed + wetting + bowl
            density = min(
                0.99 * full,
                (
                    volume / step * density + exchange * outside_density + speed * top + wetting * full
                    + bowl * _saturation(water_c)
                ) / total,
            )  # fmt: skip
            held[0] -= step * speed * (top - density) / layers[0]
            for upper, lower in ((0, 1), (1, 2)):
                flow = step * diffusion * (held[lower] - held[upper])
                held[upper] += flow / layers[upper]
                held[lower] -= flow / layers[lower]
            self._film = max(0.0, self._film - step * wetting * (full - density))
        self.air, self._shell, self._density, self._water_c = air, shell, density, water_c

    def at_probe(self, snake: float, unrest_c: float, unrest: float) -> tuple[float, float]:
        """Return what the probe has about it."""
        celsius = self.air + 0.7 * snake + unrest_c
        return celsius, 100 * self._density * (1 + 0.04 * snake) * (1 + unrest) / _saturation(celsius)
