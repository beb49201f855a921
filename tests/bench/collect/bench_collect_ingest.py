"""What sending on costs, on a real server of this machine: `python -m tests.bench.collect.bench_collect_ingest [DAYS] [PROBES]`.

A site that was never sent is caught up; then the same rows are copied into a bare table with the same key by one COPY, in
the same run. Processor time of both sides is what is compared: the sender's own, and its server process's.
"""

from __future__ import annotations

import os
import random
import resource
import sys
import tempfile
import time
from pathlib import Path
from zoneinfo import ZoneInfo

import psycopg
from tests.collect.postgres import Server
from tests.store.conftest import MIDNIGHT, reading

from dewkeeper.clock import ManualClock
from dewkeeper.collect.link import ServerLink, parameters
from dewkeeper.collect.place import enter, installation
from dewkeeper.collect.rows import COPY, HEAD, INCOMING, TAIL, packed, rows_of
from dewkeeper.collect.sending import Pass
from dewkeeper.collect.server import admit, initialise
from dewkeeper.judge.types import PASS, Quality
from dewkeeper.store import Store
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage

_DAY = 86400


def fill(folder: Path, days: int, probes: int) -> None:
    """Store so many days of readings that wander, each night archived as the daemon does it."""
    rng = random.Random(1)
    words = [[27000 + rng.randrange(2000), 42000 + rng.randrange(4000)] for _ in range(probes)]
    store = Store.open(folder, Storage(folder=folder), ManualClock())
    for day in range(days):
        batch = []
        for at in range(MIDNIGHT + day * _DAY, MIDNIGHT + (day + 1) * _DAY, 60):
            for number, pair in enumerate(words):
                pair[0] += rng.randrange(-9, 10)
                pair[1] += rng.randrange(-20, 21)
                probe = f"p{number:03}"
                batch.append((reading(at, probe, *pair), Quality(at, probe, PASS)))
        store.commit(Batch(readings=tuple(batch), snapshot=Snapshot(MIDNIGHT + (day + 1) * _DAY, 0, b"state")))
        store.compact(MIDNIGHT + (day + 1) * _DAY, ZoneInfo("UTC"))
    store.close()


def main() -> None:
    """Fill, catch up, copy barely, and print both."""
    days, probes = (int(word) for word in (*sys.argv[1:], "7", "40")[:2])
    server = Server()
    try:
        with tempfile.TemporaryDirectory() as name:
            _measure(Path(name), server, days, probes)
    finally:
        server.stop()


def _measure(folder: Path, server: Server, days: int, probes: int) -> None:
    fill(folder, days, probes)
    owner = parameters(server.owner(), None)
    initialise(owner)
    with ServerLink(owner) as link:
        made = admit(link, "a site")
    address = f"host=127.0.0.1 port={server.port} dbname={made.database} user={made.login} password={made.password}"
    before = _resident()
    with Onward.open(folder) as onward, ServerLink(parameters(address, None)) as link:
        sending = Pass(link, onward, enter(link, "a site", installation(folder)))
        here, there, start = time.process_time(), _used(link.connection), time.monotonic()
        sending.send()
        took = time.process_time() - here, _used(link.connection) - there, time.monotonic() - start
        rows = sending.sent.readings
        most = _resident() - before
        bare = _bare(server, onward, sending)
    year = rows and 525_600 * probes / rows
    print(f"{rows} readings of {probes} probes, {days} days; load {os.getloadavg()[0]:.0f}")
    print(f"sender {took[0]:.1f} s processor, its server process {took[1]:.1f} s, {took[2]:.1f} s on the wall")
    print(f"a year of them: {(took[0] + took[1]) * year / 60:.1f} min of processor, both sides")
    print(
        f"bare COPY of the same rows into the same key: server {bare:.1f} s; ingest against it {took[1] / bare:.2f} times (goal 2)"
    )
    print(f"largest resident memory of the sender, above before it connected: {most / 1024:.1f} MB")


def _bare(server: Server, onward: Onward, sending: Pass) -> float:
    with server.connect() as connection:
        connection.execute(
            "CREATE TABLE bare (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS, PRIMARY KEY (site, probe, time))"
        )
        connection.execute(INCOMING.replace("ON COMMIT DELETE ROWS", ""))
        connection.execute("ALTER TABLE bare ALTER site SET DEFAULT 1")
        reach = onward.reach()
        assert reach is not None
        start = _used(connection)
        with (
            connection.cursor() as cursor,
            cursor.copy(COPY.replace("pg_temp.incoming", "bare (time, t, h, probe, flag, why)")) as copy,
        ):
            copy.write(HEAD)
            for first in range(reach[0], reach[1] + 1, _DAY):
                for probe, number in sending.probes.items():
                    copy.write(b"".join(packed(number, rows_of(onward.raw(probe, first, first + _DAY)))))
            copy.write(TAIL)
        return _used(connection) - start


def _used(connection: psycopg.Connection[tuple[object, ...]]) -> float:
    """Return the processor seconds of the server's process of a connection."""
    fields = Path(f"/proc/{connection.info.backend_pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _resident() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


if __name__ == "__main__":
    main()
