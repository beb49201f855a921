"""What storing and asking cost in processor time, each against plain sqlite3 doing the same in the same process."""

from __future__ import annotations

import math
import sqlite3
import statistics
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from functools import partial
from itertools import islice
from pathlib import Path

from tests.bench.store.bench_store_rack import DAY, NAMES, POLL_SECONDS, START, HandClock, cycles, nights, settings
from tests.store.conftest import raw_all

from dewkeeper.judge.types import MISSING, PASS, Quality
from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME, PROBE_BITS, FileReader
from dewkeeper.store.quarters import COLUMNS
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Limits, Storage
from dewkeeper_drivers.contract import SHT3X

ROUNDS = 15

LEAST = (
    "SELECT key & 1023, count(t), min(t), max(t), sum(t), min(h), max(h), sum(h) FROM reading "
    "WHERE key >= ? AND key < ? GROUP BY 1"
)
"""Of a night's raw rows no more than minimum, mean and maximum, with no look at what must not count."""


def alike(end: int) -> str:
    """Return the statement over raw rows that comes nearest to `overnight` for a rack of one profile and no verdicts.

    Also when each extreme was, what was read together with the driest, how long each reading stands (at most three polls),
    how long beyond each limit, and how far beyond target. What must not count is still not looked for.
    """
    limits, last = Limits(), (1 << 31) - 1
    (dry, damp), (driest, dampest) = (
        tuple(SHT3X.encode(0.0, humidity)[1] for humidity in (band.low, band.high))
        for band in (limits.humidity_target, limits.humidity_tolerable)
    )
    cold, hot = (
        SHT3X.encode(temperature, 0.0)[0]
        for temperature in (limits.temperature_tolerable.low, limits.temperature_tolerable.high)
    )
    beyond = ", ".join(
        f"sum(stood * ({test}))"
        for test in (f"h < {dry}", f"h > {damp}", f"h < {driest}", f"h > {dampest}", f"t < {cold}", f"t > {hot}")
    )
    return (
        "SELECT id, count(*), sum(stood), sum(t), sum(h), min(h << 47 | at << 16 | t), "  # noqa: S608  numbers
        f"max(h << 31 | {last} - at), min(t << 31 | at), max(t << 31 | {last} - at), "
        f"{beyond}, sum(stood * max(0, {dry} - h, h - {damp})) "
        f"FROM (SELECT key & 1023 AS id, key >> 10 AS at, t, h, min({3 * POLL_SECONDS}, lead(key >> 10, 1, {end}) OVER "
        "(PARTITION BY key & 1023 ORDER BY key) - (key >> 10)) AS stood FROM reading WHERE key >= ? AND key < ?) "
        "WHERE t IS NOT NULL GROUP BY id"
    )


def _seconds(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _store_plainly(bare: sqlite3.Connection, rows: Sequence[tuple[int, int | None, int | None]]) -> None:
    bare.execute("BEGIN IMMEDIATE")
    bare.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
    bare.execute("COMMIT")


def ingest(folder: Path, polls: int = 300, rounds: int = 7) -> float:
    """Return the store's processor time per poll of 128 probes over that of a bare executemany with BEGIN and COMMIT.

    The bare one stores the same rows, made beforehand, under the same pragmas, a transaction a poll. The store also makes
    the rows, and the quarter hours. Of each poll the least of some rounds counts, for other programs want the processor.
    """
    batches = []
    for readings in islice(cycles(0, 2), polls):
        verdicts = [Quality(r.time, r.probe, MISSING if r.temperature_word is None else PASS) for r in readings]
        batches.append(Batch(readings=tuple(zip(readings, verdicts, strict=True))))
    numbers = {name: number for number, name in enumerate(NAMES, start=1)}
    ours, theirs = [math.inf] * polls, [math.inf] * polls
    for number in range(rounds):
        inside = folder / str(number)
        inside.mkdir()
        store = Store.open(inside, Storage(folder=inside, ballast_mb=0), HandClock(START))
        store.commit(Batch(items=(settings(),)))
        with closing(sqlite3.connect(inside / "bare.db", isolation_level=None)) as bare:
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-2048"):
                bare.execute(f"PRAGMA {pragma}")
            bare.execute("CREATE TABLE reading (key INTEGER PRIMARY KEY, t INTEGER, h INTEGER)")
            for poll, batch in enumerate(batches):  # by turns, so that both meet the same machine
                rows = [
                    ((r.time << PROBE_BITS) + numbers[r.probe], r.temperature_word, r.humidity_word)
                    for r, _ in batch.readings
                ]
                ours[poll] = min(ours[poll], _seconds(partial(store.commit, batch)))
                theirs[poll] = min(theirs[poll], _seconds(partial(_store_plainly, bare, rows)))
        store.close()
    return sum(ours[1:]) / sum(theirs[1:])  # the first makes the probes known


def queries(folder: Path, end: int) -> dict[str, float]:
    """Return ratios of medians: one big statement through our file over sqlite3; a night from raw rows over `overnight`."""
    quarter = f"SELECT key, {COLUMNS} FROM rollup WHERE key >= ? AND key < ?"  # noqa: S608
    month = (end // DAY - 12) << 17, (end // DAY - 2) << 17
    begin, over = nights(end)[0]
    night = begin << PROBE_BITS, over << PROBE_BITS
    same = alike(over)
    file = FileReader(folder)
    with closing(sqlite3.connect(folder / FILE_NAME)) as bare, History.open(folder) as history:

        def through_file() -> object:
            with file.question() as connection:
                return connection.execute(quarter, month).fetchall()

        asked: dict[str, Callable[[], object]] = {
            "file": through_file,
            "sqlite3": lambda: bare.execute(quarter, month).fetchall(),
            "overnight": lambda: history.overnight(begin, over),
            "least": lambda: bare.execute(LEAST, night).fetchall(),
            "alike": lambda: bare.execute(same, night).fetchall(),
            "raw_all": lambda: raw_all(history, begin, over),
        }
        names = dict(bare.execute("SELECT id, name FROM probe").fetchall())
        spans = history.overnight(begin, over)
        for number, n, stood, *_ in bare.execute(same, night):  # it is the same that is compared
            assert (n, stood) == (spans[names[number]].n, spans[names[number]].watched_seconds)
        found: dict[str, list[float]] = {name: [] for name in asked}
        for _ in range(ROUNDS):
            for name, ask in asked.items():
                found[name].append(_seconds(ask))
    medians = {name: statistics.median(times) for name, times in found.items()}
    return {
        "file over sqlite3": medians["file"] / medians["sqlite3"],
        "alike over overnight": medians["alike"] / medians["overnight"],
        "least over overnight": medians["least"] / medians["overnight"],
        "raw rows through the store over overnight": medians["raw_all"] / medians["overnight"],
        "overnight ms": medians["overnight"] * 1000,
    }
