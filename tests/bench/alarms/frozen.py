"""Freeze what the judge says: `python tests/bench/alarms/frozen.py FOLDER`, before a change and after it, then `diff -r`.

A folder gets a file for each rack: a line for each event with everything in it and for each exclusion, at last a digest of
every reading's flag. `digests.txt` names a digest of each file. The judge goes on from its own dump again and again. Two
judges that agree here agree event for event, ids and words included. One rack of each physics is disturbed by drawn entries,
commands and calibrations. Simulated, and no measurement: it says what changed, not what is right. A minute or two.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import pickle
import sys
from dataclasses import asdict
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[3]))  # run as a program, the repository is not on the path

from tests.bench.alarms.bench_drive import START, build, chunks
from tests.bench.alarms.bench_plan import MAKES, RackPlan, plan_rack
from tests.bench.alarms.bench_variants import VARIANTS, vary

from dewkeeper.judge import Judge
from dewkeeper.judge.types import Calibration, Command, Item, JournalEntry, Settings, SystemReport

SEEDS = range(11, 21)
"""One for each physics, all for tuning."""
WORDS = ("misted", "refilled", "cleaned", "opened", "warm_up", "opaque", "shed", "gravid", "quarantine", "stage_over", "mesh_cover_changed",
         "substrate_changed", "heater_changed", "moistened", "probe_wiped", "probe_moved", "probe_checked", "moved_in", "moved_out", "note")  # fmt: skip
"""Words of the journal that are drawn; fixed, so that a new one changes no stream."""
MAKES_TAKEN, TUBS, DAYS = 3, 5, 9
"""Of each physics: 0.37 tub-years. Each takes other makes of rack than the one before; in all but one make two probes are exchanged on the fifth day."""
_DUMPED_EVERY = 7
"""The judge goes on from its own dump after so many chunks of two hours."""


def stream(plan: RackPlan, kept: Path | None) -> tuple[Settings, list[list[Item]]]:
    """Return what a rack gives, two hours at a time, from `kept` where it was kept: physics take longer than judging."""
    if kept is not None and kept.exists():
        found: tuple[Settings, list[list[Item]]] = pickle.loads(kept.read_bytes())  # noqa: S301  our own file
        return found
    rack = build(plan)
    made = (rack.settings, [items for _, items in chunks(rack)])
    if kept is not None:
        kept.write_bytes(pickle.dumps(made))
    return made


def orders(plan: RackPlan, chance: Random, now: int) -> list[Item]:
    """Return what people may say within two hours of what a rack gives, as it falls: half of it makes no sense."""
    tub, other = (chance.choice(plan.tubs).name for _ in range(2))
    until = now + chance.randrange(600, 30_000)
    what = chance.choice(WORDS)
    mine = f"{plan.name}/{now}"
    verb, probe = chance.choice((("shelve", ""), ("suppress", ""), ("unsuppress", ""), ("out_of_service", ""),
        ("in_service", ""), ("in_service", ""), ("exclude", tub), ("accept", tub), ("unshelve", "")))  # fmt: skip
    ill = chance.random() < 0.5
    made: list[Item] = [
        JournalEntry(f"j{mine}", now - chance.choice((0, 0, 900)), tub, what, f"{other} said", entered=now),
        Command(f"c{mine}", now, verb, "keeper", "drawn", enclosure=tub, probe=probe or None, until=until),
        Calibration(now, other, chance.uniform(-0.2, 0.2), chance.uniform(-2, 2), note="drawn", who="keeper"),
        SystemReport(now, "disk", ill, "drawn"),
        SystemReport(now, "bus", ill, "drawn", part=f"probe {tub}", response="look", action="look at it"),
    ]
    return [item for item in made if chance.random() < 0.15]


def said(plan: RackPlan, settings: Settings, parts: list[list[Item]], disturbed: bool) -> list[str]:
    """Return everything a judge says of a stream, a line each; told alarms are acknowledged two hours later."""
    judge = Judge()
    lines: list[str] = []
    flags = hashlib.sha256()
    judge.feed(settings)
    chance = Random(f"orders/{plan.name}/{plan.seed}")
    acknowledge: list[str] = []
    for number, items in enumerate(parts):
        now = START + 7200 * number
        seen: list[Item] = [Command(f"a{alarm}", now, "acknowledge", "keeper", alarm=alarm) for alarm in acknowledge]
        acknowledge = []
        for item in [*seen, *(orders(plan, chance, now) if disturbed else ()), *items]:
            verdict = judge.feed(item)
            for quality in verdict.quality:
                flags.update(f"{quality.time},{quality.probe},{quality.flag},{quality.tests};".encode())
            for event in verdict.events:
                lines.append(json.dumps(asdict(event), sort_keys=True))
                if event.event == "raised":
                    acknowledge.append(event.alarm)
            lines += [json.dumps(asdict(exclusion), sort_keys=True) for exclusion in verdict.exclusions]
        if number % _DUMPED_EVERY == 0:
            judge = Judge.load(judge.dump())
    lines.append(f"flags {flags.hexdigest()}")
    return lines


def main() -> int:
    """Write what is said of some racks of every physics."""
    parser = argparse.ArgumentParser(description="Write down, event for event, what the judge says.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, help="a folder in which the simulated streams are kept for the next time")
    args = parser.parse_args()
    for folder in (args.folder, args.keep):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    digests = []
    for number, (physics, seed) in enumerate(zip(sorted(VARIANTS), SEEDS, strict=True)):
        for n in range(MAKES_TAKEN):
            make = MAKES[(MAKES_TAKEN * number + n) % len(MAKES)]
            plan = vary(plan_rack(make, seed, DAYS, TUBS), physics)
            name = f"{physics}-{seed}-{plan.name}".replace(" ", "_")
            settings, parts = stream(plan, args.keep / f"{name}.pickle" if args.keep is not None else None)
            text = "\n".join(said(plan, settings, parts, n == MAKES_TAKEN - 1)) + "\n"
            (args.folder / f"{name}.txt").write_text(text)
            digests.append(f"{hashlib.sha256(text.encode()).hexdigest()[:16]} {name}")
    (args.folder / "digests.txt").write_text("\n".join(digests) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
