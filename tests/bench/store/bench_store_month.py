"""Resident memory of the real daemon with a month behind it and its nightly job done: `python -m tests.bench.store.bench_store_month`.

    python -m tests.bench.store.bench_store_month [PROBES] [page]

PROBES (default 128) at a poll a minute: a month is stored first, archived but for the last days, of which the judge has
seen two (minutes). Then `dewkeeper run` finds the nightly job overdue and does it. Printed, in MB: resident now and at most,
after the start, after the night, with `page` after a login and every screen three times, and after commands it answered.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import requests
from tests.bench.page.resident import resident
from tests.bench.store.bench_store_child import NIGHT
from tests.bench.store.bench_store_rack import DAY, NAMES, START, UTC, HandClock, Rack, cycles, settings

from dewkeeper.judge.types import MISSING, PASS, Quality, Reading
from dewkeeper.store import Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage

DAYS, JUDGED = 30, 2
SETTLE_SECONDS = 20.0
"""After the night: a few commits, and what the night used is given back."""
ASKED = (["now"], ["morning"], ["alarms"], ["history", "p001"], ["journal", "list"])


def fill(folder: Path, names: Sequence[str]) -> None:
    """Store a month that ends now, with each night's compaction but the last; the last days through the judge."""
    folder.mkdir()
    now = int(time.time())
    today = (now - START) / DAY
    first, judged = int(today) - DAYS, int(today) - JUDGED
    with contextlib.closing(Store.open(folder, Storage(folder=folder, ballast_mb=0), HandClock(START))) as store:
        store.commit(Batch(items=(settings(names),)))
        waiting: list[tuple[Reading, Quality]] = []
        for readings in cycles(first, judged - first, names=names):
            waiting += [(r, Quality(r.time, r.probe, MISSING if r.failure else PASS)) for r in readings]
            at = readings[0].time
            if at % 3600 == NIGHT % 3600:
                store.commit(Batch(readings=tuple(waiting), snapshot=Snapshot(at, 0, b"state")))
                waiting = []
            if at % DAY == NIGHT:
                store.compact(at, UTC)
        store.commit(Batch(readings=tuple(waiting)))
    rack = Rack(folder, 1, settings(names))
    for readings in cycles(judged, today - judged, names=names):
        rack.poll(readings)
    rack.store.commit(Batch(notes={"done:nightly": str(now - 2 * DAY)}))
    rack.ledger.close(rack.judge)


def _configured(folder: Path, names: Sequence[str], *, page: bool) -> Path:
    lines = [
        f'storage = {{ folder = "{folder / "state"}", ballast_mb = 0 }}',
        "web = { port = 0 }" if page else "web = { enabled = false }",
        'rack = [{ name = "R" }]', 'channel = [{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }]',
        'person = [{ name = "Ina", channels = ["phone"] }]',
    ]  # fmt: skip
    for n, name in enumerate(names):
        lines.append(f'[[enclosure]]\nname = "{name}"\nrack = "R"\nplace = {n % 90 + 1}\nshelf = {n // 90 + 1}')
        lines.append(f'[[probe]]\nname = "{name}"\nenclosure = "{name}"\ndriver = "simulated"')
    file = folder / "rack.toml"
    file.write_text("\n".join(lines))
    return file


def _archived(folder: Path) -> int:
    uri = f"file:{folder / 'state' / FILE_NAME}?mode=ro"
    with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=30)) as database:
        blocks: int = database.execute("SELECT max(key) >> 10 FROM chunk").fetchone()[0]
    return blocks


def _visit(said: str) -> None:
    base = re.findall(r"the page is at (http://[^/]+)/", said)[0]
    code = re.findall(r"good once: (\S+)", said)[0]
    screens = (
        "/", "/rack", "/enclosure/p001", "/enclosure/p001?span=year", "/alarms", "/journal", "/animals", "/probes", "/health",
        "/cautions",
    )  # fmt: skip
    with requests.Session() as keeper:
        keeper.trust_env = False
        form = {"code": code, "name": "Ina", "password": "four plain words here"}
        keeper.post(base + "/first", data=form, timeout=60).raise_for_status()
        for path in screens * 3:
            keeper.get(base + path, timeout=60).raise_for_status()


def measure(folder: Path, names: Sequence[str], *, page: bool) -> None:
    """Run the daemon on a folder that was filled, and print."""
    file, log = _configured(folder, names, page=page), folder / "log"
    before = _archived(folder)
    ours = [sys.executable, "-m", "dewkeeper"]
    with log.open("w") as sink:
        process = subprocess.Popen([*ours, "run", "--config", str(file)], stderr=sink)
    try:
        while "watching" not in log.read_text():
            time.sleep(0.2)
        print("started:      ", resident(process.pid), flush=True)
        while _archived(folder) == before:
            time.sleep(1)
        time.sleep(SETTLE_SECONDS)
        print("after a night:", resident(process.pid), flush=True)
        if page:
            _visit(log.read_text())
            print("after visits: ", resident(process.pid), flush=True)
        for words in ASKED:
            subprocess.run([*ours, *words, "--config", str(file)], stdout=subprocess.DEVNULL, check=False)
        print("after answers:", resident(process.pid), flush=True)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)


def main() -> None:
    """Measure in a folder of its own, in memory where there is some: what counts is the process."""
    words = sys.argv[1:]
    names = NAMES[: next((int(word) for word in words if word.isdigit()), len(NAMES))]
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108  a folder of its own in it
    with tempfile.TemporaryDirectory(dir=memory) as name:
        fill(Path(name) / "state", names)
        measure(Path(name), names, page="page" in words)


if __name__ == "__main__":
    main()
