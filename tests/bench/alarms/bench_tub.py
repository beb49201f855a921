"""The air of one tub, minute by minute, from its plan: heat, vapour, and what an ideal probe in it would read.

Heat: a mat or lamp with its own inertia warms the air, the room cools it, a thermostat with a lag switches or
modulates. Vapour: the air exchanges with the room through its leaks, with an open bowl, with a film of water after a
misting, and with a floor of two stores, a quick surface and a slow depth, that give water up when warmed and take it
back when cooled. Air holds so little water that its balance is solved implicitly every minute.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from random import Random

from tests.bench.alarms.bench_air import DAY, quick_saturation_hpa
from tests.bench.alarms.bench_plan import Happening, TubPlan

_GRAMS_PER_HPA_M3 = 0.734  # vapour density per pressure, referred to 22 °C
_MIST_GRAMS_PER_VENT = 2400  # a misting is chosen so that its film lasts about an hour or two, leaky or tight


@dataclass(slots=True)
class Air:
    """Temperature (°C) and humidity (%RH) at a probe for every minute, as an ideal probe of its lag would read them.

    The ideal probe has no offset, no noise, no fault and infinite resolution.
    """

    temperature: array[float]
    humidity: array[float]


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


def tub_air(plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> Air:
    """Carry the plan out and return the air at the probe, every minute of the room's series."""
    bowl = _bowl_for(plan, room_c, room_hpa)
    warm, wet = _run(plan, bowl, room_c, room_hpa, chance)
    return lagged(warm, wet, plan.lag_seconds)


def _bowl_for(plan: TubPlan, room_c: array[float], room_hpa: array[float]) -> float:
    """Return the bowl's conductance that holds the tub at its resting humidity in the room's mean air."""
    rest = plan.rest_percent / 100 * quick_saturation_hpa(plan.set_c)
    room = sum(room_hpa) / len(room_hpa)
    return max(0.0, plan.vent * (rest - room) / (quick_saturation_hpa(plan.set_c - 1) - rest))


def changes(happenings: list[Happening], minutes: int) -> list[tuple[int, bool, Happening]]:
    """Return (minute, whether it begins, what) of every begin and end in order, and one after the last minute."""
    marks = [(h.start, True, h) for h in happenings] + [(h.end, False, h) for h in happenings]
    marks.sort(key=lambda mark: (mark[0], mark[1]))
    marks.append((minutes + 1, True, Happening(minutes + 1, minutes + 1, "open")))
    return marks


def _run(
    plan: TubPlan, bowl: float, room_c: array[float], room_hpa: array[float], chance: Random
) -> tuple[array[float], array[float]]:
    gauss = chance.gauss
    saturation = quick_saturation_hpa
    air = plan.volume_m3 * _GRAMS_PER_HPA_M3
    temperature = sensed = plan.set_c
    mat = plan.set_c - room_c[0]
    vapour = plan.rest_percent / 100 * saturation(plan.set_c)
    surface = deep = plan.rest_percent / 100
    film = snake_c = snake_share = snaked = 0.0
    wander_c = wander = 0.0
    on = False
    open_share, mode, stuck, water, heat_leak = 1.0, 0, 1.0, bowl, 1.0
    snake_goal = 0.0
    marks = changes(plan.happenings, len(room_c))
    at = 0
    warm, wet = array("d"), array("d")
    for minute in range(len(room_c)):
        while marks[at][0] <= minute:
            _, begins, h = marks[at]
            at += 1
            if h.what == "mist" and begins:
                film += _MIST_GRAMS_PER_VENT * plan.vent * h.size
                surface = min(0.98, surface + 0.06 * h.size)
            elif h.what in ("open", "clean"):
                open_share, heat_leak = (60.0 if begins else 1.0), (4.0 if begins else 1.0)
                if h.what == "clean":
                    film = 0.0
                    surface = deep = plan.rest_percent / 100 * (1 + 0.06 * (h.size - 1))
            elif h.what == "lid_left":
                open_share, heat_leak = (h.size, 1.0 + h.size / 12) if begins else (1.0, 1.0)
            elif h.what == "spill" and begins:
                film += 8 * _MIST_GRAMS_PER_VENT * plan.vent * h.size
                surface = min(0.98, surface + 0.2 * h.size)
            elif h.what == "blocked":
                open_share = h.size if begins else 1.0
            elif h.what == "bowl_dry":
                water = 0.0 if begins else bowl
                open_share = h.size if begins else 1.0
            elif h.what == "heater_stuck":
                mode, stuck = (1, h.size) if begins else (0, 1.0)
            elif h.what == "heater_lost":
                mode = 2 if begins else 0
            elif h.what == "snake":
                snake_goal = h.size if begins else 0.0
        outside, outside_hpa = room_c[minute], room_hpa[minute]
        wanted = plan.set_c if 480 <= minute % DAY < 1230 else plan.night_set_c
        sensed += (temperature - sensed) / 3
        if mode == 1:
            drive = plan.full_rise_c * stuck
        elif mode == 2:
            drive = 0.0
        elif plan.proportional:
            drive = plan.full_rise_c * min(1.0, max(0.0, (wanted + 0.6 - sensed) / 1.2))
        else:
            on = sensed < wanted + (plan.hysteresis_c if on else -plan.hysteresis_c)
            drive = plan.full_rise_c if on else 0.0
        mat += (drive - mat) / plan.mat_minutes
        temperature += (outside + mat / heat_leak - temperature) * (heat_leak / plan.heat_minutes)
        full = saturation(temperature)
        leak = plan.vent * open_share
        wetting = plan.film if film > 0 else 0.0
        total = air + leak + water + plan.surface + wetting
        vapour = (
            air * vapour
            + leak * outside_hpa
            + water * saturation(temperature - 1)
            + (plan.surface * surface + wetting) * full
        ) / total
        vapour = min(vapour, 0.985 * full)
        given = plan.surface * (surface * full - vapour)
        sinking = plan.deep * (deep - surface)
        surface = min(1.0, max(0.02, surface + (sinking - given) / plan.surface_capacity))
        deep -= sinking / plan.deep_capacity
        if wetting:
            film = max(0.0, film - wetting * (full - vapour))
        snaked += (snake_goal - snaked) / 10
        snake_c, snake_share = 0.8 * snaked, 1 + 0.05 * snaked
        wander_c = 0.82 * wander_c + gauss(0, 0.02 * plan.noise)
        wander = 0.82 * wander + gauss(0, 0.0016 * plan.noise)
        warm.append(temperature + snake_c + wander_c)
        at_probe = vapour * snake_share * (1 + wander)
        wet.append(min(100.0, 100 * at_probe / saturation(temperature + snake_c + wander_c)))
    return warm, wet
