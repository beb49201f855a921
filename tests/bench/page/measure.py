"""The morning of 40 enclosures with a year behind it, against the cost of its own SQL alone, in one run.

    python tests/bench/page/measure.py [DAYS] [--keep FOLDER]

Fills a store (in FOLDER, or a temporary one) with a poll a minute of 40 probes for DAYS days (default 365), a journal
entry a tub and day, an alarm a tub and week, and limits changed once a month; archives it as every night would; then
prints medians of processor time, which a busy machine lengthens little, and of elapsed time. The SQL alone is every statement of one morning with its small curves, asked again through Python's own
sqlite3. The screen is the same as a keeper's browser gets it, without the network.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import requests

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import PASS, Event, JournalEntry, Quality, Reading
from dewkeeper.report.glimpse import glimpse
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME, Connection, FileReader
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper.web.serve import PageServer
from dewkeeper.web.small_curve import small_curves
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SCALES

END = 1_790_000_000 // 86400 * 86400 + 7 * 3600
ROUNDS = 15
DAY = 86400


def rack(folder: Path) -> Config:
    """Return 40 enclosures with a probe each."""
    return parse(rack_text(folder).encode(), folder / "rack.toml")


def rack_text(folder: Path) -> str:
    """Return the same as a configuration file."""
    lines = [f'storage = {{ folder = "{folder}", ballast_mb = 0 }}', "web = { port = 0 }", '[[rack]]\nname = "R"']
    for n in range(40):
        lines.append(f'[[enclosure]]\nname = "T{n}"\nrack = "R"\nplace = {n + 1}')
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "T{n}"\ndriver = "simulated"')
    lines.append('[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1:9/"')
    lines.append('[[person]]\nname = "Ina"\nchannels = ["phone"]')
    return "\n".join(lines)


def fill(folder: Path, config: Config, days: int) -> None:
    """Store everything up to END, archiving as it goes."""
    store, scale = Store.open(folder, config.storage, ManualClock(wall=END)), SCALES["sht3x"]
    words = [scale.encode(27 + n % 5, 50.0 + n % 30) for n in range(150)]
    values = [(*scale.decode(*pair), *pair) for pair in words]
    settings = judge_settings(config, END - days * DAY - 1)
    store.commit(Batch(items=(settings,)))
    for day in range(days, 0, -1):
        start = END - day * DAY
        if day % 30 == 0:
            store.commit(Batch(items=(replace(settings, time=start),)))
        store.commit(Batch(items=tuple(JournalEntry(f"j{start} {n}", start, f"T{n}", "misted") for n in range(40))))
        for hour in range(0, DAY, 3600):
            batch = []
            for at in range(start + hour, start + hour + 3600, 60):
                for n in range(40):
                    reading = Reading(at, f"p{n}", *values[(n * 7 + at // 900) % 150])
                    batch.append((reading, Quality(at, f"p{n}", PASS)))
            store.commit(Batch(readings=tuple(batch)))
        store.commit(Batch(events=tuple(e for n in range(day % 7, 40, 7) for e in _dry(f"T{n}", start + 3600))))
        if day % 4 == 0:
            store.commit(Batch(snapshot=Snapshot(time=start + DAY - 60, sequence=0, data=b"-")))
            store.compact(start + DAY)
            print(f"\r{day} days to go ", end="", file=sys.stderr)
    store.close()


def _dry(tub: str, at: int) -> list[Event]:
    common: dict[str, Any] = {
        "alarm": f"a {tub} {at}", "kind": "dry", "enclosure": tub, "probe": None, "band": "tolerable",
        "priority": "medium", "since": at, "cause": "moisture left", "consequence": "a poor shed", "response": "refill",
    }  # fmt: skip
    raised = Event(id=f"r {tub} {at}", time=at, event="raised", state="unacknowledged", **common)
    return [raised, Event(id=f"c {tub} {at}", time=at + 7200, event="cleared", state="normal", **common)]


def median_ms(work: Callable[[], object]) -> tuple[float, float]:
    """Return the median milliseconds of a few runs after a first one: of the processor, and elapsed."""
    work()
    busy, elapsed = [], []
    for _ in range(ROUNDS):
        begun, begun_busy = time.perf_counter(), time.process_time()
        work()
        busy.append((time.process_time() - begun_busy) * 1000)
        elapsed.append((time.perf_counter() - begun) * 1000)
    return statistics.median(busy), statistics.median(elapsed)


def statements_of(history: History, folder: Path, work: Callable[[], object]) -> list[str]:
    """Return every question that `work` asks of SQLite, values filled in, whichever layer asks it."""
    seen: list[str] = []

    class Watched(FileReader):
        """Hears what every connection is asked."""

        @contextmanager
        def question(self) -> Iterator[Connection]:
            with super().question() as connection:
                connection.set_trace_callback(seen.append)
                yield connection

    usual, history._file = history._file, Watched(folder)
    work()
    history._file = usual
    return [statement for statement in seen if statement.lstrip().upper().startswith(("SELECT", "WITH"))]


def measure(folder: Path, config: Config) -> tuple[tuple[float, float], tuple[float, float], int]:
    """Return `median_ms` of a morning with its curves and of its SQL alone, and how many statements that is."""
    with History.open(folder) as history:
        past, wording = StoredPast(history, config), Wording.of(config.site)

        def whole() -> object:
            glance = morning(past, config, END)
            return small_curves(glance.enclosures, glimpse(past, glance), wording)

        took = median_ms(whole)
        statements = statements_of(history, folder, whole)
    connection = sqlite3.connect(f"file:{folder / FILE_NAME}?mode=ro", uri=True)

    def alone() -> None:
        for statement in statements:
            connection.execute(statement).fetchall()

    sql = median_ms(alone)
    connection.close()
    return took, sql, len(statements)


def screen(folder: Path, config: Config) -> tuple[tuple[float, float], int]:
    """Return `median_ms`, this browser's part included, and the bytes of the first screen as the page makes it, its styles included."""
    page = PageServer(config, lambda: History.open(folder), lambda _: {}, list, ManualClock(wall=END))
    with requests.Session() as browser:
        browser.trust_env = False
        page.start()
        try:
            base = "http://{}:{}".format(*page.address)
            login = {"code": page.first_run_code or "", "name": "Ina", "password": "four plain words here"}
            browser.post(base + ("/first" if page.first_run_code else "/login"), data=login, timeout=60)
            sizes = []
            for path, held in (("/page.css", ".night"), ("/", "T39")):
                answer = browser.get(base + path, timeout=60)
                if held not in answer.text:
                    raise RuntimeError(f"{path} is not what a keeper sees")
                sizes.append(int(answer.headers["Content-Length"]))
            return median_ms(lambda: browser.get(base + "/", timeout=60)), sum(sizes)
        finally:
            page.stop()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("days", nargs="?", type=int, default=365)
    parser.add_argument("--keep", type=Path, help="fill this folder, or measure what is in it already")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = args.keep or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        config = rack(folder)
        if not (folder / FILE_NAME).exists():
            begun = time.perf_counter()
            fill(folder, config, args.days)
            print(f"\rfilled in {time.perf_counter() - begun:.0f} s", file=sys.stderr)
        (took, waited), (sql, sql_waited), count = measure(folder, config)
        size = (folder / FILE_NAME).stat().st_size / 1e6
        (page_ms, page_waited), page_bytes = screen(folder, config)
        print(
            f"first screen over loopback: {page_ms:.0f} ms of the processor, {page_waited:.0f} ms elapsed, "
            f"{page_bytes / 1000:.1f} kB with its styles"
        )
        print(
            f"morning with its curves, 40 enclosures, {args.days} days ({size:.0f} MB): {took:.1f} ms of the processor "
            f"({waited:.0f} elapsed); its {count} statements alone {sql:.1f} ({sql_waited:.0f}); {took / sql:.1f} times"
        )


if __name__ == "__main__":
    main()
