"""The same racks under other physics: tubs quicker or slower, other rooms, other heaters, more noise.

A judge that was tuned to one set of constants shows it here. Nothing of what happens to a rack changes, only its nature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

from tests.bench.alarms.bench_plan import RackPlan


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
    plan.shell = True


VARIANTS: dict[str, tuple[Callable[[RackPlan, Random], None], ...]] = {
    "drawn": (), "slow": (_slow,), "quick": (_quick,), "coarse": (_coarse,), "elsewhere": (_elsewhere,),
    "all": (_coarse, _elsewhere), "shell": (_shell,), "shell elsewhere": (_shell, _elsewhere),
}  # fmt: skip


def vary(plan: RackPlan, variant: str) -> RackPlan:
    """Return the plan under another physics. Raises KeyError for an unknown variant."""
    chance = Random(f"{variant}/{plan.name}/{plan.seed}")
    for change in VARIANTS[variant]:
        change(plan, chance)
    return plan
