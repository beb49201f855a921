"""What runs in a process of its own under `iolog.c`: `python -m tests.bench.store.bench_store_child VERB FOLDER ...`."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Sized
from functools import partial
from pathlib import Path

from tests.amounts import amount
from tests.bench.store.bench_store_rack import DAY, NAMES, START, HandClock, Rack, cycles, mark, nights, settings

from dewkeeper.judge.types import MISSING, PASS, JournalEntry, Quality, Reading
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage

BEGIN, END = -1, -2
"""Marks around what is measured; the marks between are numbers of commits."""

CUT_NAMES = NAMES[:24]
STEP_SECONDS = 1800
"""Polls of the simulated power cuts lie so far apart, so that blocks are archived within some hundred commits."""

NIGHT_EVERY = 50

NIGHT = 4 * 3600 + 600


def cut_polls() -> Iterator[tuple[Reading, ...]]:
    """Yield the polls that the power cuts fall into."""
    return cycles(0, amount(5, 9), seed=5, names=CUT_NAMES, poll_seconds=STEP_SECONDS)


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


def history(folder: Path, days: float, poll_seconds: int) -> dict[str, float]:
    """Store days of readings that the judge has not seen, with the compaction of each night and what a keeper writes down."""
    with contextlib.closing(Store.open(folder, Storage(folder=folder, ballast_mb=0), HandClock(START))) as store:
        store.commit(Batch(items=(settings(poll_seconds=poll_seconds),)))
        waiting: list[tuple[Reading, Quality]] = []
        for readings in cycles(0, days, poll_seconds=poll_seconds):
            waiting += [(r, Quality(r.time, r.probe, MISSING if r.failure else PASS)) for r in readings]
            at = readings[0].time
            if at % 3600 == NIGHT % 3600:
                store.commit(Batch(readings=tuple(waiting), snapshot=Snapshot(at, 0, b"state")))
                waiting = []
                store.commit(Batch(items=entries(at)))
            if at % DAY == NIGHT:
                store.compact(at)
        if waiting:
            store.commit(Batch(readings=tuple(waiting)))
    return {"days": days}


def entries(at: int) -> tuple[JournalEntry, ...]:
    """Return what was written down in an hour: a hundred entries a day for 128 tubs, every twentieth a stage."""
    return tuple(
        JournalEntry(
            f"{at}-{n}", at, NAMES[(at // 3600 * 4 + n) % len(NAMES)], "opaque" if (at // 3600 * 4 + n) % 20 == 0 else "misted",
            "front left, half a litre", "Ina", at + 5 * DAY if (at // 3600 * 4 + n) % 20 == 0 else None, at,
        )
        for n in range(4)
    )  # fmt: skip


def cut(folder: Path, synchronous: str) -> dict[str, float]:
    """Store the polls of the simulated power cuts, each poll a commit, and compact now and then."""
    rack = Rack(folder, 0, settings(CUT_NAMES, STEP_SECONDS))
    connection = rack.store._file.connection()  # outside any transaction, else SQLite refuses
    connection.execute(f"PRAGMA synchronous={synchronous}")
    assert connection.value("PRAGMA synchronous") == {"FULL": 2, "OFF": 0}[synchronous]
    before = rack.store.commits
    for number, readings in enumerate(cut_polls(), start=1):
        rack.poll(readings)
        mark(number)
        if number % NIGHT_EVERY == 0:
            rack.night(readings[0].time)
    return {"commits": rack.store.commits - before}


def ask(folder: Path, what: str, end: int) -> dict[str, float]:
    """Ask one question after another as fresh processes do, each between its marks: nights, or so many days of each probe."""
    questions: list[Callable[[History], Sized]]
    if what == "night":
        questions = [partial(History.overnight, start=first, end=last) for first, last in nights(end)]
    else:
        questions = [
            partial(History.series, probe=name, start=end - int(what) * DAY, end=end, points=500) for name in NAMES
        ]
    answers = 0
    for question in questions:
        with History.open(folder) as past:
            mark(BEGIN)
            answers += len(question(past))
            mark(END)
    return {"answers": answers}


def main() -> None:
    """Run the verb; print its answer as JSON."""
    verb, folder, *rest = sys.argv[1:]
    if verb == "fill":
        before, measured, minutes = rest
        answer = fill(Path(folder), float(before), float(measured), int(minutes))
    elif verb == "history":
        answer = history(Path(folder), float(rest[0]), int(rest[1]))
    elif verb == "cut":
        answer = cut(Path(folder), rest[0])
    else:
        answer = ask(Path(folder), rest[0], START + round(float(rest[1]) * DAY))
    sys.stdout.write(json.dumps(answer))
    sys.stdout.flush()
    os._exit(0)  # nothing that interpreters do at their end belongs into the log


if __name__ == "__main__":
    main()
