"""A write-ahead log that was cut, garbled or wiped anywhere costs its tail, never half a commit."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.amounts import amount
from tests.store.conftest import MIDNIGHT, Shelf, raw_all

from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper_config.models import Storage

TRIES = amount(15, 150)
PROBES, POLLS = 16, 60


def _cut(log: bytearray, at: int, dice: random.Random) -> bytearray:
    del dice
    return log[:at]


def _garble(log: bytearray, at: int, dice: random.Random) -> bytearray:
    part = log[at : at + 512]
    log[at : at + 512] = dice.randbytes(len(part))
    return log


def _wipe(log: bytearray, at: int, dice: random.Random) -> bytearray:
    del dice
    log[at : at + 4096] = bytes(len(log[at : at + 4096]))
    return log


def _stale(log: bytearray, at: int, dice: random.Random) -> bytearray:
    """Give the log other salts: it belongs to an older database."""
    del at
    log[16:24] = dice.randbytes(8)
    return log


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """Return database and log as they lie on the disk while the store is open, half of the polls written back."""
    folder = tmp_path_factory.mktemp("torn")
    shelf = Shelf(folder)
    for poll in range(POLLS):
        shelf.put([(MIDNIGHT + 60 * poll, f"p{n}", 26_000 + poll, 40_000 + n, True) for n in range(PROBES)])
        if poll == POLLS // 2:
            shelf.reopen()  # writes the log back
    files = (folder / FILE_NAME).read_bytes(), (folder / f"{FILE_NAME}-wal").read_bytes()
    shelf.store.close()
    return files


@pytest.mark.parametrize("damage", [_cut, _garble, _wipe, _stale], ids=lambda damage: damage.__name__.strip("_"))
def test_a_torn_log_leaves_whole_commits(
    damage: Callable[[bytearray, int, random.Random], bytearray], written: tuple[bytes, bytes], tmp_path: Path
) -> None:
    """Whatever happens to the log, the store opens, holds the polls written back before, and only whole polls after."""
    dice = random.Random(7)
    kept = set()
    for _ in range(TRIES):
        shutil.rmtree(tmp_path, ignore_errors=True)
        tmp_path.mkdir()
        (tmp_path / FILE_NAME).write_bytes(written[0])
        log = bytearray(written[1])
        (tmp_path / f"{FILE_NAME}-wal").write_bytes(damage(log, dice.randrange(32, len(log)), dice))
        Store.open(tmp_path, Storage(folder=tmp_path), ManualClock()).close()
        with History.open(tmp_path) as history:
            rows = raw_all(history, 0, 1 << 40)
        times = [[one.reading.time for one in rows[f"p{n}"]] for n in range(PROBES)]
        assert all(column == times[0] for column in times), "a poll is there in part"
        assert times[0] == [MIDNIGHT + 60 * poll for poll in range(len(times[0]))]
        assert all(one.reading.temperature_word == 26_000 + (one.reading.time - MIDNIGHT) // 60 for one in rows["p0"])
        kept.add(len(times[0]))
    assert min(kept) > POLLS // 2
    assert damage is _stale or len(kept) > 3, "the damage never hit"
