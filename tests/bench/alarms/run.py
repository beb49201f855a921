"""Measure the judge on simulated racks and print a table: `python tests/bench/alarms/run.py --tub-years 15 --jobs 2`.

Simulated tub-years are never field results; they say what the judge does with physics nobody tuned it on. Exit code
0 when every goal is met, 1 when one is missed, 2 for bad usage.

Seeds 1 to 99 are for tuning: look at their cases as you like, and report none of their figures. Seeds 101 to 199 are for
judging: report their table, do not mend a case of theirs. Whoever does mend one takes it out here and judges by others.
Judging seeds used so far: 101 to 128 (1 December 2026), the newest in DEVELOPERS.md. 118 and 125 were looked at since, and mended by.
"""

from __future__ import annotations

import argparse
import csv
import io
import platform
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[3]))  # run as a program, the repository is not on the path

from tests.bench.alarms.bench_drive import CYCLE_COST_MINUTES, Run, run
from tests.bench.alarms.bench_overheat import Ramp, drill
from tests.bench.alarms.bench_plan import MAKES, NAMED_WITHIN_MINUTES, RackPlan, plan_rack
from tests.bench.alarms.bench_score import Tally
from tests.bench.alarms.bench_variants import VARIANTS, vary

SHOWN_CASES = 12
TUNING, JUDGING = range(1, 100), range(101, 200)


def plans(tub_years: float, seed: int, variant: str = "drawn") -> list[RackPlan]:
    """Take whole racks in the order of `MAKES`, then again with the next seed, until the tub-years are reached.

    For less than the whole set every make is taken, with fewer days, so that no kind of rack is left out.
    """
    whole = sum(make.tubs * make.days for make in MAKES) / 365.25
    if tub_years < whole - 0.5:
        share = tub_years / whole
        return [vary(plan_rack(make, seed, max(4, round(make.days * share))), variant) for make in MAKES]
    found: list[RackPlan] = []
    while sum(plan.tub_years for plan in found) < tub_years:
        found.append(vary(plan_rack(MAKES[len(found) % len(MAKES)], seed + len(found) // len(MAKES)), variant))
    return found


def say(text: str = "") -> None:
    """Print a line."""
    sys.stdout.write(text + "\n")


def csv_rows_per_second(rows: int = 100_000) -> float:
    """Return how fast Python's csv module merely reads a readings file, rows a second of processor time."""
    line = "2025-01-06T{:02d}:{:02d}:00Z,tub_07,29.{:03d},63.{:03d}\n"
    text = "".join(line.format(i % 24, i % 60, i % 1000, i % 997) for i in range(rows))
    began = time.process_time()
    read = sum(1 for _ in csv.reader(io.StringIO(text)))
    return read / (time.process_time() - began)


def zero(count: int, tub_years: float) -> str:
    """Write a rate per tub-year; none seen in n years shows only that it is at most 3/n (rule of three)."""
    return f"{count / tub_years:.2f}" if count else f"0 seen, so ≤ {3 / tub_years:.2f}"


def share(part: int, whole: int) -> str:
    """Write a part of a whole in numbers and percent."""
    return f"{part}/{whole}" + (f" = {100 * part / whole:.1f} %" if whole else "")


def table(tallies: dict[str, Tally], tub_years: float) -> list[str]:
    """Return the Markdown table of what each judge did."""
    names = list(tallies)
    lines = [f"| | goal | {' | '.join(names)} |", "| --- | --- |" + " --- |" * len(names)]

    def add(label: str, goal: str, cells: list[str]) -> None:
        lines.append(f"| {label} | {goal} | {' | '.join(cells)} |")

    counts = [tally.counts for tally in tallies.values()]
    carried = counts[0]["carried excursions"]
    must = counts[0]["plain excursions"] + carried
    add("excursions beyond tolerable (of them carried across cycles)", "", [f"{must} ({carried})"] * len(names))
    add("missed", "0", [_of(c["excursion missed"], must) for c in counts])
    add("told late", "0", [str(c["excursion late"]) for c in counts])
    add("excursions told from bad readings", "0", [str(c["excursion from bad readings"]) for c in counts])
    add(
        "told in doubt, past their bound, from readings of a probe in a fault only inferred",
        "",
        [str(c["told in doubt"]) for c in counts],
    )
    add("false alerts per tub-year", "≤ 1", [zero(c["false alert"], tub_years) for c in counts])
    add("false urgent alerts per tub-year", "≤ 0.2", [zero(c["false urgent"], tub_years) for c in counts])
    add("faults named right and in time", "≥ 95 %", [share(c["faults named"], c["faults"]) for c in counts])
    add("told under a wrong name", "", [str(c["wrong name"]) for c in counts])
    add("told though misting or opening explains it", "", [str(c["explained but told"]) for c in counts])
    add("told again within 3 h of clearing", "", [str(c["told again within 3 h"]) for c in counts])
    add("alerts of any kind per tub-year", "", [f"{c['told'] / tub_years:.1f}" for c in counts])
    for kind in NAMED_WITHIN_MINUTES:
        within = f"… {kind} within {NAMED_WITHIN_MINUTES[kind]} min"
        add(within, "", [share(c[f"named {kind}"], c[f"faults {kind}"]) for c in counts])
    return lines


def _of(missed: int, whole: int) -> str:
    return str(missed) if missed or not whole else f"0 of {whole}, so ≤ {300 / whole:.1f} %"


def missed_goals(tally: Tally, tub_years: float, late_ramps: int) -> list[str]:
    """Return the goals the judge misses, in words."""
    c = tally.counts
    checks = {
        "an excursion was missed": c["excursion missed"] == 0,
        "an excursion was told late": c["excursion late"] == 0,
        "an excursion was told from bad readings": c["excursion from bad readings"] == 0,
        "more than 1 false alert per tub-year": c["false alert"] <= tub_years,
        "more than 0.2 false urgent alerts per tub-year": c["false urgent"] <= 0.2 * tub_years,
        "less than 95 % of faults named": c["faults named"] >= 0.95 * c["faults"],
        "fast overheating told late": late_ramps == 0,
    }
    return [text for text, met in checks.items() if not met]


def main() -> int:
    """Run the bench and print what came of it."""
    parser = argparse.ArgumentParser(description="Measure the judge on simulated racks.")
    parser.add_argument("--tub-years", type=float, default=15.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=JUDGING[0], help="1-99 for tuning, 101-199 for judging")
    parser.add_argument("--physics", choices=sorted(VARIANTS), default="drawn", help="another nature of the same racks")
    parser.add_argument("--cases", type=int, default=SHOWN_CASES, help="cases shown of each kind")
    args = parser.parse_args()
    began = time.monotonic()
    todo = sorted(plans(args.tub_years, args.seed, args.physics), key=lambda plan: -plan.tub_years)
    with ProcessPoolExecutor(args.jobs) as pool:
        runs = list(pool.map(run, todo))
        ramps = [r for part in pool.map(drill, [4]) for r in part]
    return report(runs, ramps, args, time.monotonic() - began)


def report(runs: list[Run], ramps: list[Ramp], args: argparse.Namespace, took: float) -> int:
    """Print the table, the cases that hurt and the goals missed; return the exit code."""
    tub_years = sum(r.tub_years for r in runs)
    readings = sum(r.readings for r in runs)
    tallies: dict[str, Tally] = {}
    for r in runs:
        for name, tally in r.tallies.items():
            tallies.setdefault(name, Tally()).add(tally)
    late = [ramp for ramp in ramps if ramp.samples is None or ramp.samples > 2]
    say(f"Alarm bench, {datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, Python {platform.python_version()},")
    say(
        f"physics {args.physics}, seed {args.seed}, {len(runs)} racks, {tub_years:.2f} simulated tub-years, {readings} readings, {took:.0f} s."
    )
    if args.seed in TUNING:
        say("A seed for tuning: look at its cases, report none of its figures.")
    say()
    for line in table(tallies, tub_years):
        say(line)
    per_second = readings / sum(r.judge_seconds for r in runs)
    plain = csv_rows_per_second()
    good, counted = sum(r.good_readings for r in runs), sum(r.good_counted for r in runs)
    rubbish, taken = sum(r.rubbish for r in runs), sum(r.rubbish_counted for r in runs)
    say()
    in_time = share(len(ramps) - len(late), len(ramps))
    say(f"- fast overheating, ramps of 0.5 to 5 °C a minute, told within two samples: {in_time}")
    say(f"- good readings that counted: {share(counted, good)}")
    say(f"- single rubbish words that counted: {share(taken, rubbish)}")
    say(f"- granted for excursions carried across thermostat cycles: {CYCLE_COST_MINUTES:.0f} min")
    ratio = plain / per_second
    say(f"- judge: {per_second:.0f} readings/s of processor time, {ratio:.1f} times what csv takes to read them")
    judge = tallies["judge"]
    for kind, minutes in sorted(judge.delays.items()):
        ordered = sorted(minutes)
        median = ordered[len(ordered) // 2]
        say(f"- {kind}: told after {median:.0f} min (median), {ordered[-1]:.0f} at most, of {len(ordered)}")
    for what in sorted({case.split(":")[0] for case in judge.cases}):
        cases = [case for case in judge.cases if case.startswith(what)]
        say(f"\n{what} ({len(cases)}):")
        for case in cases[: args.cases]:
            say(f"  {case}")
    for ramp in late[: args.cases]:
        say(f"  {ramp}")
    missed = missed_goals(judge, tub_years, len(late))
    say("\n" + ("every goal is met" if not missed else "missed: " + "; ".join(missed)))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
