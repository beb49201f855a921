"""When readings reach the disk: at most once in `commit_minutes`, and at once with anything that cannot wait."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import PASS, Event, JournalEntry, Quality, Reading
from dewkeeper.service.ledger import MOST_OTHERS, MOST_READINGS, Ledger
from dewkeeper.service.losses import LossCounts
from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.records import Batch, DeliveryResult, Message
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
    made = Ledger(Store.open(tmp_path, storage, clock), clock, storage.commit_minutes * 60, lambda *_: None)
    yield made
    made.close(Judge())


def _poll(minute: int) -> Batch:
    time = START + 60 * minute
    return Batch(readings=((Reading(time, "b1", 27.0, 60.0, 27000, 40000), Quality(time, "b1", PASS)),))


def _message(number: int) -> Message:
    return Message(f"m{number}", START, "Ina", "phone", "T1: too dry", (), "low", "dry")


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


def _event(number: int) -> Event:
    return Event(
        f"e{number}", f"a{number}", START + number, "raised", "dry", "B1", "b1", "tolerable", "low", "unacknowledged", START
    )  # fmt: skip


def test_memory_is_bounded_for_what_is_no_reading_too(tmp_path: Path, clock: ManualClock) -> None:
    """What waits beyond `MOST_OTHERS` is dropped oldest first, in the order the ledger promises, and counted; no reading pays for it.

    First results of sending, then events, then messages, and what a person wrote at last: here results and events do.
    """
    storage, losses = Storage(folder=tmp_path), LossCounts(clock)
    ledger = Ledger(Store.open(tmp_path, storage, clock), clock, 300, lambda *_: None, losses)
    ledger.refused = "the disk is full"
    entries = MOST_OTHERS - 500
    ledger.add(_poll(1), urgent=False)
    ledger.add(Batch(deliveries=tuple(DeliveryResult(f"m{n}", START, "sent", 1) for n in range(300))), urgent=True)
    ledger.add(Batch(events=tuple(map(_event, range(150)))), urgent=True)
    ledger.add(Batch(messages=tuple(_message(n) for n in range(50))), urgent=True)
    ledger.add(Batch(items=tuple(JournalEntry(f"j{n}", START + 70, "B1", "note") for n in range(entries))), urgent=True)
    assert losses.dropped == {}
    ledger.add(Batch(events=tuple(map(_event, range(150, 550)))), urgent=True)
    assert losses.dropped == {"entries, events and messages": 400}
    ledger.add(_poll(2), urgent=False)
    assert losses.dropped == {"entries, events and messages": 400}
    clock.advance(60)
    ledger.retry()
    assert ledger.refused == ""
    ledger.close(Judge())
    assert _stored(tmp_path) == 2
    with History.open(tmp_path) as history:
        assert len(history.journal()) == entries
        assert [event.id for event in history.events(0)] == [f"e{n}" for n in range(100, 550)]
        assert len(history.messages()) == 50


def test_what_can_never_be_stored_costs_only_itself(tmp_path: Path, clock: ManualClock, ledger: Ledger) -> None:
    """Among an hour of polls and entries that wait, one entry no file can hold: all others are stored, in their order."""
    ledger.refused = "the disk is full"
    for minute in range(60):
        bad = minute == 20
        ledger.add(_poll(minute), urgent=False)
        entry = JournalEntry(f"j{minute}", START + 60 * minute, "B1", "note", "\udce4" if bad else f"{minute}")
        ledger.add(Batch(items=(entry,)), urgent=True)
    clock.advance(60)
    ledger.retry()
    assert ledger.refused == ""
    with History.open(tmp_path) as history:
        stream = [getattr(item, "id", item.time) for item in history.stream(0)]
    assert stream == [x for m in range(60) for x in ([START + 60 * m] if m == 20 else [START + 60 * m, f"j{m}"])]
    assert ledger.poisoned.startswith("it can never be stored")


def test_what_waits_stays_small_however_long_the_disk_refuses(clock: ManualClock, ledger: Ledger) -> None:
    """A week without a disk: the judge's and the planner's state wait once each, not once for every poll."""
    ledger.refused = "the disk is full"
    judge = Judge()
    for minute in range(7 * 1440):
        poll = _poll(minute)
        ledger.add(replace(poll, planner_state="p" * 1000), urgent=False, judge=judge, at=poll.readings[0][0].time)
    assert len(ledger._pending) <= 3
    assert sum(batch.planner_state is not None for batch in ledger._pending) == 1
    assert sum(batch.snapshot is not None for batch in ledger._pending) == 1
    ledger._pending.clear()


def test_where_the_file_cannot_be_asked_a_cycle_is_judged_at_its_own_second(tmp_path: Path, ledger: Ledger) -> None:
    """After a step back onto a second that is taken the next free one is given; in a file whose rows are gone the second stays."""
    ledger.add(_poll(1), urgent=True)
    readings = [reading for reading, _ in _poll(1).readings]
    assert [reading.time for reading in ledger.in_stored_order(readings)] == [START + 61]
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as other:
        other.execute("ALTER TABLE reading RENAME TO elsewhere")
        assert ledger.in_stored_order(readings) == readings
        other.execute("ALTER TABLE elsewhere RENAME TO reading")
