"""Wires are cut, servers and Pis are killed, disks fill: nothing is lost, nothing is doubled."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.amounts import SEED, amount
from tests.collect.conftest import Collector
from tests.collect.postgres import Server
from tests.collect.proxy import Proxy
from tests.collect.sites import MIDNIGHT, SendingSite, fill, live, unlike

from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import CollectError, ServerRefused, ServerUnreachable
from dewkeeper.collect.place import enter
from dewkeeper.collect.sending import Pass
from dewkeeper.judge.types import Exclusion
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch

ROOT = Path(__file__).resolve().parents[2]
DAY = 86400


@pytest.fixture
def proxy(server: Server) -> Iterator[Proxy]:
    """A wire to the server that can be cut."""
    made = Proxy(server.port)
    yield made
    made.close()


def _through(site: SendingSite, server: Server, proxy: Proxy) -> None:
    site.address = site.address.replace(f"port={server.port}", f"port={proxy.port}")


@pytest.mark.slow
def test_a_wire_cut_anywhere_loses_and_doubles_nothing(collector: Collector, site: SendingSite, proxy: Proxy) -> None:
    """Cut after any number of bytes, in the middle of a copy or just before its end is acknowledged, the next pass goes on."""
    direct = site.address
    _through(site, collector.server, proxy)
    rng = random.Random(SEED)
    cuts = 0
    for turn in range(amount(6, 60)):
        fill(site.shelf, MIDNIGHT + turn * 2 * DAY, 2, turn)
        live(site.shelf, MIDNIGHT + turn * 2 * DAY, turn)
        if turn:
            since = MIDNIGHT + turn * DAY
            site.shelf.store.commit(Batch(exclusions=(Exclusion("b3", since, since + DAY, ("drift",)),)))
        for _ in range(4):
            proxy.after = rng.choice([rng.randrange(2_000), rng.randrange(10_000, 60_000), rng.randrange(100_000)])
            try:
                site.send()
            except CollectError:
                cuts += 1
    proxy.after = None
    site.address = direct
    site.send()
    assert cuts > 0
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []


def test_what_a_wire_does_not_take_is_not_read_ahead(collector: Collector, site: SendingSite, proxy: Proxy) -> None:
    """While the wire stands still, little more is read from the store than the system's own buffers take; the deadline ends it."""
    fill(site.shelf, MIDNIGHT, 1, 1, every=60)
    site.send()
    _through(site, collector.server, proxy)
    proxy.still_after = 100_000
    read = 0

    def days() -> Iterator[tuple[str, int, int]]:
        nonlocal read
        while read < 5_000_000:
            read += DAY // 60 * 40  # bytes of a day of a probe, at least
            yield "b1", MIDNIGHT, MIDNIGHT + DAY

    with Onward.open(site.shelf.folder) as onward, ServerLink(parameters(site.address, None), seconds=3) as link:
        with socket.socket(fileno=os.dup(link.connection.fileno())) as wire:
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 65536)  # else it grows to 4 MB, and is not ours
        sending = Pass(link, onward, enter(link, site.name, None))
        sending.learn_probes()
        with pytest.raises(ServerUnreachable), link.batch() as cursor:
            sending.take_in(cursor, days())
    assert read < 1_000_000


@pytest.mark.slow
def test_a_server_killed_anywhere_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """Killed at random instants of taking in and started again, it has everything once the pass after it is done."""
    own = Server("restart_after_crash=off")
    try:
        collector = Collector(own)
        site = SendingSite.admitted(tmp_path / "north", "north room", collector.owner, collector.host)
        rng = random.Random(SEED)
        for turn in range(amount(3, 40)):
            fill(site.shelf, MIDNIGHT + turn * 6 * DAY, 6, turn)
            live(site.shelf, MIDNIGHT + turn * 6 * DAY, turn)
            killing = threading.Timer(rng.uniform(0.0, 0.6), own.kill)
            killing.start()
            with contextlib.suppress(CollectError):
                site.send()
            killing.join()
            own.start()
        site.send()
        with collector.connect() as connection:
            assert unlike(site.shelf, connection, site.name) == []
        site.shelf.store.close()
    finally:
        own.stop()


@pytest.mark.slow
def test_a_pi_killed_anywhere_loses_and_doubles_nothing(collector: Collector, site: SendingSite) -> None:
    """Killed at random instants of storing and sending and started again, what it had stored is there once."""
    site.shelf.store.close()
    rng = random.Random(SEED)
    for turn in range(amount(3, 60)):
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.collect.pi_process", str(site.shelf.folder), site.name, site.address, str(turn), "1000"],
            cwd=ROOT, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stdout is not None
        for _ in range(rng.randrange(1, 4)):
            assert child.stdout.readline() == "sent\n"
        try:
            child.wait(rng.uniform(0.0, 0.3))
        except subprocess.TimeoutExpired:
            child.kill()
        child.wait()
        child.stdout.close()
    site.shelf.reopen()
    site.send()
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []
        assert connection.execute("SELECT count(*) > 0 FROM readings").fetchone() == (True,)


@pytest.mark.skipif(shutil.which("cc") is None and not os.environ.get("CI"), reason="needs a C compiler")
def test_both_clocks_wrong_lose_and_double_nothing(tmp_path: Path) -> None:
    """A server two years behind, two ahead and right again, while the Pi stamps 1970, this year and 2099: the same on both sides."""
    own = Server()
    try:
        shim = own.folder / "shifted_clock.so"  # where the server's user can read it
        source = Path(__file__).with_name("shifted_clock.c")
        subprocess.run(["cc", "-shared", "-fPIC", "-O2", "-Wall", "-Werror", "-o", str(shim), str(source)], check=True)
        collector = Collector(own)
        site = SendingSite.admitted(tmp_path / "north", "north room", collector.owner, collector.host)
        for turn, off in enumerate((-730 * DAY, 730 * DAY, 0)):
            own.kill()
            own.environment = {"LD_PRELOAD": str(shim), "CLOCK_OFF": str(off)}
            own.start()
            with own.connect() as connection:
                (now,) = connection.execute("SELECT extract(epoch FROM clock_timestamp())::float8").fetchone() or (0,)
            assert now - time.time() == pytest.approx(off, abs=60)
            for start in (3600, MIDNIGHT, 4_080_000_000):
                fill(site.shelf, start + turn * DAY, 0.2, start + turn)
            live(site.shelf, MIDNIGHT + turn * DAY, turn)
            site.send(round_too=True)
            with collector.connect() as connection:
                assert unlike(site.shelf, connection, site.name) == []
        site.shelf.store.close()
    finally:
        own.stop()


def test_sending_writes_nothing_into_the_store(site: SendingSite) -> None:
    """The server keeps where a site is: a pass leaves the store's files as they were, to the byte; the first adds who this is."""
    fill(site.shelf, MIDNIGHT, 2, 1)
    live(site.shelf, MIDNIGHT, 1)
    site.shelf.store.close()

    def files() -> dict[str, bytes]:
        return {
            path.name: path.read_bytes()
            for path in site.shelf.folder.iterdir()
            if path.is_file() and not path.name.endswith("-shm")
        }

    before = files()
    site.send(round_too=True)
    first = files()
    site.send(round_too=True)
    assert files() == first
    assert {name: content for name, content in first.items() if name in before} == before
    assert {name for name, content in first.items() if content and name not in before} == {"installation"}


@pytest.mark.root
def test_a_full_disk_of_the_server_is_said_and_loses_nothing(
    collector: Collector, site: SendingSite, tmp_path: Path
) -> None:
    """With no room for readings the pass is refused in words, what was there stays; with room again it goes on."""
    disk = collector.server.folder / "small"
    disk.mkdir()
    user = collector.server.user
    assert user is not None
    options = f"size=1m,mode=0700,uid={user.pw_uid},gid={user.pw_gid}"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(disk)], check=True)
    try:
        _on_a_small_disk(collector, site, disk)
    finally:
        with collector.server.connect() as connection:
            connection.execute(f"ALTER DATABASE {collector.name} RESET default_tablespace")
            connection.execute(f"DROP DATABASE {collector.name} WITH (FORCE)")
            connection.execute("DROP TABLESPACE small")
            connection.execute(f"CREATE DATABASE {collector.name}")  # which the fixture drops
        subprocess.run(["umount", str(disk)], check=True)
        disk.rmdir()


def _on_a_small_disk(collector: Collector, site: SendingSite, disk: Path) -> None:
    with collector.server.connect() as connection:
        connection.execute(f"CREATE TABLESPACE small LOCATION '{disk}'")
        connection.execute("GRANT CREATE ON TABLESPACE small TO dewkeeper_owner")
        connection.execute(f"ALTER DATABASE {collector.name} SET default_tablespace = small")
    fill(site.shelf, MIDNIGHT, 6, 1, every=60)
    live(site.shelf, MIDNIGHT, 1)
    with pytest.raises(ServerRefused, match="disk is full"):
        site.send()
    place = site.place()
    assert place.readings_until is not None  # what there was room for
    with pytest.raises(ServerRefused, match="disk is full"):
        site.send()
    assert site.place().readings_until == place.readings_until
    subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
    site.send()
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []
