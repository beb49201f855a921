"""The air of one tub, minute by minute, from its plan: heat, vapour, and what an ideal probe in it would read.

Heat: a mat or lamp with its own inertia warms the air, the room cools it, a thermostat with a lag switches or
modulates. Vapour: the air exchanges with the room through its leaks, with an open bowl, with a film of water after a
misting, and with a floor of two stores, a quick surface and a slow depth, that give water up when warmed and take it
back when cooled. Air holds so little water that its balance is solved implicitly every minute.
"""

from __future__ import annotations

from array import array
from random import Random

from tests.bench.alarms.bench_air import quick_saturation_hpa
from tests.bench.alarms.bench_loop import Air, Doings, Nature, live
from tests.bench.alarms.bench_plan import Happening, TubPlan

_GRAMS_PER_HPA_M3 = 0.734  # vapour density per pressure, referred to 22 °C
_MIST_GRAMS_PER_VENT = 2400  # a misting is chosen so that its film lasts about an hour or two, leaky or tight


_NATURE = Nature(sensor_minutes=3, band_c=0.6, open_air=60.0, open_heat=4.0, lid_heat=12, snake_minutes=10, keep=0.82)


def tub_air(plan: TubPlan, room_c: array[float], room_hpa: array[float], chance: Random) -> Air:
    """Carry the plan out and return the air at the probe, every minute of the room's series."""
    return live(plan, _NATURE, _Tub(plan, room_c, room_hpa), len(room_c), chance)


def _bowl_for(plan: TubPlan, room_c: array[float], room_hpa: array[float]) -> float:
    """Return the bowl's conductance that holds the tub at its resting humidity in the room's mean air."""
    rest = plan.rest_percent / 100 * quick_saturation_hpa(plan.set_c)
    room = sum(room_hpa) / len(room_hpa)
    return max(0.0, plan.vent * (rest - room) / (quick_saturation_hpa(plan.set_c - 1) - rest))


class _Tub:
    """One air node, a quick mat, and water activities with constant capacities."""

    def __init__(self, plan: TubPlan, room_c: array[float], room_hpa: array[float]) -> None:
        self._plan, self._room_c, self._room_hpa = plan, room_c, room_hpa
        self._bowl = _bowl_for(plan, room_c, room_hpa)
        self._held = plan.volume_m3 * _GRAMS_PER_HPA_M3
        self.air = plan.set_c
        self._mat = plan.set_c - room_c[0]
        self._vapour = plan.rest_percent / 100 * quick_saturation_hpa(plan.set_c)
        self._surface = self._deep = plan.rest_percent / 100
        self._film = 0.0

    def happens(self, h: Happening, begins: bool) -> None:
        """Take what wets it, and a clean-out, which brings a new floor."""
        plan = self._plan
        if h.what == "mist" and begins:
            self._film += _MIST_GRAMS_PER_VENT * plan.vent * h.size
            self._surface = min(0.98, self._surface + 0.06 * h.size)
        elif h.what == "clean":
            self._film = 0.0
            self._surface = self._deep = plan.rest_percent / 100 * (1 + 0.06 * (h.size - 1))
        elif h.what == "spill" and begins:
            self._film += 8 * _MIST_GRAMS_PER_VENT * plan.vent * h.size
            self._surface = min(0.98, self._surface + 0.2 * h.size)

    def step(self, minute: int, drive: float, doings: Doings) -> None:
        """Go on by a minute; the balance of the vapour is solved, not stepped."""
        plan, saturation, heat_leak = self._plan, quick_saturation_hpa, doings.heat_leak
        self._mat += (drive - self._mat) / plan.mat_minutes
        self.air += (self._room_c[minute] + self._mat / heat_leak - self.air) * (heat_leak / plan.heat_minutes)
        full = saturation(self.air)
        leak = plan.vent * doings.open_share
        water = self._bowl if doings.filled else 0.0
        wetting = plan.film if self._film > 0 else 0.0
        total = self._held + leak + water + plan.surface + wetting
        vapour = (
            self._held * self._vapour
            + leak * self._room_hpa[minute]
            + water * saturation(self.air - 1)
            + (plan.surface * self._surface + wetting) * full
        ) / total
        self._vapour = vapour = min(vapour, 0.985 * full)
        given = plan.surface * (self._surface * full - vapour)
        sinking = plan.deep * (self._deep - self._surface)
        self._surface = min(1.0, max(0.02, self._surface + (sinking - given) / plan.surface_capacity))
        self._deep -= sinking / plan.deep_capacity
        if wetting:
            self._film = max(0.0, self._film - wetting * (full - vapour))

    def at_probe(self, snake: float, unrest_c: float, unrest: float) -> tuple[float, float]:
        """Return what the probe has about it."""
        celsius = self.air + 0.8 * snake + unrest_c
        vapour = self._vapour * (1 + 0.05 * snake) * (1 + unrest)
        return celsius, 100 * vapour / quick_saturation_hpa(celsius)
