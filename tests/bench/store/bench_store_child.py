"""What runs in a process of its own under `iolog.c`: `python -m tests.bench.store.bench_store_child VERB FOLDER ...`."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.bench.store.bench_store_rack import DAY, NAMES, START, Rack, cycles, mark, settings

from dewkeeper.judge.types import Reading
from dewkeeper.store import History

BEGIN, END = -1, -2
"""Marks around what is measured; the marks between are numbers of commits."""

CUT_NAMES = NAMES[:24]
STEP_SECONDS = 1800
"""Polls of the simulated power cuts lie so far apart, so that blocks are archived within some hundred commits."""

NIGHT_EVERY = 50

NIGHT = 4 * 3600 + 600


def cut_polls() -> Iterator[tuple[Reading, ...]]:
    """Yield the polls that the power cuts fall into."""
    return cycles(0, 9 if os.environ.get("CI") == "true" else 5, seed=5, names=CUT_NAMES, poll_seconds=STEP_SECONDS)


def fill(folder: Path, before: float, measured: float, commit_minutes: int) -> dict[str, float]:
    """Store `before` days unmeasured, then `measured` days between the marks, with the compaction of each night."""
    rack = Rack(folder, commit_minutes)
    polls = moved = first_commit = 0
    for first, days, counts in ((0.0, before, 0), (before, measured, 1)):
        if counts:
            mark(BEGIN)
            first_commit = rack.store.commits
        for readings in cycles(first, days):
            rack.poll(readings)
            polls += counts
            if readings[0].time % DAY == NIGHT:
                moved += counts * rack.night(readings[0].time)
    commits = rack.store.commits - first_commit
    mark(END)
    rack.ledger.close(rack.judge)
    return {"polls": polls, "commits": commits, "moved": moved}


def cut(folder: Path, synchronous: str) -> dict[str, float]:
    """Store the polls of the simulated power cuts, each poll a commit, and compact now and then."""
    rack = Rack(folder, 0, settings(CUT_NAMES, STEP_SECONDS))
    with rack.store._engine.connect() as connection:
        driver: Any = connection.connection.driver_connection  # outside any transaction, else SQLite refuses
        driver.execute(f"PRAGMA synchronous={synchronous}")
        assert driver.execute("PRAGMA synchronous").fetchone() == ({"FULL": 2, "OFF": 0}[synchronous],)
    before = rack.store.commits
    for number, readings in enumerate(cut_polls(), start=1):
        rack.poll(readings)
        mark(number)
        if number % NIGHT_EVERY == 0:
            rack.night(readings[0].time)
    return {"commits": rack.store.commits - before}


def ask(folder: Path, what: str, end: int) -> dict[str, float]:
    """Open the history as a fresh process does, ask one question between the marks."""
    with History.open(folder) as history:
        mark(BEGIN)
        if what == "night":
            answers = len(history.overnight(end - 12 * 3600 - 1800, end - 1800))  # a night that is over
        elif what == "chart":
            answers = len(history.series(NAMES[3], end - 30 * DAY, end, 500))
        else:
            answers = len(history.latest())
        mark(END)
    return {"answers": answers}


def main() -> None:
    """Run the verb; print its answer as JSON."""
    verb, folder, *rest = sys.argv[1:]
    if verb == "fill":
        before, measured, minutes = rest
        answer = fill(Path(folder), float(before), float(measured), int(minutes))
    elif verb == "cut":
        answer = cut(Path(folder), rest[0])
    else:
        answer = ask(Path(folder), rest[0], START + round(float(rest[1]) * DAY))
    sys.stdout.write(json.dumps(answer))
    sys.stdout.flush()
    os._exit(0)  # nothing that interpreters do at their end belongs into the log


if __name__ == "__main__":
    main()
