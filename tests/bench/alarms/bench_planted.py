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
from collections.abc import Callable
from random import Random

from tests.bench.alarms.bench_air import DAY, RoomPlan, expectation, quick_saturation_hpa
from tests.bench.alarms.bench_loop import Air, Doings, Nature, live
from tests.bench.alarms.bench_plan import Happening, TubPlan
from tests.bench.alarms.bench_tub import tub_air

_LIGHT = (480, 1230)  # minutes of the day
_SHARES = {"bowl": 0.25, "plants": 0.35, "floor": 0.4}  # of the water that leaves with the air, at rest
_DROPLET_COOLING = 0.9  # °C per hPa that droplets give: 1.6 less what glass and soil give back meanwhile
_FLOOR_WATER = 0.55  # grams of water a gram of coco, to begin with
_NATURE = Nature(sensor_minutes=2, band_c=0.5, open_air=40.0, open_heat=3.0, lid_heat=10, snake_minutes=15, keep=0.85)


def window_room(
    plan: RoomPlan, minutes: int, chance: Random, expected_from: int | None = None
) -> tuple[array[float], array[float]]:
    """Return temperature (°C) and vapour pressure (hPa) of an unheated room with a window, every minute.

    From `expected_from` on only the window is left to chance.
    """
    gauss: Callable[[float, float], float] = chance.gauss
    temperatures, vapours = array("d"), array("d")
    front, shift_c, gust_c, gust_hpa = gauss(0, 1), 0.0, 0.0, 0.0
    celsius, vapour = plan.mean_c - 4, plan.outdoor_hpa + 0.7 * plan.gain_hpa
    windows = _windows(minutes, chance)
    at = 0
    for minute in range(minutes):
        if minute == expected_from:
            gauss = expectation
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
        vapour += (outdoor_hpa + plan.gain_hpa * (0.8 + 0.3 * wave) - vapour) / 100 + opened * (
            outdoor_hpa - vapour
        ) / 9
        gust_c = 0.93 * gust_c + gauss(0, 0.03 + 0.1 * opened)
        gust_hpa = 0.93 * gust_hpa + gauss(0, 0.04 + 0.12 * opened)
        temperatures.append(celsius + gust_c)
        vapours.append(min(max(1.5, vapour + gust_hpa), 0.95 * quick_saturation_hpa(celsius + gust_c)))
    return temperatures, vapours


def _windows(minutes: int, chance: Random) -> list[tuple[int, int, float]]:
    """Return (from, to, how wide) of every time the window stands open: most mornings, some evenings, a night now and then."""
    found = []
    for day in range(minutes // DAY):
        for likely, hours, lasts in (
            (0.7, (6.5, 9.5), (10, 45)),
            (0.4, (17.0, 20.0), (15, 120)),
            (0.08, (21.5, 22.5), (400, 560)),
        ):
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
    return live(plan, _NATURE, _Vivarium(plan, room_c, room_hpa), len(room_c), chance)


class _Vivarium:
    """Air and a heavy mass, plants, a thick floor, droplets and a film."""

    def __init__(self, plan: TubPlan, room_c: array[float], room_hpa: array[float]) -> None:
        self._plan, self._room_c, self._room_hpa = plan, room_c, room_hpa
        saturation = quick_saturation_hpa
        self._held = plan.volume_m3 * 0.734  # grams a hPa
        rest = plan.rest_percent / 100 * saturation(plan.set_c)
        need = plan.vent * max(0.5, rest - sum(room_hpa) / len(room_hpa))  # grams a minute
        self._bowl = _SHARES["bowl"] * need / max(1.0, saturation(plan.set_c - 1.5) - rest)
        self._plants = (
            2 * _SHARES["plants"] * need / max(1.0, saturation(plan.set_c - 0.5) - rest)
        )  # half the day they rest
        self._floor = _SHARES["floor"] * need / max(0.5, 0.97 * saturation(plan.set_c - 1) - rest)
        self._top_g, self._deep_g = 60_000 * plan.volume_m3 * 0.25, 60_000 * plan.volume_m3 * 0.75
        self._top = self._deep = _FLOOR_WATER
        self._daily = _SHARES["floor"] * need * DAY
        self.air = self._mass = plan.set_c
        self._vapour, self._film, self._droplets, self._power = rest, 0.0, 0.0, 0.0

    def happens(self, h: Happening, begins: bool) -> None:
        """Take rain, fog and spills."""
        if h.what in ("mist", "spill") and begins:
            grams = h.size * self._daily * (3.0 if h.what == "spill" else 0.6)
            lacking = min(2.0, max(0.0, 1 + 3 * (_FLOOR_WATER - self._top) / _FLOOR_WATER))
            self._droplets += 0.12 * grams
            self._film += 0.35 * grams
            self._top += 0.53 * grams * lacking / self._top_g

    def step(self, minute: int, drive: float, doings: Doings) -> None:
        """Go on by a minute. The lamp is on all day, whatever the thermostat says, unless the plug is out."""
        light = _LIGHT[0] <= minute % DAY < _LIGHT[1]
        lamp = 0.35 * self._plan.full_rise_c if light and doings.mode != 2 else 0.0
        self._power += (max(drive, lamp) - self._power) / self._plan.mat_minutes
        evaporated = self._warm(minute, doings.heat_leak)
        self._moisten(minute, evaporated, doings, 1.0 if light else 0.12)

    def _warm(self, minute: int, heat_leak: float) -> float:
        """Move the heat and let droplets evaporate; return how much of them did, grams."""
        # Towards the wet bulb and no further: the cooler the air, the less it takes; what it does not take settles.
        evaporated = min(
            0.5 * self._droplets, 0.25 * self._held * max(0.0, quick_saturation_hpa(self.air) - self._vapour)
        )
        self._droplets = 0.85 * (self._droplets - evaporated)
        outside = self._room_c[minute]
        self.air += (
            0.6 * (outside + self._power / heat_leak - self.air) * heat_leak / self._plan.heat_minutes
            + (self._mass - self.air) / 25
        )
        self.air -= _DROPLET_COOLING * evaporated / self._held
        self._mass += (self.air - self._mass) / 300 + (outside - self._mass) / 2500
        return evaporated

    def _moisten(self, minute: int, evaporated: float, doings: Doings, awake: float) -> None:
        """Solve the balance of the vapour and let the floor give and take; awake: how much of the plants' water they give."""
        saturation, air, mass = quick_saturation_hpa, self.air, self._mass
        full = saturation(air)
        leak = self._plan.vent * doings.open_share
        bowl = self._bowl if doings.filled else 0.0
        leaves = self._plants * awake
        wetting = 2.5 * self._plan.vent if self._film > 0 else 0.0
        activity = self._top / (self._top + 0.018)
        ground = saturation(0.5 * (air + mass) - 0.8)
        total = self._held + leak + bowl + leaves + self._floor + wetting
        vapour = (
            self._held * self._vapour + leak * self._room_hpa[minute] + bowl * saturation(0.4 * air + 0.6 * mass - 1.2)
            + leaves * saturation(air - 0.5) + self._floor * activity * ground + wetting * full + evaporated
        ) / total  # fmt: skip
        self._vapour = vapour = min(vapour, 0.985 * full)
        sinking = 4e-5 * self._deep_g * (self._deep - self._top)
        self._top = max(0.002, self._top + (sinking - self._floor * (activity * ground - vapour)) / self._top_g)
        self._deep -= sinking / self._deep_g
        self._film = max(0.0, self._film - wetting * (full - vapour))

    def at_probe(self, snake: float, unrest_c: float, unrest: float) -> tuple[float, float]:
        """Return what the probe has about it."""
        celsius = self.air + 0.6 * snake + unrest_c
        return celsius, 100 * self._vapour * (1 + 0.04 * snake) * (1 + unrest) / quick_saturation_hpa(celsius)
