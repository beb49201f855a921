"""The page over all sites of a server that is filled, asked over loopback as a browser asks it."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import requests
from tests.collect.over_all import ALL
from tests.web.conftest import PASSWORD

from dewkeeper.clock import SystemClock
from dewkeeper.collect.all_sites import AllSites
from dewkeeper.store import History, Store
from dewkeeper.web.serve import PageServer
from dewkeeper_config.loading import parse

_ROUNDS = 3
SCREENS = {
    "/": "all sites' morning, the first screen",
    "/alarms": "all sites' alarms",
    "/journal": "all sites' journal",
}


def ask_page(address: str, sites: int, spent: Callable[[], float]) -> dict[str, tuple[float, float]]:
    """Return by screen its milliseconds, first and best of three, and those of one site's own morning; and of the processor.

    address: the reader's. spent: gives the seconds of processor of the server.
    """
    found = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = parse(ALL.format(folder=folder, address=address, silent_minutes=10_080).encode(), folder / "all.toml")
        assert config.collector is not None
        Store.open(folder, config.storage, SystemClock()).close()
        there = AllSites(config.collector)
        page = PageServer(
            config, lambda: History.open(folder), lambda _: {}, lambda: [], SystemClock(), None, there
        )  # fmt: skip
        page.start()
        try:
            with requests.Session() as browser:
                browser.trust_env = False
                base = "http://{}:{}".format(*page.address)
                browser.post(
                    base + "/first", data={"code": page.first_run_code, "name": "Ina", "password": PASSWORD}
                ).raise_for_status()  # fmt: skip
                for path, what in {**SCREENS, "/site/1/": "one site's own morning there"}.items():
                    took, busy, before = [], [], there.reader.asked
                    for _ in range(_ROUNDS):
                        began, used = time.perf_counter(), time.process_time() + spent()
                        answer = browser.get(base + path)
                        took.append((time.perf_counter() - began) * 1000)
                        busy.append((time.process_time() + spent() - used) * 1000)
                        answer.raise_for_status()
                    asked = (there.reader.asked - before) / _ROUNDS
                    if path == "/":
                        assert answer.text.count("site 0") >= sites, "a site is missing"
                        assert asked <= 2, "more than two statements"
                    # All layouts, what stands, which readings came last, and the newest: of none that was seen by somebody.
                    assert path != "/alarms" or asked <= 6, "a statement a site"
                    found[what] = took[0], min(took)
                    found[f"{what}: processor, page and server"] = busy[0], min(busy)
        finally:
            page.stop()
    return found
