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
from tests.bench.alarms.bench_plan import TubPlan
from tests.bench.alarms.bench_tub import Air, changes, lagged

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


def shell_air(plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> Air:
    """Carry the plan out under this physics and return the air at the probe, every minute of the room's series."""
    gauss = chance.gauss
    volume = plan.volume_m3
    vent = plan.vent * DAY / 0.734 / DAY  # m³ a minute
    shell_minutes, air_minutes = plan.heat_minutes * 0.8, 3.0 + 200 * volume
    dry_floor = 900 * volume / 0.04  # grams of substrate
    layers = [dry_floor * share for share in (0.15, 0.35, 0.5)]
    rest = plan.rest_percent / 100
    held = [-math.log(1 - rest) / _ISOTHERM] * 3  # grams of water a gram of floor
    speed = vent * chance.uniform(1.0, 4.0)  # m³ a minute between the top layer and the air
    diffusion = 0.0007 * dry_floor  # grams a minute for one gram a gram of difference
    mean_hpa = sum(room_hpa) / len(room_hpa)
    room_density = 216.7 * mean_hpa / (273.15 + plan.set_c - 6)
    goal = rest * _saturation(plan.set_c)
    bowl = max(0.0, vent * (goal - room_density) / max(0.5, _saturation(plan.set_c - 1.5) - goal))
    air = shell = sensed = plan.set_c
    water_c = plan.set_c - 1.5
    density = goal
    film = power = 0.0
    filled, open_share, heat_leak, mode, stuck, snake, snake_goal = True, 1.0, 1.0, 0, 1.0, 0.0, 0.0
    wander_c = wander = 0.0
    on = False
    marks = changes(plan.happenings, len(room_c))
    at = 0
    warm, wet = array("d"), array("d")
    for minute in range(len(room_c)):
        while marks[at][0] <= minute:
            _, begins, h = marks[at]
            at += 1
            if h.what in ("mist", "spill") and begins:
                film += (2000 if h.what == "mist" else 16000) * vent * h.size
                held[0] += 0.01 * h.size
            elif h.what in ("open", "clean"):
                open_share, heat_leak = (50.0, 5.0) if begins else (1.0, 1.0)
                if h.what == "clean" and begins:
                    film, held = 0.0, [-math.log(1 - min(0.95, rest * (1 + 0.06 * (h.size - 1)))) / _ISOTHERM] * 3
            elif h.what == "lid_left":
                open_share, heat_leak = (h.size, 1.0 + h.size / 8) if begins else (1.0, 1.0)
            elif h.what == "blocked":
                open_share = h.size if begins else 1.0
            elif h.what == "bowl_dry":
                filled, open_share = (not begins), (h.size if begins else 1.0)
            elif h.what == "heater_stuck":
                mode, stuck = (1, h.size) if begins else (0, 1.0)
            elif h.what == "heater_lost":
                mode = 2 if begins else 0
            elif h.what == "snake":
                snake_goal = h.size if begins else 0.0
        outside, outside_density = room_c[minute], 216.7 * room_hpa[minute] / (273.15 + room_c[minute])
        wanted = plan.set_c if 480 <= minute % DAY < 1230 else plan.night_set_c
        sensed += (air - sensed) / 4
        if mode:
            drive = plan.full_rise_c * stuck if mode == 1 else 0.0
        elif plan.proportional:
            drive = plan.full_rise_c * min(1.0, max(0.0, (wanted + 0.7 - sensed) / 1.4))
        else:
            on = sensed < wanted + (plan.hysteresis_c if on else -plan.hysteresis_c)
            drive = plan.full_rise_c if on else 0.0
        power += (drive - power) / plan.mat_minutes
        exchange = vent * open_share
        wetting = 5 * vent if film > 0 else 0.0
        for _ in range(_STEPS):
            step = 1 / _STEPS
            shell += step * (outside + power - shell) / shell_minutes
            air += step * ((shell - air) / air_minutes + (outside - air) * (heat_leak - 1) / air_minutes + (outside - air) * 0.02)
            water_c += step * (0.7 * shell + 0.3 * air - 1.2 - water_c) / 25
            full = _saturation(air)
            top = (1 - math.exp(-_ISOTHERM * max(0.0, held[0]))) * _saturation(0.5 * (air + shell))
            # What is exchanged is so much beside the air's own water that the balance is solved, not stepped.
            total = volume / step + exchange + speed + wetting + (bowl if filled else 0.0)
            density = min(
                0.99 * full,
                (
                    volume / step * density + exchange * outside_density + speed * top + wetting * full
                    + (bowl * _saturation(water_c) if filled else 0.0)
                ) / total,
            )  # fmt: skip
            held[0] -= step * speed * (top - density) / layers[0]
            for upper, lower in ((0, 1), (1, 2)):
                flow = step * diffusion * (held[lower] - held[upper])
                held[upper] += flow / layers[upper]
                held[lower] -= flow / layers[lower]
            film = max(0.0, film - step * wetting * (full - density))
        snake += (snake_goal - snake) / 12
        wander_c = 0.8 * wander_c + gauss(0, 0.02 * plan.noise)
        wander = 0.8 * wander + gauss(0, 0.0016 * plan.noise)
        celsius = air + 0.7 * snake + wander_c
        warm.append(celsius)
        wet.append(min(100.0, 100 * density * (1 + 0.04 * snake) * (1 + wander) / _saturation(celsius)))
    return lagged(warm, wet, plan.lag_seconds)
