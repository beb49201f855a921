"""Many sites and one server: `python -m tests.bench.collect.bench_collect_sites [SITES] [HOURS] [OUT] [PROBES]`.

All sites send HOURS of 60 s polls they have not sent yet, then the passes of a usual five minutes; OUT of them then catch up
three days. The same rows as these three days' are copied by one bare COPY into an empty table with the same key. The server
has fsync on. Sites are made up (`bench_collect_made`), and their processes share the machine with the server: the server's own
processor time, all its processes', is what is compared and scaled; seconds on the wall are this machine's, by its load.
"""

from __future__ import annotations

import os
import secrets
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from multiprocessing import get_context
from typing import Any

import psycopg
from tests.bench.collect.bench_collect_made import POLL_SECONDS, Done, MadeUp, Site, one_pass
from tests.bench.collect.bench_collect_page import ask_page
from tests.collect.postgres import Server

from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.copy_rows import COPY, HEAD, TAIL, packed
from dewkeeper.collect.queries import ServerReader, SiteHistory
from dewkeeper.collect.server import READER, admit, initialise
from dewkeeper.judge.words import FAULTS
from dewkeeper.notify.sites import _SITES, _TROUBLES

_DAY = 86400
PASS_SECONDS = 300
"""A site's usual pass: `[collect] minutes`."""
_AT_ONCE = 3
_SETTINGS = (
    "fsync=on", "shared_buffers=2GB", "max_wal_size=8GB", "checkpoint_timeout=15min", "work_mem=64MB", "max_connections=50",
)  # fmt: skip
STANDING = (
    "SELECT site, count(*), min(raised) FROM alarms WHERE state <> 'normal' AND held GROUP BY site ORDER BY 2 DESC, 3"
)
"""The morning of all sites, worst first."""
_NIGHT = "SELECT probe, temperature_min_c, humidity_min_percent, counted FROM nights WHERE {}morning = %(morning)s"


@dataclass(frozen=True, slots=True)
class Rate:
    """readings: how many. wall: seconds. server: seconds of processor of everything the server runs. passes: how many."""

    readings: int
    wall: float
    server: float
    passes: int = 0

    @property
    def a_second(self) -> float:
        """Readings a second of the wall."""
        return self.readings / self.wall

    @property
    def each(self) -> float:
        """Microseconds of the server's processor a reading."""
        return self.server * 1e6 / self.readings

    def told(self, what: str) -> str:
        """Return it as a line."""
        passes = (
            f", {self.passes} passes, {1000 * self.server / self.passes:.1f} ms of the server each"
            if self.passes
            else ""
        )
        return (
            f"{what}: {self.readings} readings in {self.wall:.1f} s, {self.a_second:.0f} a second; "
            f"server {self.server:.1f} s of processor, {self.each:.2f} us a reading{passes}; load {os.getloadavg()[0]:.0f}"
        )


@dataclass(slots=True)
class Found:
    """What a run found. queries: milliseconds by name, first and best of three; plan: of the alarms that stand."""

    first: Rate
    usual: Rate
    outage: Rate
    bare: Rate
    bytes_a_reading: float
    queries: dict[str, tuple[float, float]]
    look_at_a_day: float
    plan: str


def main() -> None:
    """Run it and print."""
    sites, hours, out, probes = (
        int(word) for word in (*sys.argv[1:], *("1000", "4", "24", "128")[len(sys.argv) - 1 :])
    )
    found = measure(sites, hours, out, probes, print)
    year = 365 * _DAY // POLL_SECONDS * probes
    print(
        f"ingest of the three days: {found.outage.each / found.bare.each:.2f} times a bare COPY's processor time (goal 2)"
    )
    print(
        f"on disk: {found.bytes_a_reading:.1f} bytes a reading, {found.bytes_a_reading * year / 1e9:.1f} GB a site and year"
    )
    busy = found.usual.server / found.usual.passes * sites / PASS_SECONDS
    print(f"all {sites} sites each five minutes: {busy:.2f} of one core of the server, their hourly looks at a day")
    print(f"another {found.look_at_a_day * sites / 3600:.2f} ({found.look_at_a_day:.2f} s each)")
    behind = found.outage.wall / out * sites
    print(
        f"three days' outage of all, from {out} sites: caught up in {behind / 3600:.1f} h on this machine, its senders on it too;"
    )
    print(f"{found.outage.server / out * sites / 3600:.1f} h of one core of the server")
    for name, (first, best) in found.queries.items():
        print(f"{name}: {first:.0f} ms at first, {best:.0f} ms then")
    print(found.plan)


def measure(sites: int, hours: int, out: int, probes: int, say: Callable[[str], None]) -> Found:
    """Return what it costs, on a server of its own. hours: at most 24."""
    server = Server(*_SETTINGS)
    try:
        with ProcessPoolExecutor(_AT_ONCE, get_context("spawn")) as pool:
            return _measure(server, pool, (sites, hours, out, probes), say)
    finally:
        server.stop()


def _measure(
    server: Server, pool: ProcessPoolExecutor, amounts: tuple[int, int, int, int], say: Callable[[str], None]
) -> Found:
    count, hours, out, probes = amounts
    # The night of the day before yesterday begins it, so that three days more are hardly in the future.
    since = int(time.time()) // _DAY * _DAY - 4 * _DAY + 21 * 3600
    each = _admitted(server, count, probes, since)
    say(f"{count} sites of {probes} probes let in; {os.cpu_count()} processors")
    until = since + hours * 3600
    first = _send(server, pool, each, until)
    say(first.told(f"{hours} hours of all, with the first of everything"))
    usual = _send(server, pool, each, until + PASS_SECONDS)
    say(usual.told("five minutes of all"))
    outage = _send(server, pool, each[:out], until + PASS_SECONDS + 3 * _DAY)
    say(outage.told(f"three days of {out} sites"))
    bare = _bare(server, each[:out], until + PASS_SECONDS, until + PASS_SECONDS + 3 * _DAY)
    say(bare.told("bare COPY of the same rows"))
    with server.connect() as connection:
        connection.execute("DROP TABLE bare")
        connection.execute("VACUUM ANALYZE")
        size = _one(
            connection,
            "SELECT sum(pg_total_relation_size(inhrelid)) FROM pg_inherits WHERE inhparent = 'reading'::regclass",
        )
        rows = _one(connection, "SELECT count(*) FROM reading")
        # Its turn comes to a whole day of readings; the first are those of months that have only alarms.
        connection.execute(
            "UPDATE site SET compared_until = date_trunc('day', readings_until) - interval '2 days' WHERE number = 1"
        )
    polls = count * (until + PASS_SECONDS - since) + out * 3 * _DAY
    assert rows == polls // POLL_SECONDS * probes, "lost or doubled"
    looked = pool.submit(one_pass, each[0], until + PASS_SECONDS + 3 * _DAY, compare=True).result()
    queries, plan = _ask(server, since, each[0], count)
    return Found(first, usual, outage, bare, float(size) / rows, queries, looked.server, plan)


def _admitted(server: Server, count: int, probes: int, since: int) -> list[Site]:
    owner = parameters(server.owner(), None)
    initialise(owner)
    found = []
    with ServerLink(owner) as link:
        for number in range(count):
            made = admit(link, f"site {number:04}")
            address = (
                f"host=127.0.0.1 port={server.port} dbname={made.database} user={made.login} password={made.password}"
            )
            found.append(Site(number, made.site, address, probes, since))
    return found


def _send(server: Server, pool: ProcessPoolExecutor, each: Sequence[Site], until: int) -> Rate:
    began, before = time.monotonic(), server.processor_seconds()
    done: Iterable[Done] = pool.map(partial(one_pass, until=until), each)
    readings = sum(one.readings for one in done)
    return Rate(readings, time.monotonic() - began, server.processor_seconds() - before, len(each))


def _bare(server: Server, each: Sequence[Site], since: int, until: int) -> Rate:
    with server.connect() as connection:
        connection.execute(
            "CREATE TABLE bare (LIKE reading INCLUDING DEFAULTS INCLUDING CONSTRAINTS, PRIMARY KEY (site, probe, time))"
        )
        began, before, readings = time.monotonic(), server.processor_seconds(), 0
        for site in each:
            connection.execute(f"ALTER TABLE bare ALTER site SET DEFAULT {site.number + 1}")
            made = MadeUp(site, until)
            with connection.cursor() as cursor, cursor.copy(COPY.replace("pg_temp.incoming", "bare (time, t, h, probe, flag, why)")) as copy:  # fmt: skip
                copy.write(HEAD)
                for start in range(since, until, _DAY):
                    for number, probe in enumerate(made.scales(), 1):
                        rows = made.rows(probe, start, min(start + _DAY, until))
                        readings += len(rows)
                        copy.write(b"".join(packed(number, rows)))
                copy.write(TAIL)
    return Rate(readings, time.monotonic() - began, server.processor_seconds() - before)


def _ask(server: Server, since: int, site: Site, count: int) -> tuple[dict[str, tuple[float, float]], str]:
    """Ask as a person with the reader's rights does, each question three times."""
    password = secrets.token_urlsafe()
    with server.connect() as connection:
        connection.execute(f"CREATE ROLE person LOGIN PASSWORD '{password}' IN ROLE {READER}")
    morning = datetime.fromtimestamp(since + _DAY, UTC).date()
    given = parameters(f"host=127.0.0.1 port={server.port} dbname=postgres user=person password={password}", None)
    asked: dict[str, tuple[str, Any]] = {
        "one site's night": (_NIGHT.format("site = %(site)s AND "), {"site": site.name, "morning": morning}),
        "all sites' morning, what stands": (STANDING, ()),
        "all sites' morning, who sent last": (_SITES, ()),
        "all sites' morning, troubles nobody saw": (_TROUBLES, (["system", *sorted(FAULTS)],)),
        "all sites' night, from every reading of it": (_NIGHT.format(""), {"morning": morning}),
    }
    found = {}
    with psycopg.connect(**given, autocommit=True) as connection:
        connection.execute("SET statement_timeout = 0")
        for name, (question, values) in asked.items():
            took = []
            for _ in range(1 if "every reading" in name else 3):
                began = time.perf_counter()
                connection.execute(question, values).fetchall()
                took.append((time.perf_counter() - began) * 1000)
            found[name] = (took[0], min(took))
        reader = ServerReader(lambda: given)
        began = time.perf_counter()
        SiteHistory(reader, site.number + 1).overnight(since, since + 11 * 3600)
        all_of_it = (time.perf_counter() - began) * 1000
        reader.close()
        found["one site's night, as the page over all asks it"] = all_of_it, all_of_it
        found |= ask_page(
            f"host=127.0.0.1 port={server.port} dbname=postgres user=person password={password}",
            count,
            server.processor_seconds,
        )
        plan = "\n".join(line for (line,) in connection.execute(f"EXPLAIN (ANALYZE, TIMING OFF) {STANDING}").fetchall())
    return found, plan


def _one(connection: psycopg.Connection[Any], question: str) -> Any:
    row = connection.execute(question).fetchone()
    assert row is not None
    return row[0]


if __name__ == "__main__":
    main()
