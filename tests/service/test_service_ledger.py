"""When readings reach the disk: at most once in `commit_minutes`, and at once with anything that cannot wait."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import PASS, JournalEntry, Quality, Reading
from dewkeeper.service.ledger import MOST_READINGS, Ledger
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Storage

START = 1_790_000_000


@pytest.fixture
def clock() -> ManualClock:
    """A clock moved by hand."""
    return ManualClock()


@pytest.fixture
def ledger(tmp_path: Path, clock: ManualClock) -> Iterator[Ledger]:
    """A ledger that commits every five minutes, over a real store."""
    storage = Storage(folder=tmp_path, commit_minutes=5)
    made = Ledger(Store.open(tmp_path, storage, clock), clock, storage.commit_minutes * 60, lambda: None)
    yield made
    made.close(Judge())


def _poll(minute: int) -> Batch:
    time = START + 60 * minute
    return Batch(readings=((Reading(time, "b1", 27.0, 60.0, 27000, 40000), Quality(time, "b1", PASS)),))


def _stored(folder: Path) -> int:
    with History.open(folder) as history:
        return len(history.raw("b1", 0, 1 << 40))


def test_gently_five_polls_are_one_commit(tmp_path: Path, clock: ManualClock, ledger: Ledger) -> None:
    """With `commit_minutes = 5` nothing is written for four minutes, and all five polls at the fifth."""
    stored = []
    for minute in range(1, 11):
        clock.advance(60)
        ledger.add(_poll(minute), urgent=False)
        stored.append(_stored(tmp_path))
    assert stored == [0, 0, 0, 0, 5, 5, 5, 5, 5, 10]


def test_what_cannot_wait_takes_the_pending_readings_along(tmp_path: Path, clock: ManualClock, ledger: Ledger) -> None:
    """A journal entry in the second minute is stored at once, with the polls before it."""
    for minute in range(1, 3):
        clock.advance(60)
        ledger.add(_poll(minute), urgent=False)
    ledger.add(Batch(items=(JournalEntry("j", START + 130, "B1", "misted"),)), urgent=True)
    assert _stored(tmp_path) == 2


def test_memory_is_bounded_and_keeps_what_is_no_reading(tmp_path: Path, clock: ManualClock, ledger: Ledger) -> None:
    """While nothing can be stored the oldest readings go first and are counted; the entry among them stays."""
    assert ledger.store is not None
    ledger.store.close()
    ledger.store = None
    ledger.refused = "the disk is full"
    ledger.add(Batch(items=(JournalEntry("j", START, "B1", "misted"),)), urgent=True)
    rows = tuple(row for minute in range(1, 1001) for row in _poll(minute).readings)
    for _ in range(MOST_READINGS // 1000 + 3):
        ledger.add(Batch(readings=rows), urgent=False)
    assert ledger.lost == 3000
    assert any(batch.items for batch in ledger._pending)
    ledger._pending.clear()
    ledger.store = Store.open(tmp_path, Storage(folder=tmp_path), clock)
