"""A real machine, as far as one can be had without a Pi: python -m tests.machine.machine_run [SUITE ...]

Boots each Debian in a virtual machine with systemd as process 1, does with it what the README says and what the years
do, and prints a table for DEVELOPERS.md. Exits with 1 when a step failed, and when there is no such machine to be had.
The last commit is what is installed: what is not committed is not tried.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.machine import image
from tests.machine.steps import Journey
from tests.machine.vm import StepFailed, VirtualMachine


def main(arguments: list[str]) -> int:
    """Return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.machine.machine_run", description=__doc__)
    parser.add_argument("suites", nargs="*", metavar="SUITE", help=f"{' or '.join(image.PYTHONS)} (default: both)")
    parser.add_argument("--steps", metavar="A,B", help="only these, on the machine of the run before, as it was left")
    args = parser.parse_args(arguments)
    suites = args.suites or list(image.PYTHONS)
    if unknown := [suite for suite in suites if suite not in image.PYTHONS]:
        parser.error(f"no such Debian here: {', '.join(unknown)}")
    if troubles := image.missing():
        print("no virtual machine can be had here, so nothing was tried:", *troubles, sep="\n  ", file=sys.stderr)
        return 1
    rows, well = [], True
    for suite in suites:
        try:
            made, good = travel(suite, args.steps.split(",") if args.steps else None)
        except image.NoMachine as error:
            print(f"no virtual machine of {suite} can be had here: {error}", file=sys.stderr)
            made, good = [(suite, "all steps", f"NOT RUN: {str(error).splitlines()[0]}", 0)], False
        rows += made
        well = well and good
    print(
        f"\n{datetime.now(UTC):%d %B %Y}, emulated processor, no network but loopback; seconds say nothing about a Pi.\n"
    )
    print("| Debian | step | outcome | s |\n| --- | --- | --- | --- |")
    for row in rows:
        print(f"| {' | '.join(str(cell) for cell in row)} |")
    return 0 if well else 1


def travel(suite: str, only: list[str] | None) -> tuple[list[tuple[str, str, str, int]], bool]:
    """Take one machine through all steps, or one that was used before through some.

    Return a row for each, and whether all went well. Raises NoMachine.
    """
    folder = image.store() / f"run-{suite}"
    folder.mkdir(exist_ok=True)
    if only is None:
        image.new_disks(suite, folder)
    machine = VirtualMachine(image.base(suite), folder)
    journey = Journey(machine)
    steps = journey.steps()
    if only is not None:
        steps = [("power cut", journey.power_cut), *((name, dict(steps)[name]) for name in only)]
    rows, well = [], True
    try:
        for name, work in steps:
            began = time.monotonic()
            print(f"{suite}: {name} ...", file=sys.stderr, flush=True)
            try:
                outcome = work()
            except (
                StepFailed,
                ValueError,
                LookupError,
            ) as error:  # an answer that is no JSON, a message that is not there
                outcome, well = f"FAILED: {str(error).splitlines()[0]}", False
                print(f"{suite}: {name}: {error}", file=sys.stderr, flush=True)
            rows.append((suite, name, outcome.replace("|", "/"), round(time.monotonic() - began)))
            print(f"{suite}: {name}: {outcome}", flush=True)
            if not well and name in {"boot", "install"}:  # without these nothing else can be
                break
    finally:
        _keep_log(machine, folder)
        machine.cut_power()
    return rows, well


def _keep_log(machine: VirtualMachine, folder: Path) -> None:
    """Keep the machine's own journal beside its console, for whoever looks into a failure."""
    try:
        (folder / "journal.log").write_text(machine.run("journalctl --no-pager -b -n 3000").said, encoding="utf-8")
    except (StepFailed, OSError) as error:
        print(f"the machine's journal could not be read: {error}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
