"""What is not yet on disk: pending readings, refused batches in bounded memory, and when to commit."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from dewkeeper.clock import Clock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Reading
from dewkeeper.store import Store
from dewkeeper.store.errors import StoreDamaged, StoreError
from dewkeeper.store.records import Batch, Snapshot

log = logging.getLogger(__name__)

SNAPSHOT_SECONDS = 6 * 3600
"""A restart judges what was stored since again: at most 46,000 readings of 128 probes, a second or two. Hourly, snapshots were
a fifth of all bytes written."""
RETRY_SECONDS = 30.0
MOST_READINGS = 60_000
"""Readings kept in memory while the store refuses: eight hours of 128 probes at 60 s, about 20 MB."""


class Ledger:
    """Collects batches and commits them in order. Used by the writer thread alone.

    reopen: tries to open the store that could not be opened at start.

    `refused` is why the store refuses just now, empty when it does not. `lost` counts readings that fell out of the
    bounded memory; items and events never do.
    """

    def __init__(
        self,
        store: Store | None,
        clock: Clock,
        commit_seconds: float,
        reopen: Callable[[], Store | None],
    ) -> None:
        self.store = store
        self._reopen = reopen
        self._clock = clock
        self._commit_seconds = commit_seconds
        self._pending: list[Batch] = []
        self._last_commit = clock.monotonic()
        self._last_try = float("-inf")
        self._last_snapshot: int | None = None
        self._replaced = False  # the database is another one now, which knows nothing of the judge's present state
        self.refused = "" if store is not None else "there is no database"
        self.lost = 0

    def in_stored_order(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return a cycle's readings in the order the store will give them back."""
        if self.store is None:
            return sorted(readings, key=lambda reading: reading.probe)
        return self.store.in_stored_order(readings)

    def add(self, batch: Batch, *, urgent: bool, judge: Judge | None = None, at: int | None = None) -> bool:
        """Take a batch; commit now if urgent or due. Return whether everything taken so far is stored or simply waiting."""
        self._pending.append(batch)
        if judge is not None and at is not None:
            if self._last_snapshot is None:
                self._last_snapshot = at
            elif self._replaced or at - self._last_snapshot >= SNAPSHOT_SECONDS:
                self.snapshot(judge, at)
        # Half a second of grace, so that a poll of exactly one commit period commits every time.
        due = self._clock.monotonic() - self._last_commit >= self._commit_seconds - 0.5
        if (urgent or due) and not self.refused:
            return self._commit()
        if self.refused:
            self._bound()
        return not self.refused

    def snapshot(self, judge: Judge, at: int) -> None:
        """Store the judge's whole state with the next commit."""
        self._pending.append(Batch(snapshot=Snapshot(time=at, sequence=0, data=judge.dump())))
        self._last_snapshot = at
        self._replaced = False

    def retry(self, judge: Judge) -> None:
        """Try again, now and then, when the store refused; commit what waited too long."""
        now = self._clock.monotonic()
        if (self.refused and now - self._last_try >= RETRY_SECONDS) or (not self.refused and self._pending and now - self._last_commit >= self._commit_seconds):
            self._commit()

    def close(self, judge: Judge) -> None:
        """Store what is left, with a snapshot, and close the store."""
        if self._last_snapshot is not None:
            self.snapshot(judge, self._last_snapshot)
        if self._pending:
            self._commit()
        if self.store is not None:
            self.store.close()

    def _commit(self) -> bool:
        self._last_try = self._clock.monotonic()
        if self.store is None:
            self.store = self._reopen()
        if self.store is None:
            self._bound()
            return False
        while self._pending:
            together = _mergeable(self._pending)
            try:
                self.store.commit(_merged(self._pending[:together]))
            except StoreError as error:
                if not self.refused:
                    log.error("not recorded: %s", error)  # noqa: TRY400  one plain line, not a stack a minute
                self.refused = str(error)
                if isinstance(error, StoreDamaged):
                    self.store.close(sound=False)
                    self.store = None  # the next try opens it anew, which sets the damaged file aside
                    self._last_try = float("-inf")
                    self._replaced = True
                self._bound()
                return False
            del self._pending[:together]
        if self.refused:
            log.warning("recording again")
        self.refused = ""
        self._last_commit = self._clock.monotonic()
        return True

    def _bound(self) -> None:
        """Drop the oldest readings beyond the limit; never an item, an event or a message."""
        surplus = sum(len(batch.readings) for batch in self._pending) - MOST_READINGS
        for index, batch in enumerate(self._pending):
            if surplus <= 0:
                return
            dropped = min(surplus, len(batch.readings))
            self._pending[index] = replace(batch, readings=batch.readings[dropped:])
            self.lost += dropped
            surplus -= dropped


def _mergeable(batches: Sequence[Batch]) -> int:
    """Return how many batches fit one transaction without changing the order of the stream.

    A batch is stored as readings, then items, then the snapshot: readings after an item, and anything after a
    snapshot, must wait for the next transaction.
    """
    items = False
    for index, batch in enumerate(batches):
        if items and batch.readings:
            return index
        items = items or bool(batch.items)
        if batch.snapshot is not None:
            return index + 1
    return len(batches)


def _merged(batches: Sequence[Batch]) -> Batch:
    """Return one batch that stores what these store, in their order."""
    if len(batches) == 1:
        return batches[0]
    notes: dict[str, str] = {}
    for batch in batches:
        notes.update(batch.notes)
    snapshots = [batch.snapshot for batch in batches if batch.snapshot is not None]
    states = [batch.planner_state for batch in batches if batch.planner_state is not None]
    return Batch(
        readings=tuple(r for batch in batches for r in batch.readings),
        items=tuple(i for batch in batches for i in batch.items),
        events=tuple(e for batch in batches for e in batch.events),
        exclusions=tuple(x for batch in batches for x in batch.exclusions),
        messages=tuple(m for batch in batches for m in batch.messages),
        deliveries=tuple(d for batch in batches for d in batch.deliveries),
        snapshot=snapshots[-1] if snapshots else None,
        planner_state=states[-1] if states else None,
        notes=notes,
    )
