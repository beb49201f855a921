"""SIGKILL at random instants of storing, compacting, backing up and making the file: nothing lost, nothing doubled."""

from __future__ import annotations

import faulthandler
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import IO

import pytest
from tests.amounts import amount
from tests.store.conftest import raw_all
from tests.store.killed_writer import ACKED, PROBES, poll

from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper.store.backup import backups, look_into
from dewkeeper.store.database import FILE_NAME
from dewkeeper_config.models import Storage

KILLS = amount(24, 200)
MAKINGS = amount(3, 40)


class Lives:
    """Begins and ends lives of the writer."""

    def __init__(self, ask: IO[str], told: IO[str]) -> None:
        self._ask = ask
        self._told = told

    def one(self, folder: Path, polls: int, seconds: float) -> None:
        """Let one live in `folder` until so many more polls are acknowledged and so long after, then kill it with all it started.

        A busy machine stores fewer polls a second: what is counted is what was stored.
        """
        before = _acknowledged(folder)
        self._ask.write(f"{folder}\n")
        self._ask.flush()
        pid = int(self._told.readline())
        while _acknowledged(folder) < before + polls and Path(f"/proc/{pid}").exists():
            time.sleep(0.001)
        end = time.monotonic() + seconds
        while time.monotonic() < end and Path(f"/proc/{pid}").exists():
            time.sleep(0.001)
        for kill in (os.killpg, os.kill):  # before it has a group of its own, alone
            with suppress(ProcessLookupError):
                kill(pid, signal.SIGKILL)
        while Path(f"/proc/{pid}").exists():
            time.sleep(0.001)


@pytest.fixture(scope="module")
def lives() -> Iterator[Lives]:
    """Give the source of lives."""
    script = str(Path(__file__).with_name("killed_writer.py"))
    with subprocess.Popen([sys.executable, script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as source:
        assert source.stdin is not None
        assert source.stdout is not None
        yield Lives(source.stdin, source.stdout)
        source.stdin.close()


def _acknowledged(folder: Path) -> int:
    """Return the number of the newest poll whose commit returned, -1 for none."""
    with suppress(FileNotFoundError):
        raw = (folder / ACKED).read_bytes()
        return int.from_bytes(raw[len(raw) // 8 * 8 - 8 : len(raw) // 8 * 8], "little") if len(raw) >= 8 else -1
    return -1


def _stored(folder: Path) -> int:
    """Return how many polls there are; every one must be there once, whole, in order, word for word."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with History.open(folder) as history:
        rows = raw_all(history, 0, 1 << 40)
    found = sorted((one.reading.time, one.reading.probe, one) for of_probe in rows.values() for one in of_probe)
    assert len(found) % PROBES == 0
    for number in range(len(found) // PROBES):
        for (_, _, one), (reading, quality) in zip(
            found[number * PROBES : (number + 1) * PROBES], poll(number), strict=True
        ):
            assert (one.reading, one.quality) == (reading, quality)
    return len(found) // PROBES


@pytest.mark.slow
def test_killed_at_any_instant_nothing_is_lost_or_doubled(lives: Lives, tmp_path: Path) -> None:
    """After every kill each acknowledged poll is there once and whole, and every finished backup opens and counts."""
    faulthandler.cancel_dump_traceback_later()  # two hundred lives take minutes
    dice = random.Random(5)
    for kill in range(KILLS):
        lives.one(tmp_path, dice.randrange(40), dice.uniform(0.0, 0.1))
        if (tmp_path / FILE_NAME).exists() and (kill % 5 == 4 or kill == KILLS - 1):
            assert _stored(tmp_path) > _acknowledged(tmp_path)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as database:
        assert database.execute("SELECT count(*) FROM chunk").fetchone()[0] > 0, "no compaction ever ran"
    made = backups(tmp_path / "backups")
    assert made
    for copy in made:
        assert look_into(copy).readings > 0


@pytest.mark.slow
def test_killed_while_the_file_is_made_it_is_there_whole_or_made_again(lives: Lives, tmp_path: Path) -> None:
    """A first start killed at any instant leaves no file, an empty one or a whole one; the next start records in it."""
    faulthandler.cancel_dump_traceback_later()
    dice = random.Random(6)
    for attempt in range(MAKINGS):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        lives.one(folder, 0, dice.uniform(0.0, 1.2))
        Store.open(folder, Storage(folder=folder, ballast_mb=0), ManualClock()).close()
        assert _stored(folder) > _acknowledged(folder)
