"""What the store costs, as one table against its limits: `python -m tests.bench.store.store_table [quick] [NAME ...]`.

Counts (bytes, syncs) are exact and the same on every machine; ratios compare two things measured by turns in one run;
megabytes and wakeups are this machine's. Folders in memory are used where there are some: what counts is what was asked
of the disk. `quick` measures the same on shorter histories. Needs a C compiler.
"""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tests.bench.store import bench_store_cost, bench_store_daemon, bench_store_io
from tests.bench.store.bench_store_rack import DAY, PROBES, START

from dewkeeper.store.database import FILE_NAME

YEAR_READINGS = PROBES * 365 * 1440


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a value and the limit it is to keep.

    gate: what CI insists on, of counts, which are the same on every machine.
    """

    name: str
    value: float
    limit: float
    unit: str = ""
    at_least: bool = False
    gate: float | None = None

    @property
    def holds(self) -> bool:
        """Whether the limit is kept."""
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    def __str__(self) -> str:
        sign = "≥" if self.at_least else "≤"
        verdict = "holds" if self.holds else "MISSED"
        return f"{self.name:<62} {self.value:10.3f} {self.unit:<4} {sign} {self.limit:g}  {verdict}"


class Bench:
    """The measurements, in a folder of their own. days: of history behind what is measured, and of what is measured."""

    def __init__(self, folder: Path, *, quick: bool) -> None:
        self.folder = folder
        self.quick = quick
        self.recorder = bench_store_io.build(folder)

    def writing(self, minutes: int = 1) -> Iterator[Row]:
        """Syncs and bytes of every poll, maintenance included, with commits so far apart."""
        before, measured = (
            (4.0, 2.0) if self.quick else (4.0, 4.0)
        )  # whole blocks of the archive, else one half counts twice
        answer, counts = self._fill(f"writing{minutes}", before, measured, minutes)
        each = counts.written / answer["polls"] / 1000
        if minutes == 1:
            yield Row("syncs per commit, all maintenance included", counts.syncs / answer["commits"], 1.1, gate=1.1)
            yield Row("file bytes per poll, all maintenance", each, 32, "KB", gate=32)
            yield from self._sizes(self.folder / "writing1")
        else:
            yield Row(f"file bytes per poll, commits every {minutes} minutes", each, 24, "KB", gate=24)

    def reading(self) -> Iterator[Row]:
        """Bytes read cold, and what questions cost."""
        # The worst moment of a day: just before a quarter hour is over, and before what came since six in the evening of the
        # day before moves to where it stays, at midnight.
        days = 45 + (23 * 60 + 59) / 1440
        folder = self.folder / "reading"
        folder.mkdir()
        bench_store_io.run(self.recorder, self.folder / "log", "history", str(folder), str(days), "60")
        for what, limit, name in (
            ("night", 500, "overnight for all, a journal of 4,300 entries beside it"),
            ("30", 1000, "30 days of one probe at 500 points"),
        ):
            bench_store_io.run(self.recorder, self.folder / "log", "ask", str(folder), what, str(days))
            read = sorted(count.read / 1000 for count in bench_store_io.counts(self.folder / "log"))
            yield Row(f"cold bytes read, {name}: median", read[len(read) // 2], limit, "KB", gate=limit)
            yield Row(f"cold bytes read, {name}: dearest of {len(read)}", read[-1], limit, "KB", gate=limit)
        found = bench_store_cost.queries(folder, START + round(days * DAY))
        yield Row(
            "overnight, times cheaper than the same by SQL over raw rows",
            found["alike over overnight"],
            8,
            at_least=True,
        )
        yield Row(
            "  than no more than min, mean, max by SQL over raw rows", found["least over overnight"], 1, at_least=True
        )
        yield Row(
            "  than all raw rows through the store",
            found["raw rows through the store over overnight"],
            8,
            at_least=True,
        )
        yield Row("query against sqlite3 with the same SQL", found["file over sqlite3"], 1.3)

    def ingest(self) -> Iterator[Row]:
        """Processor time of storing."""
        folder = self.folder / "ingest"
        folder.mkdir()
        yield Row("ingest, processor time against executemany", bench_store_cost.ingest(folder), 2)

    def process(self) -> Iterator[Row]:
        """The daemon's own process, and the nightly job's."""
        folder = self.folder / "nightly"
        folder.mkdir()
        yield Row("resident memory added by the nightly job", bench_store_daemon.nightly(folder)["added_mb"], 10, "MB")
        found = bench_store_daemon.daemon(self.folder / "daemon", seconds=60 if self.quick else 180)
        yield Row("resident memory of the daemon without page, 128 probes", found["resident_mb"], 64, "MB")
        yield Row("idle wakeups a minute, page off", found["wakeups_a_minute"], 40)
        yield Row("numpy, matplotlib, pandas, rich in the daemon", found["forbidden"], 0)

    def _fill(
        self, name: str, before: float, measured: float, minutes: int
    ) -> tuple[dict[str, float], bench_store_io.Counts]:
        folder = self.folder / name
        folder.mkdir()
        answer = bench_store_io.run(
            self.recorder, self.folder / "log", "fill", str(folder), str(before), str(measured), str(minutes)
        )
        (counts,) = bench_store_io.counts(self.folder / "log")
        return answer, counts

    def _sizes(self, folder: Path) -> Iterator[Row]:
        with closing(sqlite3.connect(folder / FILE_NAME)) as database:
            pages = dict(database.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
            hot = database.execute("SELECT count(*) FROM reading").fetchone()[0]
            kept = database.execute("SELECT sum(n) FROM chunk").fetchone()[0]
            summed = database.execute("SELECT sum(n) FROM rollup").fetchone()[0]
        # Each by what it covers: quarter hours lie there from the next morning on, blobs after two to four days.
        good = pages["chunk"] / kept + pages["rollup"] / summed + pages["verdict"] / (kept + hot)
        yield Row("bytes per reading, hot", pages["reading"] / hot, 19, gate=19)
        yield Row("bytes per reading, for good", good, 7, gate=7)
        others = sum(size for table, size in pages.items() if table not in ("chunk", "rollup", "verdict"))
        yield Row("a year, 67 million readings, scaled", (good * YEAR_READINGS + others) / 1e9, 0.47, "GB", gate=0.47)


def measure(quick: bool, only: tuple[str, ...] = ()) -> Iterator[Row]:
    """Yield the table's lines as they are measured; only: names of measurements, all by default."""
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108  a folder of its own in it
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        bench = Bench(Path(folder), quick=quick)
        parts: dict[str, Callable[[], Iterator[Row]]] = {
            "writing": bench.writing, "gentle": lambda: bench.writing(5), "reading": bench.reading,
            "ingest": bench.ingest, "process": bench.process,
        }  # fmt: skip
        for name, part in parts.items():
            if not only or name in only:
                yield from part()


def main() -> int:
    """Print the table; return 1 when a limit is missed."""
    words = sys.argv[1:]
    rows = []
    for row in measure("quick" in words, tuple(word for word in words if word not in ("quick", "json"))):
        rows.append(row)
        sys.stdout.write(f"{json.dumps([row.name, row.value, row.limit]) if 'json' in words else row}\n")
        sys.stdout.flush()
    return 0 if all(row.holds for row in rows) else 1


if __name__ == "__main__":
    raise SystemExit(main())
