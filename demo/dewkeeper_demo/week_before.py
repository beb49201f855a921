"""The week before the night, judged and stored as the daemon would have, but without its threads, wires and messages."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, Exclusion, Item, JournalEntry, Quality, Reading
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import Store
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Config
from dewkeeper_demo.rack import probe_name, wiring
from dewkeeper_demo.scenes import KEEPER, Entry
from dewkeeper_demo.world import World
from dewkeeper_drivers.contract import SHT3X

BATCH_POLLS = 24
_ENTRIES = uuid.UUID("5f0b2c1e-7a51-4c63-9d3e-20f6b8a41d07")


def lay_down(world: World, care: Sequence[Entry], config: Config, clock: Clock, start: float, end: float) -> int:
    """Store the polls from `start` up to `end` (UTC seconds), moving the world along; return how many readings.

    Raises StoreError.
    """
    judge = Judge()
    store = Store.open(config.storage.folder, config.storage, clock)
    waiting = sorted(care, key=lambda entry: entry.when)
    count = 0
    try:
        _keep(store, judge, [judge_settings(config, int(start) - 1)])
        polls = list(range(int(start), int(end), config.site.poll_seconds))
        for first in range(0, len(polls), BATCH_POLLS):
            items: list[Item] = []
            for at in polls[first : first + BATCH_POLLS]:
                while waiting and waiting[0].when <= at:
                    items.append(_entry(waiting.pop(0)))
                world.advance_to(at)
                # As they come back from the store, so that a replay judges them in the order they were judged in.
                items += store.in_stored_order(list(_poll(world, at)))
            count += _keep(store, judge, items)
        last = polls[-1] if polls else int(start)
        store.commit(Batch(snapshot=Snapshot(time=last, sequence=0, data=judge.dump())))
    finally:
        store.close()
    return count


def _keep(store: Store, judge: Judge, items: Sequence[Item]) -> int:
    """Judge items in order and store each run of readings or other items; return how many were readings."""
    readings: list[tuple[Reading, Quality]] = []
    others: list[Item] = []
    events: list[Event] = []
    exclusions: list[Exclusion] = []

    def commit() -> None:
        store.commit(Batch(tuple(readings), tuple(others), tuple(events), tuple(exclusions)))
        for kept in (readings, others, events, exclusions):
            kept.clear()

    count = 0
    for item in items:
        if isinstance(item, Reading):
            # A batch is stored readings first: a reading that came after another item waits for the next.
            if others:
                commit()
            verdict = judge.feed(item)
            readings.append((item, verdict.quality[0]))
            count += 1
        else:
            commit()
            verdict = judge.feed(item)
            others.append(item)
        events += verdict.events
        exclusions += verdict.exclusions
    commit()
    return count


def _poll(world: World, at: int) -> Iterator[Reading]:
    for wire in wiring():
        # Through the words, for only they are stored: the judge sees what a replay will see.
        words = SHT3X.encode(*world.air_now(wire.probe))
        temperature_c, humidity_percent = SHT3X.decode(*words)
        yield Reading(at, probe_name(wire.probe), temperature_c, humidity_percent, *words)


def _entry(entry: Entry) -> JournalEntry:
    return JournalEntry(
        str(uuid.uuid5(_ENTRIES, f"{entry.when:.0f} {entry.enclosure}")),
        int(entry.when),
        entry.enclosure,
        entry.what,
        entry.detail,
        KEEPER,
    )
