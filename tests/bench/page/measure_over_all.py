"""The morning of a site as the page over all asks it of a server, beside the same morning from the site's own file.

    python -m tests.bench.page.measure_over_all [DAYS] [PROBES]

Stores a poll a minute of PROBES probes (default 40) for DAYS days (default 3), sends it to a PostgreSQL of the machine's own
package by the real sender, and prints milliseconds (elapsed medians, processor time) and statements: of the list of
sites, of the morning, of its small curves, and of one tub's curve over all the days.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.collect.conftest import Collector
from tests.collect.postgres import Server
from tests.collect.sites import SendingSite
from tests.report.conftest import judged

from dewkeeper.collect.all_sites import AllSites
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.sending import describe
from dewkeeper.report.glimpse import glimpse
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History
from dewkeeper.store.records import Batch
from dewkeeper_config.door import checked
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Collector as Settings
from dewkeeper_config.models import Config

ROUNDS = 5


def rack(folder: Path, probes: int) -> Config:
    """Return so many enclosures with a probe each, read every minute."""
    lines = [f'storage = {{ folder = "{folder}", ballast_mb = 0 }}', '[[rack]]\nname = "R"']
    for n in range(1, probes + 1):
        lines.append(f'[[enclosure]]\nname = "T{n}"\nrack = "R"\nplace = {n}')
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "T{n}"\ndriver = "simulated"')
    lines.append('[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1:9/"')
    lines.append('[[person]]\nname = "Ina"\nchannels = ["phone"]')
    return parse("\n".join(lines).encode(), folder / "rack.toml")


def fill(site: SendingSite, config: Config, now: int, days: int) -> None:
    """Store the days and send them."""
    start, draw = now - days * 86400, random.Random(7)
    site.shelf.store.commit(Batch(items=(judge_settings(config, start),)))
    for first in range(start, now, 600):
        polls = range(first, min(now, first + 600), 60)
        rows = [judged(p.name, at, 28 + draw.random(), 62 + 4 * draw.random()) for at in polls for p in config.probe]
        site.shelf.store.commit(Batch(readings=tuple(rows)))
    site.send()
    with ServerLink(parameters(site.address, None)) as link:
        describe(link, site.place(), config, "bench", {})


def timed(server: Server, what: str, ask: Callable[[], Any], statements: Callable[[], int]) -> Any:
    """Print the median of some rounds, what they cost this process and the server, and how many statements the last took."""
    took, here, there = [], time.process_time(), server.processor_seconds()
    for _ in range(ROUNDS):
        before, began = statements(), time.perf_counter()
        found = ask()
        took.append((time.perf_counter() - began) * 1000)
    here, there = time.process_time() - here, server.processor_seconds() - there
    said = f"{sorted(took)[ROUNDS // 2]:.0f} ms elapsed, processor {here * 1000 / ROUNDS:.0f} ms here, {there * 1000 / ROUNDS:.0f} ms the server's"
    print(f"{what}: {said}, {statements() - before} statements")
    return found


def _of(
    server: Server, past: StoredPast, config: Config, name: str, now: int, days: int, statements: Callable[[], int]
) -> None:
    glance = timed(server, f"morning, {name}", lambda: morning(past, config, now), statements)
    timed(server, f"small curves, {name}", lambda: glimpse(past, glance), statements)
    timed(server, f"curve of {days} days, {name}", lambda: past.traces("T1", now - days * 86400, now, 500), statements)


def main(days: int = 3, probes: int = 40) -> None:
    """Measure and print."""
    server = Server()
    try:
        collector = Collector(server)
        with collector.connect() as connection:
            row = connection.execute("SELECT extract(epoch FROM now())::bigint").fetchone()
            connection.execute("CREATE ROLE looks LOGIN PASSWORD 'x' IN ROLE dewkeeper_reader")
        now = int(row[0]) if row is not None else 0
        with tempfile.TemporaryDirectory() as kept:
            folder = Path(kept)
            site, config = SendingSite.admitted(folder, "north", collector.owner, collector.host), rack(folder, probes)
            fill(site, config, now, days)
            site.shelf.store.close()
            there = AllSites(
                checked(Settings, {"address": f"{collector.host} dbname={collector.name} user=looks password=x"})
            )
            (one,) = timed(server, "list of sites", there.sites, lambda: there.reader.asked)
            with History.open(folder) as history:
                _of(server, StoredPast(history, config), config, "own file", now, days, lambda: 0)
                _of(server, StoredPast(one.history, config), config, "server", now, days, lambda: there.reader.asked)
            there.close()
    finally:
        server.stop()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
