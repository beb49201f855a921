"""Racks for the insight bench: the alarm bench's three physics, with one thing done at a known moment.

The same air is simulated with and without it, from the same chances, so what it did is known exactly.
"""

from __future__ import annotations

from array import array
from copy import deepcopy
from dataclasses import dataclass
from random import Random

import numpy as np
from tests.bench.alarms.bench_air import DAY, RoomPlan, humidity_percent, room_air
from tests.bench.alarms.bench_loop import Air
from tests.bench.alarms.bench_plan import MAKES, Happening, Physics, TubPlan, plan_rack
from tests.bench.alarms.bench_planted import planted_air, window_room
from tests.bench.alarms.bench_shell import shell_air
from tests.bench.alarms.bench_tub import tub_air

from dewkeeper.insight.hours import Deed
from dewkeeper.insight.series import Gathering, Numbers, Series, saturation

START = 1_735_689_600
PHYSICS = {"tub": (room_air, tub_air), "shell": (room_air, shell_air), "planted": (window_room, planted_air)}
LEFT_OUT = ("egg boxes", "rounded")
HARMLESS = ("mist", "open", "clean", "snake", "spill")
UPKEEP = frozenset(
    ["misted", "opened", "fed", "handled", "refilled", "spot_cleaned", "weighed", "cleaned", "disinfected"]
)


@dataclass(slots=True)
class World:
    """One rack of a make: its room and tubs, whose happenings are those of everyday keeping."""

    make: str
    seed: int
    physics: Physics
    room_plan: RoomPlan
    room_c: array[float]
    room_hpa: array[float]
    tubs: list[TubPlan]

    def air(self, tub: TubPlan, room_hpa: array[float] | None = None) -> Air:
        """Return a tub's air, as an ideal probe reads it, minute by minute."""
        chance = Random(f"{tub.name}/{self.seed}")
        return PHYSICS[self.physics][1](tub, self.room_c, room_hpa or self.room_hpa, chance)

    def expected(self, tub: TubPlan, at: int) -> Air:
        """Return a tub's air if the weather from a minute on is what its past lets expect: nobody could forecast it better."""
        room_c, room_hpa = _room(self.physics, self.room_plan, len(self.room_c), self.make, self.seed, at)
        return PHYSICS[self.physics][1](tub, room_c, room_hpa, Random(f"{tub.name}/{self.seed}"))

    def room(self, room_hpa: array[float] | None = None) -> Series:
        """Return the room as its probe reads it."""
        pairs = zip(room_hpa or self.room_hpa, self.room_c, strict=True)
        percent = array("d", (humidity_percent(vapour, warm) for vapour, warm in pairs))
        return read(Air(self.room_c, percent), Random(f"room/{self.make}/{self.seed}"))


def _room(
    physics: Physics, plan: RoomPlan, minutes: int, make: str, seed: int, expected_from: int | None = None
) -> tuple[array[float], array[float]]:
    return PHYSICS[physics][0](plan, minutes, Random(f"{make}/{seed}/room"), expected_from)


def worlds(seed: int, physics: Physics, days: int, tubs: int, only: str = "") -> list[World]:
    """Return a rack of every make, or of one."""
    found = []
    for make in MAKES:
        if make.name in LEFT_OUT or only not in ("", make.name):
            continue
        plan = plan_rack(make, seed, days, tubs)
        room_c, room_hpa = _room(physics, plan.room, days * DAY, make.name, seed)
        for tub in plan.tubs:
            tub.happenings = [h for h in tub.happenings if h.what in HARMLESS and (h.word is None or h.word in UPKEEP)]
        found.append(World(make.name, seed, physics, plan.room, room_c, room_hpa, plan.tubs))
    return found


def read(
    air: Air,
    chance: Random,
    offset_c: float = 0.0,
    offset_percent: float = 0.0,
    ages: tuple[float, float] | None = None,
) -> Series:
    """Return what a probe makes of the air: the data sheet's noise, and its own offsets.

    ages: from which day it drifts, and by how many %RH a day; such a probe also creeps, by no formula of the daemon's:
    3 %RH too much after 60 h above 80 %RH, gone again in five days.
    """
    gathered, creep = Gathering(), 0.0
    for minute, (warm, humidity) in enumerate(zip(air.temperature, air.humidity, strict=True)):
        percent = humidity + offset_percent + chance.gauss(0, 0.06)
        if ages is not None:
            creep = min(3.0, creep + 3 / 3600) if humidity > 80 else max(0.0, creep - 3 / 7200)
            percent += creep + ages[1] * max(0.0, minute / DAY - ages[0])
        gathered.add(START + 60 * minute, warm + offset_c + chance.gauss(0, 0.02), min(100.0, max(0.5, percent)))
    return gathered.series()


def deeds(tub: TubPlan) -> list[Deed]:
    """Return what the journal says of a tub: six of ten deeds, as the plan has it."""
    return [Deed(START + 60 * h.start, h.word) for h in tub.happenings if h.word]


def with_happening(tub: TubPlan, *more: Happening) -> TubPlan:
    """Return the same tub to which something more happens."""
    other = deepcopy(tub)
    other.happenings = sorted([*other.happenings, *more], key=lambda h: h.start)
    return other


def daily_vapour(air: Air) -> Numbers:
    """Return the mean vapour pressure of every day, hPa, of every fifth minute."""
    warm, humidity = np.array(air.temperature[::5]), np.array(air.humidity[::5])
    vapour: Numbers = (humidity / 100 * saturation(warm)).reshape(-1, 288).mean(axis=1)
    return vapour


__all__ = ["DAY", "START", "Happening", "World", "daily_vapour", "deeds", "read", "with_happening", "worlds"]
