"""Whether drying constants are right, on simulated tubs: `PYTHONPATH=. python tests/bench/insight/insight_constants.py`.

What is true is taken from the air itself and not from a fit: the same tub is simulated from the same chances with and
without each misting, and the vapour by which the two differ is watched falling. From its crest to 1/e of it is one
constant, from there to 1/e again another; an enclosure has the range of both. Where they differ by more than a factor of
two no single constant describes it. Seeds 1 to 99 are for tuning, 101 to 199 for judging.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from math import e
from random import Random

import numpy as np
from tests.bench.alarms.bench_plan import Physics, TubPlan
from tests.bench.insight.insight_worlds import PHYSICS, World, deeds, read, with_happening, worlds

from dewkeeper.insight.decay import DryingConstant, drying_constant
from dewkeeper.insight.series import Numbers, saturation

DAYS = 24
NEAR = 0.1
"""How far from the true range is still right (goal: a tenth)."""
UNDEFINED = 2.0
_WINDOW_MINUTES = 24 * 60
_SMOOTHED_MINUTES = 15


def constants(seeds: range, physics: Physics) -> Counter[str]:
    """Return how many tubs were told a constant, how many rightly, and the same of those that have none of their own."""
    found: Counter[str] = Counter()
    for seed in seeds:
        for world in worlds(seed, physics, DAYS, 3):
            room = world.room()
            for index, tub in enumerate(world.tubs):
                series = read(world.air(tub), Random(seed + index), tub.offset_c, tub.offset_percent)
                answer = drying_constant(series, room, deeds(tub))
                true = _true_range(world, tub)
                if true is None:
                    found["without a misting that is left alone"] += 1
                    continue
                defined = "defined" if true[1] <= UNDEFINED * true[0] else "undefined"
                found[defined] += 1
                if isinstance(answer, DryingConstant):
                    found[f"{defined}, told"] += 1
                    near = true[0] * (1 - NEAR) <= answer.hours <= true[1] * (1 + NEAR)
                    found[f"{defined}, told right"] += near
                    found[f"{defined}, interval meets the range"] += answer.low <= true[1] and answer.high >= true[0]
    return found


def _true_range(world: World, tub: TubPlan) -> tuple[float, float] | None:
    """Return the shortest and longest constant of a tub, hours: medians over its mistings; None where none is left alone."""
    with_all = _vapour(world, tub)
    pairs = []
    for misting in [h for h in tub.happenings if h.what == "mist"]:
        after = min(
            (h.start for h in tub.happenings if h.start > misting.start + 10), default=misting.start + _WINDOW_MINUTES
        )
        end = min(after, misting.start + _WINDOW_MINUTES, len(with_all))
        other = with_happening(tub)
        other.happenings = [h for h in other.happenings if h != misting]
        pair = _folds(with_all[misting.start : end] - _vapour(world, other)[misting.start : end])
        if pair is not None:
            pairs.append(pair)
    if not pairs:
        return None
    first, second = np.median(np.array(pairs), axis=0) / 60
    return float(min(first, second)), float(max(first, second))


def _vapour(world: World, tub: TubPlan) -> Numbers:
    air = world.air(tub)
    vapour: Numbers = np.array(air.humidity) / 100 * saturation(np.array(air.temperature))
    return vapour


def _folds(excess: Numbers) -> tuple[float, float] | None:
    """Return the minutes in which an excess falls from nine tenths of its crest to 1/e of that, and again; None if it does not."""
    if len(excess) < 4 * _SMOOTHED_MINUTES:
        return None
    smooth = np.convolve(excess, np.ones(_SMOOTHED_MINUTES) / _SMOOTHED_MINUTES, "valid")
    top = float(smooth.max())
    if top <= 0:
        return None
    begin = int(np.flatnonzero(smooth >= 0.9 * top)[-1])
    falls = []
    for level in (0.9 * top / e, 0.9 * top / e**2):
        below = np.flatnonzero(smooth[begin:] < level)
        if not len(below):
            return None
        falls.append(float(below[0]))
    return falls[0], falls[1] - falls[0]


def main() -> int:
    """Print what came of them."""
    parser = argparse.ArgumentParser(description="Measure drying constants on simulated tubs.")
    parser.add_argument("--first-seed", type=int, default=101)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--physics", choices=tuple(PHYSICS), default="tub")
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    counts = constants(seeds, args.physics)
    sys.stdout.write(f"drying constants, physics {args.physics}, seeds {seeds.start} to {seeds.stop - 1}, simulated\n")
    sys.stdout.writelines(f"  {name}: {count}\n" for name, count in sorted(counts.items()))
    return 0


if __name__ == "__main__":
    sys.exit(main())
