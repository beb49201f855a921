"""SIGKILL at any moment: nothing that was committed is lost, messages keep their ids."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.amounts import amount
from tests.store.conftest import raw_all

from dewkeeper.store import History

CHILD = Path(__file__).with_name("child.py")
KILLS = amount(5, 100)
SLOWER = 60  # times real time: fast, yet a loaded machine's pauses are not taken for threads that died
CONFIG = """
site = {{ name = "Killed rack", timezone = "Europe/Vienna", poll_seconds = 60 }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
web = {{ enabled = false }}
rack = [{{ name = "R" }}]
channel = [{{ kind = "webhook", name = "phone", url = "{url}" }}]
person = [{{ name = "Ina", channels = ["phone"], quiet_hours = false }}]  # the hour of the test is any
[[profile]]
name = "adult"
limits = {{ delays = {{ dry_tolerable_minutes = {minutes} }} }}
[[enclosure]]
name = "T1"
rack = "R"
[[probe]]
name = "t1"
enclosure = "T1"
driver = "simulated"
options = {{ clock = "child", humidity_percent = 40.0 }}
[[enclosure]]
name = "T2"
rack = "R"
place = 2
[[probe]]
name = "t2"
enclosure = "T2"
driver = "simulated"
options = {{ clock = "child" }}
"""


Start = Callable[[Path, int], subprocess.Popen[bytes]]


@pytest.fixture
def start() -> Iterator[Start]:
    """Start a daemon so many times as fast as the day; what still runs at the end of the test is killed."""
    children: list[subprocess.Popen[bytes]] = []
    began = str(time.time())

    def start_one(config: Path, rate: int) -> subprocess.Popen[bytes]:
        child = subprocess.Popen([sys.executable, str(CHILD), str(config), str(rate), began], stdout=subprocess.PIPE)
        children.append(child)
        assert child.stdout is not None
        assert child.stdout.readline() == b"running\n"
        return child

    yield start_one
    for child in children:
        if child.poll() is None:
            _end(child, signal.SIGKILL)


def _end(child: subprocess.Popen[bytes], how: int) -> None:
    child.send_signal(how)
    child.wait(120)
    assert child.stdout is not None
    child.stdout.close()


def _rows(folder: Path) -> set[tuple[str, int]]:
    with History.open(folder) as history:
        found = raw_all(history, 0, 1 << 40)
    return {(probe, stored.reading.time) for probe, rows in found.items() for stored in rows}


def _raised(folder: Path) -> set[tuple[str, str]]:
    """Event and alarm of every time T1 was found too dry anew."""
    with History.open(folder) as history:
        return {(e.id, e.alarm) for e in history.events(0) if (e.kind, e.event) == ("dry", "raised")}


def _tells(message: dict[str, Any], events: set[str]) -> bool:
    """By itself, or in a digest: a rack killed a hundred times has so many outages to tell of that they are gathered."""
    return bool(events & {message["event"], *(one["event"] for one in message["gathers"])})


@pytest.mark.slow
def test_kills_at_random_lose_nothing_committed(tmp_path: Path, phone: Any, start: Start) -> None:
    """What a reader saw before each SIGKILL is there after it, the file is intact, and one alarm keeps one id."""
    config = tmp_path / "rack.toml"
    config.write_text(CONFIG.format(folder=tmp_path, url=phone.url, minutes=60))
    dice = random.Random(20261125)
    seen: set[tuple[str, int]] = set()
    for _ in range(KILLS):
        child = start(config, 1000)
        wanted = len(seen) + dice.randrange(3, 20)  # the blow falls at a random poll, and somewhere in its work
        while len(seen) < wanted and child.poll() is None:
            if (tmp_path / "dewkeeper.db").exists():
                seen |= _rows(tmp_path)
        time.sleep(dice.uniform(0.0, 0.06))
        _end(child, signal.SIGKILL)
    after = _rows(tmp_path)
    assert seen <= after
    assert len(after) > 2 * KILLS
    with sqlite3.connect(tmp_path / "dewkeeper.db") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
    for _ in range(2):  # told in the one or the other; the second finds the alarm standing
        child = start(config, 1000)
        phone.wait_until(
            lambda message: _tells(message, {event for event, _ in _raised(tmp_path)}), "that T1 is too dry"
        )
        _end(child, signal.SIGKILL)
    assert len(_raised(tmp_path)) == 1
    told = [message for message in phone.messages if message["type"] == "dry.raised"]
    assert {(message["event"], message["alarm"]) for message in told} <= _raised(tmp_path)


@pytest.mark.slow
def test_killed_between_commit_and_send_the_id_stays(tmp_path: Path, phone: Any, start: Start) -> None:
    """Killed while the server is silent, the message arrives after the restart under the id first tried."""
    config = tmp_path / "rack.toml"
    config.write_text(CONFIG.format(folder=tmp_path, url=phone.url, minutes=5))
    phone.silent_for = "dry.raised"
    child = start(config, SLOWER)
    tried = phone.wait_for_try("dry.raised")
    _end(child, signal.SIGKILL)
    phone.silent_for = ""
    child = start(config, SLOWER)
    phone.wait_for_id(tried)
    _end(child, signal.SIGTERM)
