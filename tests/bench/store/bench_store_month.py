"""Resident memory of the real daemon with a month behind it and its nightly job done: `python -m tests.bench.store.bench_store_month`.

    python -m tests.bench.store.bench_store_month [PROBES] [page]

PROBES (default 128) at a poll a minute: a month is stored first, archived but for the last days, of which the judge has
seen two (minutes). Then `dewkeeper run`, by Python's options in the systemd unit, finds the nightly job overdue and does it.
Printed, in MB: resident now and at most, after the start, after the night, with `page` after a login and every screen three
times, after commands it answered, and after a message. Until then nobody can be told anything, and what sends is not loaded.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from tests.bench.page.resident import SCREENS, resident, show, start, stop, visit
from tests.bench.store.bench_store_child import NIGHT
from tests.bench.store.bench_store_rack import DAY, NAMES, START, HandClock, Rack, cycles, settings

from dewkeeper.judge.types import MISSING, PASS, Quality, Reading
from dewkeeper.store import Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage

DAYS, JUDGED = 30, 2
SETTLE_SECONDS = 20.0
"""After the night: a few commits, and what the night used is given back."""
ASKED = (["now"], ["morning"], ["alarms"], ["history", "p001"], ["journal", "list"])


def fill(folder: Path, names: Sequence[str], days: int = DAYS) -> None:
    """Store a month, or so many days, that ends now, with each night's compaction but the last; the last days through the judge."""
    folder.mkdir()
    now = int(time.time())
    today = (now - START) / DAY
    first, judged = int(today) - days, int(today) - JUDGED
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
                store.compact(at)
        store.commit(Batch(readings=tuple(waiting)))
    rack = Rack(folder, 1, settings(names))
    for readings in cycles(judged, today - judged, names=names):
        rack.poll(readings)
    rack.store.commit(Batch(notes={"done:nightly": str(now - 2 * DAY)}))
    rack.ledger.close(rack.judge)


def _configured(folder: Path, names: Sequence[str], url: str, *, page: bool) -> Path:
    lines = [
        f'storage = {{ folder = "{folder / "state"}", ballast_mb = 0 }}',
        "web = { port = 0 }" if page else "web = { enabled = false }",
        'rack = [{ name = "R" }]', f'channel = [{{ kind = "webhook", name = "phone", url = "{url}" }}]',
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


class _Phone(BaseHTTPRequestHandler):
    """Takes messages and says so."""

    taken = threading.Event()

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(204)
        self.end_headers()
        self.taken.set()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextlib.contextmanager
def _phone() -> Iterator[ThreadingHTTPServer]:
    """Have an address that refuses connections until it is told to listen."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Phone, bind_and_activate=False) as server:
        server.server_bind()
        yield server


def _listen(server: ThreadingHTTPServer) -> None:
    server.server_activate()
    threading.Thread(target=server.serve_forever, daemon=True).start()


def measure(
    folder: Path, names: Sequence[str], compiled: Path, *, page: bool
) -> Iterator[tuple[str, tuple[float, float]]]:
    """Run the daemon on a folder that was filled; yield when, and what is resident then and was at most, thousands of kB.

    Raises AssertionError when the test message does not arrive, or when the daemon logged a traceback.
    """
    ours = [sys.executable, "-m", "dewkeeper"]
    _Phone.taken.clear()
    with _phone() as phone:
        url = f"http://127.0.0.1:{phone.server_port}/"
        file, log = _configured(folder, names, url, page=page), folder / "log"
        before = _archived(folder)
        process = start(compiled, file, log)
        try:
            yield "started", resident(process.pid)
            while _archived(folder) == before:
                time.sleep(1)
            time.sleep(SETTLE_SECONDS)
            yield "after a night", resident(process.pid)
            if page:
                visit(log.read_text(), ["/", "/rack", "/enclosure/p001", "/enclosure/p001?span=year", *SCREENS[4:]])
                yield "after visits", resident(process.pid)
            for words in ASKED:
                subprocess.run([*ours, *words, "--config", str(file)], stdout=subprocess.DEVNULL, check=False)
            yield "after answers", resident(process.pid)
            _listen(phone)
            subprocess.run([*ours, "notify", "test", "--config", str(file)], stdout=subprocess.DEVNULL, check=True)
            assert _Phone.taken.wait(300), "no message came"
            yield "after a message", resident(process.pid)
        finally:
            stop(process)
            if _Phone.taken.is_set():
                phone.shutdown()
    assert "Traceback" not in log.read_text(), log.read_text()


def compiled(folder: Path) -> Path:
    """Let a daemon of two probes do all of it once; return the folder of what it compiled: compiling leaves some MB behind."""
    folder.mkdir()
    fill(folder / "state", NAMES[:2], JUDGED + 2)
    for _ in measure(folder, NAMES[:2], folder / "compiled", page=True):
        pass
    return folder / "compiled"


def main() -> None:
    """Measure in a folder of its own, in memory where there is some: what counts is the process."""
    words = sys.argv[1:]
    names = NAMES[: next((int(word) for word in words if word.isdigit()), len(NAMES))]
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # noqa: S108  a folder of its own in it
    with tempfile.TemporaryDirectory(dir=memory) as name:
        fill(Path(name) / "state", names)
        for when, found in measure(Path(name), names, compiled(Path(name) / "first"), page="page" in words):
            show(when, found)


if __name__ == "__main__":
    main()
