"""What sending on costs, on a real server: `python -m tests.bench.collect.bench_collect_ingest [DAYS] [PROBES] [python|binary]`.

A site that was never sent is caught up; then the same rows are copied into a bare table with the same key by one COPY, in
the same run. Processor time of both sides is what is compared: the sender's own, and its server process's.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from tests.bench.collect.bench_collect_pass import used
from tests.collect.certificates import Authority, show
from tests.collect.postgres import Server
from tests.store.conftest import reading

from dewkeeper.clock import ManualClock
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.copy_rows import COPY, HEAD, TAIL, packed
from dewkeeper.collect.place import enter
from dewkeeper.collect.sending import Pass
from dewkeeper.collect.server import admit, initialise
from dewkeeper.judge.types import PASS, Quality
from dewkeeper.store import Store
from dewkeeper.store.database import BLOCK_SECONDS, FILE_NAME, PROBE_BITS, PROBE_MASK
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage

_DAY = 86400
_OPTIONS = ("-OO", "-X", "no_debug_ranges")  # the unit's


_LIVED = 14
"""Days that are stored and archived as the daemon does it; older ones are copies of their archive, for the sake of time."""


def fill(folder: Path, days: int, probes: int) -> None:
    """Store so many days of readings that wander."""
    _live(folder, min(days, _LIVED), probes)
    if days > _LIVED:
        _repeat(folder, days - _LIVED)


def _repeat(folder: Path, days: int) -> None:
    """Put copies of the whole archived blocks before them: a block's seconds count from its own start."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as file, file:
        of_block = f"FROM chunk WHERE key >> {PROBE_BITS} = ?"
        whole = f"SELECT key >> {PROBE_BITS} FROM chunk GROUP BY 1 HAVING min(n) = {BLOCK_SECONDS // 60} ORDER BY 1"  # noqa: S608
        blocks = [block for (block,) in file.execute(whole)]
        for back in range(-(-days * _DAY // BLOCK_SECONDS)):
            there = (blocks[0] - 1 - back) << PROBE_BITS
            copied = f"INSERT OR REPLACE INTO chunk SELECT {there} + (key & {PROBE_MASK}), n, data {of_block}"
            file.execute(copied, (blocks[-1 - back % len(blocks)],))


def _live(folder: Path, days: int, probes: int) -> None:
    """Store them, each night archived as the daemon does it."""
    rng = random.Random(1)
    words = [[27000 + rng.randrange(2000), 42000 + rng.randrange(4000)] for _ in range(probes)]
    first = int(time.time()) // _DAY * _DAY - days * _DAY  # what is dated ahead has no partition of its month
    store = Store.open(folder, Storage(folder=folder), ManualClock())
    for day in range(days):
        batch = []
        for at in range(first + day * _DAY, first + (day + 1) * _DAY, 60):
            for number, pair in enumerate(words):
                pair[0] += rng.randrange(-9, 10)
                pair[1] += rng.randrange(-20, 21)
                probe = f"p{number:03}"
                batch.append((reading(at, probe, *pair), Quality(at, probe, PASS)))
        store.commit(Batch(readings=tuple(batch), snapshot=Snapshot(first + (day + 1) * _DAY, 0, b"state")))
        store.compact(first + (day + 1) * _DAY)
    store.close()


@dataclass(frozen=True, slots=True)
class Cost:
    """readings: how many were sent. sender, server, bare: seconds of processor of the sending process, of its server process,
    and of the server for a bare COPY of the same rows. wall: seconds. more_mb: of memory, for the sender."""

    readings: int
    sender: float
    server: float
    bare: float
    wall: float
    more_mb: float

    @property
    def times(self) -> float:
        """The server's processor time against a bare COPY."""
        return self.server / self.bare


def main() -> None:
    """Fill, catch up in a process of its own, copy barely, and print both."""
    words = (*sys.argv[1:], *("7", "40", "python")[len(sys.argv) - 1 :])
    days, probes = int(words[0]), int(words[1])
    cost = measure(days, probes, words[2])
    year = 525_600 * probes / cost.readings
    print(f"{cost.readings} readings of {probes} probes, {days} days; load {os.getloadavg()[0]:.0f}")
    print(
        f"sender {cost.sender:.1f} s processor, its server process {cost.server:.2f} s, {cost.wall:.1f} s on the wall"
    )
    print(f"a year of them: {(cost.sender + cost.server) * year / 60:.1f} min of processor, both sides")
    print(
        f"bare COPY of the same rows into the same key: server {cost.bare:.2f} s; ingest {cost.times:.2f} times (goal 2)"
    )
    print(
        f"the sender's process, over TLS and with the comparison of a day, takes {cost.more_mb:.1f} MB more at most than one "
        f"that has the daemon's code, has spoken TLS and reads a day; psycopg's {words[2]} form included (goal 8)"
    )


def measure(days: int, probes: int, library: str = "python") -> Cost:
    """Return what it costs, on a server of its own. library: psycopg's form, "python" over the system's libpq as on a Pi."""
    server = Server()
    try:
        with tempfile.TemporaryDirectory() as name:
            return _measure(Path(name), server, days, probes, library)
    finally:
        server.stop()


def _child(library: str, *arguments: str) -> dict[str, float]:
    said = subprocess.run(
        [sys.executable, *_OPTIONS, "-m", "tests.bench.collect.bench_collect_pass", *arguments],
        check=True,
        stdout=subprocess.PIPE,  # what it complains of is seen
        text=True,
        env=os.environ | {"PSYCOPG_IMPL": library},
    )
    cost: dict[str, float] = json.loads(said.stdout)
    return cost


def _measure(folder: Path, server: Server, days: int, probes: int, library: str) -> Cost:
    fill(folder, days, probes)
    owner = parameters(server.owner(), None)
    initialise(owner)
    with ServerLink(owner) as link:
        made = admit(link, "a site")
    ours, ca_file = Authority("ours"), folder / "ca.pem"
    ca_file.write_bytes(ours.pem())
    show(server, *ours.issue("localhost"))
    address = f"host=localhost port={server.port} dbname={made.database} user={made.login} password={made.password}"
    # All of it is compiled before, as it is on a Pi from the second start on.
    compiled = [sys.executable, *_OPTIONS, "-c", "import dewkeeper.collect.comparing"]
    subprocess.run(compiled, check=True, env=os.environ | {"PSYCOPG_IMPL": library})
    without, cost = _child(library, str(folder)), _child(library, str(folder), address, str(ca_file))
    more = cost["resident_mb"] - without["resident_mb"]
    bare = min(
        _bare(server, folder, address, ca_file) for _ in range(2 if days < 30 else 1)
    )  # of little, a tick counts
    return Cost(int(cost["readings"]), cost["sender"], cost["server"], bare, cost["wall"], more)


def _bare(server: Server, folder: Path, address: str, ca_file: Path) -> float:
    with (
        Onward.open(folder) as onward,
        ServerLink(parameters(address, ca_file)) as link,
        server.connect() as connection,
    ):
        sending = Pass(link, onward, enter(link, "a site", None))
        sending.learn_probes()
        connection.execute("DROP TABLE IF EXISTS bare")
        connection.execute(
            "CREATE TABLE bare (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS, PRIMARY KEY (site, probe, time))"
        )
        connection.execute("ALTER TABLE bare ALTER site SET DEFAULT 1")
        reach = onward.reach()
        assert reach is not None
        start = used(connection.info.backend_pid)
        into = COPY.replace("pg_temp.incoming", "bare (time, t, h, probe, flag, why)")
        with connection.cursor() as cursor, cursor.copy(into) as copy:
            copy.write(HEAD)
            for first in range(reach[0], reach[1] + 1, _DAY):
                for probe, number in sending.probes.items():
                    copy.write(b"".join(packed(number, onward.rows(probe, first, first + _DAY))))
            copy.write(TAIL)
        return used(connection.info.backend_pid) - start


if __name__ == "__main__":
    main()
