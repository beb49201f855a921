"""A third physics: planted vivaria in an unheated room whose window is opened, written anew and measured once untouched.

Beside `bench_tub` and `bench_shell` this one has

- a room that follows the day and the weather, and a window: opened, it pulls the room towards the outdoors within
  minutes, and the room needs more than an hour to come back;
- a lamp that is on all day, whatever the thermostat says, and a controlled heater beside it; air and a heavy mass of
  soil, wood and glass as heat nodes;
- plants that give water off in the light and hardly any at night;
- a thick floor of coco that holds weeks of water in two layers, from which a share of the air's water comes;
- rain and fog: part of it hangs in the air as droplets that evaporate within minutes and cool it, part wets leaves and
  glass, part sinks into the floor; as much is rained as the floor lost.
"""

from __future__ import annotations

import math
from array import array
from random import Random

from tests.bench.alarms.bench_air import DAY, RoomPlan, quick_saturation_hpa
from tests.bench.alarms.bench_plan import TubPlan
from tests.bench.alarms.bench_tub import Air, changes, lagged, tub_air

_LIGHT = (480, 1230)  # minutes of the day
_SHARES = {"bowl": 0.25, "plants": 0.35, "floor": 0.4}  # of the water that leaves with the air, at rest
_DROPLET_COOLING = 0.9  # °C per hPa that droplets give: 1.6 less what glass and soil give back meanwhile


def window_room(plan: RoomPlan, minutes: int, chance: Random) -> tuple[array[float], array[float]]:
    """Return temperature (°C) and vapour pressure (hPa) of an unheated room with a window, every minute."""
    gauss = chance.gauss
    temperatures, vapours = array("d"), array("d")
    front, shift_c, gust_c, gust_hpa = gauss(0, 1), 0.0, 0.0, 0.0
    celsius, vapour = plan.mean_c - 4, plan.outdoor_hpa + 0.7 * plan.gain_hpa
    windows = _windows(minutes, chance)
    at = 0
    for minute in range(minutes):
        if minute % 20 == 0:
            front = 0.992 * front + 0.126 * gauss(0, 1)  # a memory of two days
        add_c, spell_hpa = 0.0, None
        for spell in plan.spells:
            if spell.start <= minute < spell.end:
                add_c, spell_hpa = spell.add_c, spell.vapour_hpa
        shift_c += (add_c - shift_c) / 300
        wave = math.sin(2 * math.pi * (minute / DAY - 0.4))
        outdoor_c = plan.mean_c - 9 + 5 * wave + 2.5 * front + 1.2 * shift_c
        outdoor_hpa = spell_hpa or max(2.0, plan.outdoor_hpa + plan.outdoor_sd_hpa * front)
        outdoor_hpa = min(outdoor_hpa, 0.92 * quick_saturation_hpa(outdoor_c))
        while at < len(windows) and windows[at][1] <= minute:
            at += 1
        opened = windows[at][2] if at < len(windows) and windows[at][0] <= minute else 0.0
        lived_c = plan.mean_c - 4 + 2.5 * plan.swing_c * wave + 0.8 * front + shift_c
        celsius += (lived_c - celsius) / 80 + opened * (outdoor_c - celsius) / 25
        vapour += (outdoor_hpa + plan.gain_hpa * (0.8 + 0.3 * wave) - vapour) / 100 + opened * (outdoor_hpa - vapour) / 9
        gust_c = 0.93 * gust_c + gauss(0, 0.03 + 0.1 * opened)
        gust_hpa = 0.93 * gust_hpa + gauss(0, 0.04 + 0.12 * opened)
        temperatures.append(celsius + gust_c)
        vapours.append(min(max(1.5, vapour + gust_hpa), 0.95 * quick_saturation_hpa(celsius + gust_c)))
    return temperatures, vapours


def _windows(minutes: int, chance: Random) -> list[tuple[int, int, float]]:
    """Return (from, to, how wide) of every time the window stands open: most mornings, some evenings, a night now and then."""
    found = []
    for day in range(minutes // DAY):
        for likely, hours, lasts in ((0.7, (6.5, 9.5), (10, 45)), (0.4, (17.0, 20.0), (15, 120)), (0.08, (21.5, 22.5), (400, 560))):
            if chance.random() < likely:
                start = day * DAY + int(60 * chance.uniform(*hours))
                found.append((start, start + chance.randrange(*lasts), chance.uniform(0.3, 1.0)))
    found.sort()
    return found


def planted_air(plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> Air:
    """Carry the plan out under this physics and return the air at the probe, every minute of the room's series.

    An egg box has neither plants nor rain: it stays what it is on the bench.
    """
    if plan.profile == "egg_box":
        return tub_air(plan, room_c, room_hpa, chance)
    gauss, saturation = chance.gauss, quick_saturation_hpa
    held = plan.volume_m3 * 0.734  # grams a hPa
    rest = plan.rest_percent / 100 * saturation(plan.set_c)
    need = plan.vent * max(0.5, rest - sum(room_hpa) / len(room_hpa))  # grams a minute
    bowl = _SHARES["bowl"] * need / max(1.0, saturation(plan.set_c - 1.5) - rest)
    plants = 2 * _SHARES["plants"] * need / max(1.0, saturation(plan.set_c - 0.5) - rest)  # half the day they rest
    wet0 = 0.55  # grams of water a gram of coco
    floor = _SHARES["floor"] * need / max(0.5, 0.97 * saturation(plan.set_c - 1) - rest)
    top_g, deep_g = 60_000 * plan.volume_m3 * 0.25, 60_000 * plan.volume_m3 * 0.75
    top, deep = wet0, wet0
    daily = _SHARES["floor"] * need * DAY
    air = mass = sensed = plan.set_c
    vapour, film, droplets, power = rest, 0.0, 0.0, 0.0
    open_share, heat_leak, filled, mode, stuck = 1.0, 1.0, True, 0, 1.0
    snake_goal = snake = wander_c = wander = 0.0
    on = False
    marks = changes(plan.happenings, len(room_c))
    at = 0
    warm, wet = array("d"), array("d")
    for minute in range(len(room_c)):
        while marks[at][0] <= minute:
            _, begins, h = marks[at]
            at += 1
            if h.what in ("mist", "spill") and begins:
                grams = h.size * daily * (3.0 if h.what == "spill" else 0.6)
                lacking = min(2.0, max(0.0, 1 + 3 * (wet0 - top) / wet0))
                droplets += 0.12 * grams
                film += 0.35 * grams
                top += 0.53 * grams * lacking / top_g
            elif h.what in ("open", "clean"):
                open_share, heat_leak = (40.0, 3.0) if begins else (1.0, 1.0)
            elif h.what == "lid_left":
                open_share, heat_leak = (h.size, 1.0 + h.size / 10) if begins else (1.0, 1.0)
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
        light = _LIGHT[0] <= minute % DAY < _LIGHT[1]
        wanted = plan.set_c if light else plan.night_set_c
        sensed += (air - sensed) / 2
        if mode == 1:
            drive = plan.full_rise_c * stuck
        elif mode == 2:
            drive = 0.0
        elif plan.proportional:
            drive = plan.full_rise_c * min(1.0, max(0.0, (wanted + 0.5 - sensed) / 1.0))
        else:
            on = sensed < wanted + (plan.hysteresis_c if on else -plan.hysteresis_c)
            drive = plan.full_rise_c if on else 0.0
        lamp = 0.35 * plan.full_rise_c if light and mode != 2 else 0.0
        power += (max(drive, lamp) - power) / plan.mat_minutes
        # Towards the wet bulb and no further: the cooler the air, the less it takes; what it does not take settles.
        evaporated = min(0.5 * droplets, 0.25 * held * max(0.0, saturation(air) - vapour))
        droplets = 0.85 * (droplets - evaporated)
        air += 0.6 * (room_c[minute] + power / heat_leak - air) * heat_leak / plan.heat_minutes + (mass - air) / 25
        air -= _DROPLET_COOLING * evaporated / held
        mass += (air - mass) / 300 + (room_c[minute] - mass) / 2500
        full = saturation(air)
        leak = plan.vent * open_share
        leaves = plants * (1.0 if light else 0.12)
        wetting = 2.5 * plan.vent if film > 0 else 0.0
        activity = top / (top + 0.018)
        ground = saturation(0.5 * (air + mass) - 0.8)
        total = held + leak + (bowl if filled else 0.0) + leaves + floor + wetting
        vapour = (
            held * vapour + leak * room_hpa[minute] + (bowl * saturation(0.4 * air + 0.6 * mass - 1.2) if filled else 0.0)
            + leaves * saturation(air - 0.5) + floor * activity * ground + wetting * full + evaporated
        ) / total  # fmt: skip
        vapour = min(vapour, 0.985 * full)
        sinking = 4e-5 * deep_g * (deep - top)
        top = max(0.002, top + (sinking - floor * (activity * ground - vapour)) / top_g)
        deep -= sinking / deep_g
        film = max(0.0, film - wetting * (full - vapour))
        snake += (snake_goal - snake) / 15
        wander_c = 0.85 * wander_c + gauss(0, 0.02 * plan.noise)
        wander = 0.85 * wander + gauss(0, 0.0016 * plan.noise)
        celsius = air + 0.6 * snake + wander_c
        warm.append(celsius)
        wet.append(min(100.0, 100 * vapour * (1 + 0.04 * snake) * (1 + wander) / saturation(celsius)))
    return lagged(warm, wet, plan.lag_seconds)
