"""Measure what insight says against racks of which the truth is known: `PYTHONPATH=. python tests/bench/insight/insight_bench.py`.

Seeds 1 to 99 are for tuning, 101 to 199 for judging; figures are reported of judging seeds only. All simulated.
"""

from __future__ import annotations

import argparse
import sys
from array import array
from collections import Counter
from random import Random

import numpy as np
from tests.bench.alarms.bench_plan import Physics
from tests.bench.insight.insight_worlds import (
    DAY,
    START,
    Happening,
    World,
    daily_vapour,
    deeds,
    read,
    with_happening,
    worlds,
)

from dewkeeper.insight.attribution import Account, account
from dewkeeper.insight.compared import Compared
from dewkeeper.insight.effect import Effect, effect
from dewkeeper.insight.facts import probe_fact
from dewkeeper.insight.forecast import Forecast, forecast
from dewkeeper.insight.hours import Deed, hours_of
from dewkeeper.insight.learning import WasRead, probes
from dewkeeper.insight.series import Numbers
from dewkeeper.judge.checks.drift import drifted

CAUSES = ("temperature", "room", "added", "moisture")


def say(text: str) -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")


def causes(seeds: range, physics: Physics) -> Counter[tuple[bool, str, str]]:
    """Return how often each true cause was called what: (whether the beginning was given, true, told)."""
    found: Counter[tuple[bool, str, str]] = Counter()
    for seed in seeds:
        for world in worlds(seed, physics, 24, 3):
            for index in range(len(world.tubs)):
                found.update(_one_cause(world, index))
    return found


def _one_cause(world: World, index: int) -> list[tuple[bool, str, str]]:
    dice = Random(f"cause/{world.make}/{world.seed}/{index}")
    what = dice.choice(CAUSES)
    begin = 20 * DAY + dice.randrange(2 * DAY)
    to = begin + dice.randrange(*{"added": (20, 120), "room": (300, 1200)}.get(what, (150, 1200)))
    tub = world.tubs[index]
    tub.happenings = [h for h in tub.happenings if not begin - 300 < h.start < to + 60]
    changed, room_hpa = tub, world.room_hpa
    if what == "temperature":
        changed = with_happening(tub, Happening(begin, to + 10, dice.choice(("heater_lost", "heater_stuck")), 1.0))
    elif what == "added":
        changed = with_happening(
            tub, Happening(begin, begin + 1, "mist", dice.uniform(0.6, 1.6), dice.choice((None, "misted")))
        )
    elif what == "moisture":
        changed = with_happening(tub, Happening(begin, to + 10, "bowl_dry", dice.choice((1.0, 3.0, 5.0))))
    else:
        step = dice.choice((-1, 1)) * dice.uniform(2, 5)
        step = abs(step) if min(room_hpa[begin : to + 10]) + step < 2 else step
        ramp = dice.choice((10, 120, 400))
        room_hpa = array("d", (e + step * min(1.0, max(0, m - begin + 1) / ramp) for m, e in enumerate(room_hpa)))
    with_it, without = world.air(changed, room_hpa), world.air(tub)
    last = 60 if to - begin > 120 else 10
    moved, anyway = (
        float(np.mean(air.humidity[to - last : to]) - np.mean(air.humidity[begin - 60 : begin]))
        for air in (with_it, without)
    )
    if abs(moved) < 2.5 or abs(anyway) > 0.3 * abs(moved):
        return []  # nothing to ask about, or more than one thing at work
    series = read(with_it, Random(world.seed * 77 + index), tub.offset_c, tub.offset_percent)
    told: list[tuple[bool, str, str]] = []
    for given in (True, False):
        answer = account(
            series, world.room(room_hpa), deeds(changed), START + 60 * to, START + 60 * begin if given else None
        )
        named = answer.cause if isinstance(answer, Account) else None
        told.append((given, what, named or "withheld"))
    return told


def forecasts(seeds: range, physics: Physics) -> list[tuple[float, ...]]:
    """Return, forecast by forecast: misses of own, persistence, regression; inside; widths; limit's outcome; the ideal's.

    From the moment of the forecast on nobody does anything to the tub, which is what is forecast.
    """
    rows: list[tuple[float, ...]] = []
    for seed in seeds:
        for world in worlds(seed, physics, 34, 2):
            for index, tub in enumerate(world.tubs):
                dice = Random(f"forecast/{world.make}/{seed}/{index}")
                at = 29 * DAY + dice.randrange(DAY)
                tub.happenings = [h for h in tub.happenings if h.start < at]
                air = world.air(tub)
                series = read(air, Random(seed * 77 + index), tub.offset_c, tub.offset_percent)
                moment = START + 60 * at
                hours = hours_of(series.until(moment), world.room(), deeds(tub), moment, 42 * 24)
                now = float(hours.humidity[-1])
                limit = now - dice.choice((1, 2, 3, 5))
                found = forecast(hours, limit, 72)
                if not isinstance(found, Forecast):
                    continue
                later, ideal = (
                    np.array(one.humidity[at : at + 72 * 60]).reshape(72, 60).mean(axis=1) + tub.offset_percent
                    for one in (air, world.expected(tub, at))
                )
                past = hours.humidity
                known = [k for k in range(24, len(past) - 13) if np.isfinite(past[k]) and np.isfinite(past[k + 12])]
                line = np.polyfit(past[known], past[[k + 12 for k in known]], 1)
                spread = past[[k + 12 for k in known]] - np.polyval(line, past[known])
                left, ideally = _leaves(later, limit), _leaves(ideal, limit)
                rows.append((
                    abs(found.middle[11] - later[11]), abs(now - later[11]), abs(float(np.polyval(line, now)) - later[11]),
                    float(found.low[11] <= later[11] <= found.high[11]), found.high[11] - found.low[11],
                    float(np.quantile(spread, 0.9) - np.quantile(spread, 0.1)),
                    float(found.leaves is None), float(left < 72),
                    float(found.earliest - 0.5 <= left <= found.latest + 0.5), found.latest - found.earliest,
                    abs(float(ideal[11] - later[11])), float(ideally == 72), abs(ideally - left),
                ))  # fmt: skip
    return rows


def _leaves(humidity: Numbers, limit: float) -> float:
    """Return after how many hours hourly means fall below a limit, 72 for not within three days."""
    below = np.flatnonzero(humidity < limit)
    return float(below[0]) + 0.5 if len(below) else 72.0


def effects(seeds: range, physics: Physics) -> Counter[str]:
    """Return counts of comparisons, of true effects within the interval, of placebos called real, of large ones found."""
    found: Counter[str] = Counter()
    for seed in seeds:
        for world in worlds(seed, physics, 44, 4):
            dice = Random(f"effect/{world.make}/{seed}")
            at = 22 * DAY + dice.randrange(8 * 60, 20 * 60)
            share = dice.choice((1.0, 1.0, 0.7, 1.5, 0.4, 0.2))
            first = world.tubs[0]
            # An opened lid would end what is done to its vents, in this physics: none before either, or that were a change too.
            first.happenings = [h for h in first.happenings if h.what not in ("open", "clean")]
            changed = with_happening(first, Happening(at, 44 * DAY - 10, "blocked", share)) if share != 1.0 else first
            air, plain = world.air(changed), world.air(first)
            true = float((daily_vapour(air) - daily_vapour(plain))[at // DAY + 1 :].mean())
            tubs = {"0": read(air, Random(seed), first.offset_c, first.offset_percent)}
            for index, tub in enumerate(world.tubs[1:], 1):
                tubs[str(index)] = read(world.air(tub), Random(seed + index), tub.offset_c, tub.offset_percent)
            done = {str(i): deeds(tub) for i, tub in enumerate(world.tubs)}
            done["0"] = sorted([*done["0"], Deed(START + 60 * at, "mesh_cover_changed")])
            answer = effect("0", START + 60 * at, tubs, world.room(), done)
            if not isinstance(answer, Effect):
                found["withheld"] += 1
                continue
            real = answer.low > 0 or answer.high < 0
            found["compared"] += 1
            found["held"] += answer.low <= true <= answer.high
            if share == 1.0:
                found["placebos"] += 1
                found["placebos called real"] += real
            elif abs(true) > 2.1:  # 5 %RH at 30 °C
                found["large"] += 1
                found["large found"] += real and (answer.hpa > 0) == (true > 0)
    return found


def drifts(seeds: range, physics: Physics) -> Counter[str]:
    """Return how many drifting probes were found within 30 days of 3 %RH, how many healthy ones were blamed, and days watched.

    One probe of each rack drifts; a pass is made every second day, six weeks of readings at a time, what is older is kept.
    """
    found: Counter[str] = Counter()
    for seed in seeds:
        for world in worlds(seed, physics, 150, 4):
            dice = Random(f"drift/{world.make}/{seed}")
            rate, since = dice.choice((-1, 1)) * dice.uniform(0.06, 0.3), dice.uniform(25, 60)
            until = int(min(150, since + 3 / abs(rate) + 30))
            tubs = {
                str(i): read(
                    world.air(tub), Random(seed * 77 + i), tub.offset_c, tub.offset_percent, (since, 0 if i else rate)
                )
                for i, tub in enumerate(world.tubs)
            }
            done = {str(i): deeds(tub) for i, tub in enumerate(world.tubs)}
            room, kept = world.room(), dict[str, Compared]()
            told: set[str] = set()
            for day in range(20, until + 1, 2):
                at = START + 86400 * day
                lately = {name: tub.since(at - 42 * 86400) for name, tub in tubs.items()}
                kept, wrong, _ = probes(WasRead(lately, {"r": room}, dict.fromkeys(tubs, "r"), done, kept), at)
                told |= {name for name, error in wrong.items() if drifted(probe_fact(error, at))}
            found["drifting"] += 1
            found["found"] += "0" in told
            found["blamed"] += len(told - {"0"})
            found["healthy days"] += until * (len(tubs) - 1)
    return found


def main() -> int:
    """Run the parts asked for and print what came of them."""
    parser = argparse.ArgumentParser(description="Measure insight on simulated racks.")
    parser.add_argument("--first-seed", type=int, default=101)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--physics", choices=("tub", "shell", "planted"), default="tub")
    parser.add_argument("parts", nargs="*", default=["causes", "forecasts", "effects"])
    args = parser.parse_args()
    seeds = range(args.first_seed, args.first_seed + args.seeds)
    say(f"insight bench, physics {args.physics}, seeds {seeds.start} to {seeds.stop - 1}, simulated")
    if "causes" in args.parts:
        counts = causes(seeds, args.physics)
        for given in (True, False):
            mine = {key[1:]: count for key, count in counts.items() if key[0] == given}
            told = sum(count for (_, named), count in mine.items() if named != "withheld")
            right = sum(count for (true, named), count in mine.items() if true == named)
            rooms = sum(count for (true, _), count in mine.items() if true == "room")
            say(
                f"cause, beginning {'given' if given else 'found'}: {told} of {sum(mine.values())} told, {right} right;"
                f" the room named in {mine.get(('room', 'room'), 0)} of {rooms}"
            )
    if "forecasts" in args.parts:
        rows = np.array(forecasts(seeds, args.physics))
        own, still, line = np.median(rows[:, :3], axis=0)
        holds = rows[:, 6] > 0
        say(
            f"12 h ahead: {len(rows)} told; median miss {own:.2f} %RH, persistence {still:.2f}, regression {line:.2f};"
            f" interval holds {rows[:, 3].mean():.0%}, {np.median(rows[:, 4]):.1f} wide, regression's {np.median(rows[:, 5]):.1f}"
        )
        say(
            f"limit within 72 h: {(~holds).sum()} times said to be left, interval holds {rows[~holds, 8].mean():.0%},"
            f" {np.median(rows[~holds, 9]):.0f} h wide; {holds.sum()} times said to hold, wrong {int(rows[holds, 7].sum())} times"
        )
        stays = rows[:, 11] > 0
        say(
            f"the physics itself run on with the weather to be expected: 12 h {np.median(rows[:, 10]):.2f} %RH; of the same limits"
            f" four of five within {np.quantile(rows[~holds, 12], 0.8):.0f} h of its one moment;"
            f" would say {stays.sum()} times to hold, wrong {int(rows[stays, 7].sum())} times"
        )
    if "drifts" in args.parts:
        drift = drifts(seeds, args.physics)
        years = drift["healthy days"] / 365
        say(
            f"drift: {drift['found']} of {drift['drifting']} found within 30 days of 3 %RH;"
            f" {drift['blamed']} healthy probes blamed in {years:.1f} tub-years"
        )
    if "effects" in args.parts:
        counts_of = effects(seeds, args.physics)
        say("effects: " + ", ".join(f"{name} {count}" for name, count in sorted(counts_of.items())))
    return 0


if __name__ == "__main__":
    sys.exit(main())
