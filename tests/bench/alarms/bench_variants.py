"""The same racks under other physics: tubs quicker or slower, other rooms, other heaters, more noise.

A judge that was tuned to one set of constants shows it here. Nothing of what happens to a rack changes, only its nature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

from tests.bench.alarms.bench_air import DAY
from tests.bench.alarms.bench_plan import Happening, RackPlan, TubPlan, kept_apart


def _slow(plan: RackPlan, chance: Random) -> None:
    """Heavy tubs: walls that store heat, floors that hold water, lazy mats, probes that take minutes."""
    for tub in plan.tubs:
        tub.heat_minutes *= chance.uniform(1.6, 2.4)
        tub.mat_minutes *= chance.uniform(1.5, 3)
        tub.surface_capacity *= 2
        tub.deep *= 2
        tub.lag_seconds = chance.uniform(120, 400)


def _quick(plan: RackPlan, chance: Random) -> None:
    """Light tubs: little air, thin floors, quick heat, bare sensors."""
    for tub in plan.tubs:
        tub.heat_minutes *= chance.uniform(0.35, 0.6)
        tub.mat_minutes *= 0.5
        tub.volume_m3 *= 0.5
        tub.surface_capacity *= 0.4
        tub.surface *= 0.6
        tub.lag_seconds = chance.uniform(4, 20)


def _coarse(plan: RackPlan, chance: Random) -> None:
    """Crude thermostats, restless air and noisy probes."""
    for tub in plan.tubs:
        tub.hysteresis_c = min(1.2, tub.hysteresis_c * 1.8)
        tub.proportional = chance.random() < 0.5
        tub.noise = chance.uniform(2, 4)
    plan.room = replace(plan.room, draught=3.0)


def _elsewhere(plan: RackPlan, chance: Random) -> None:
    """Another house: warmer or colder by some degrees, moister or drier, wider days."""
    room = plan.room
    plan.room = replace(
        room, mean_c=room.mean_c + chance.uniform(-2.0, 1.5), swing_c=room.swing_c * chance.uniform(0.4, 2.2),
        outdoor_hpa=room.outdoor_hpa * chance.uniform(0.8, 1.25), gain_hpa=room.gain_hpa * chance.uniform(0.7, 1.3),
    )  # fmt: skip


def _shell(plan: RackPlan, chance: Random) -> None:
    """Another physics altogether: see bench_shell."""
    plan.physics = "shell"


def _vivaria(plan: RackPlan, chance: Random) -> None:
    """Furnished vivaria: mesh tops, lamps that go out at night, wide thermostats or dimmers, misted every day at its hour."""
    room = plan.room
    plan.room = replace(room, swing_c=room.swing_c * chance.uniform(1.5, 2.5), draught=2.0)
    for tub in plan.tubs:
        if tub.profile == "egg_box":
            continue
        grown = chance.uniform(4, 8)
        for name in ("volume_m3", "surface_capacity", "deep_capacity", "deep"):
            setattr(tub, name, getattr(tub, name) * grown)
        airier = chance.uniform(2, 5)
        for name in ("vent", "surface", "film"):
            setattr(tub, name, getattr(tub, name) * airier)
        tub.night_set_c = tub.set_c - chance.uniform(0, 3)
        tub.proportional = chance.random() < 0.4
        tub.hysteresis_c = chance.uniform(0.7, 1.4)
        tub.mat_minutes = chance.uniform(1, 4)
        tub.heat_minutes = chance.uniform(20, 60)
        tub.lag_seconds = chance.uniform(20, 240)
        tub.noise = chance.uniform(1, 2.5)
        _mist_daily(tub, plan.days, chance)


def _mist_daily(tub: TubPlan, days: int, chance: Random) -> None:
    hour, noted = chance.uniform(6.5, 21), chance.random() < 0.5
    busy = kept_apart(tub)
    for day in range(1, days):
        at = day * DAY + int(60 * hour) + chance.randrange(30)
        if all(at < a or at > b for a, b in busy):
            tub.happenings.append(Happening(at, at + 1, "mist", chance.uniform(0.7, 1.8), "misted" if noted else None))
    tub.happenings.sort(key=lambda h: h.start)


def _planted(plan: RackPlan, chance: Random) -> None:
    """Planted vivaria, big, rained on every evening, in an unheated room whose window is opened: see bench_planted."""
    plan.physics = "planted"
    for tub in plan.tubs:
        if tub.profile == "egg_box":
            continue
        tub.volume_m3 *= chance.uniform(5, 10)
        tub.vent *= chance.uniform(2, 4)
        tub.full_rise_c = (tub.set_c - plan.room.mean_c + 6) * chance.uniform(1.6, 2.2) + 3
        tub.night_set_c = tub.set_c - chance.uniform(0, 3)
        tub.proportional = chance.random() < 0.5
        tub.hysteresis_c = chance.uniform(0.3, 1.0)
        tub.mat_minutes = chance.uniform(2, 8)
        tub.heat_minutes = chance.uniform(30, 80)
        tub.lag_seconds = chance.choice([8.0, 30.0, 90.0])
        tub.noise = chance.uniform(0.8, 2.5)
        _rain(tub, plan.days, chance)


def _rain(tub: TubPlan, days: int, chance: Random) -> None:
    """Every evening at its hour: rain once, or fog two or three times within two hours. A machine does it: nobody notes it."""
    hour, bursts = chance.uniform(17, 21), chance.choice([1, 1, 2, 3])
    busy = kept_apart(tub)
    for day in range(1, days):
        for burst in range(bursts):
            at = day * DAY + int(60 * hour) + 45 * burst + chance.randrange(5)
            if all(at < a or at > b for a, b in busy):
                tub.happenings.append(Happening(at, at + 1, "mist", chance.uniform(0.8, 1.2) / bursts))
    tub.happenings.sort(key=lambda h: h.start)


VARIANTS: dict[str, tuple[Callable[[RackPlan, Random], None], ...]] = {
    "drawn": (), "slow": (_slow,), "quick": (_quick,), "coarse": (_coarse,), "elsewhere": (_elsewhere,),
    "all": (_coarse, _elsewhere), "shell": (_shell,), "shell elsewhere": (_shell, _elsewhere),
    "vivaria": (_vivaria,), "planted": (_planted,),
}  # fmt: skip


def vary(plan: RackPlan, variant: str) -> RackPlan:
    """Return the plan under another physics. Raises KeyError for an unknown variant."""
    chance = Random(f"{variant}/{plan.name}/{plan.seed}")
    for change in VARIANTS[variant]:
        change(plan, chance)
    return plan
