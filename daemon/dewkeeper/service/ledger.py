"""What is not yet on disk: pending readings, refused batches in bounded memory, and when to commit."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace

from dewkeeper.clock import Clock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Reading
from dewkeeper.service.batches import described, halves, mergeable, merged, without_repeats
from dewkeeper.service.losses import LossCounts
from dewkeeper.store import Store
from dewkeeper.store.errors import StoreCannotHold, StoreDamaged, StoreError
from dewkeeper.store.records import Batch, Snapshot

log = logging.getLogger(__name__)

SNAPSHOT_SECONDS = 6 * 3600
"""A restart judges what was stored since again: at most 46,000 readings of 128 probes, a second or two. Hourly, snapshots were
a fifth of all bytes written."""
RETRY_SECONDS = 30.0
MOST_READINGS = 60_000
"""Readings kept in memory while the store refuses: eight hours of 128 probes at 60 s, about 20 MB."""
MOST_OTHERS = 20_000
"""Journal entries, events, messages and the like kept beside them: more than weeks without a disk bring."""
_RESCUE_SECONDS = 600.0
"""A file found damaged is opened anew at once, which sets it aside; found damaged again sooner than this, at the next retry."""


class Ledger:
    """Collects batches and commits them in order. Used by the writer thread alone.

    reopen: tries to open the store that could not be opened at start. Given why the file in use is damaged ("" when it is
    not), it sets that aside first; given a store whose files were removed or replaced, it gives that a file again.

    `refused` is why the store refuses just now, empty when it does not; `poisoned` why the item taken last can never be
    stored, empty when it can. `lost` counts readings that fell out of the bounded memory.
    """

    def __init__(
        self,
        store: Store | None,
        clock: Clock,
        commit_seconds: float,
        reopen: Callable[[str, Store | None], Store | None],
        losses: LossCounts | None = None,
    ) -> None:
        self.store = store
        self._losses = losses or LossCounts(clock)
        self._apart = 0  # so many of the first batches are committed one by one: something in them cannot be stored
        self._damaged = ""  # why the file that was in use is damaged
        self._last_rescue = float("-inf")
        self._misplaced_since: float | None = None
        self._reopen = reopen
        self._clock = clock
        self._commit_seconds = commit_seconds
        self._pending: list[Batch] = []
        self._last_commit = clock.monotonic()
        self._last_try = float("-inf")
        self._last_snapshot: int | None = None
        self._replaced = False  # the database is another one now, which knows nothing of the judge's present state
        self.refused = "" if store is not None else "there is no database"
        self.poisoned = ""
        self.lost = 0

    def in_stored_order(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return a cycle's readings in the order the store will give them back: so judged now, a replay finds the same."""
        if self.store is None:
            # By name: in this order a new file will number its probes.
            return sorted(readings, key=lambda reading: reading.probe)
        return self.store.in_stored_order(readings)

    def add(self, batch: Batch, *, urgent: bool, judge: Judge | None = None, at: int | None = None) -> bool:
        """Take a batch; commit now if urgent or due. Return whether everything taken so far is stored or simply waiting."""
        self.poisoned = ""
        self._pending.append(batch)
        if judge is not None and at is not None:
            if self._last_snapshot is None:  # the stored one and the stream after it give this very judge again
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

    def worked(self) -> float:
        """Return the monotonic second up to which everything taken is stored. May be asked from any thread."""
        # With nothing that waits, no commit is no delay.
        return self._last_commit if self._pending or self.refused else self._clock.monotonic()

    def snapshot(self, judge: Judge, at: int) -> None:
        """Store the judge's whole state with the next commit; one that still waits is of no use any more."""
        self._pending = [batch if batch.snapshot is None else replace(batch, snapshot=None) for batch in self._pending]
        self._pending.append(Batch(snapshot=Snapshot(time=at, sequence=0, data=judge.dump())))
        self._last_snapshot = at
        self._replaced = False

    def distrust(self, why: str) -> bool:
        """Give up a file that somebody found damaged, before a commit meets it; return whether there is one in its place."""
        if self.store is not None:
            log.error("the database is damaged: %s", why)
            self._refuse(StoreDamaged("the database file is damaged, which was found when it was to be copied,"))
        return self._commit()

    def retry(self) -> None:
        """Try again, now and then, when the store refused; commit what waited too long."""
        now = self._clock.monotonic()
        if (self.refused and now - self._last_try >= RETRY_SECONDS) or (
            not self.refused and self._pending and now - self._last_commit >= self._commit_seconds
        ):
            self._commit()

    def close(self, judge: Judge) -> None:
        """Store what is left, with a snapshot, and close the store."""
        try:
            # The next start then has nothing to judge again.
            if self._last_snapshot is not None:  # else nothing was judged since the start
                self.snapshot(judge, self._last_snapshot)
            if self._pending:
                self._commit()
        finally:
            if self.store is not None:
                self.store.close()

    def _commit(self) -> bool:
        self._last_try = self._clock.monotonic()
        if self.store is None:
            self.store = self._reopen(self._damaged, None)
            if self.store is not None:
                self._damaged = ""
        if self.store is None:
            self._bound()
            return False
        while True:
            if (why := self.store.misplaced()) and not self._give_a_file(why):
                return False
            if not self._pending:
                break
            together = 1 if self._apart else mergeable(self._pending)
            batch = merged(self._pending[:together])
            try:
                self.store.commit(batch)
            except StoreCannotHold as error:
                self._take_apart(batch, together, str(error))
                continue
            except StoreError as error:
                self._refuse(error)
                return False
            # Also when its files are gone by now: the open ones have it, and are looked at before anything is confirmed.
            del self._pending[:together]
            self._apart = max(0, self._apart - 1)
        if self.refused:
            log.warning("recording again")
        self.refused = ""
        self._last_commit = self._clock.monotonic()
        return True

    def _give_a_file(self, why: str) -> bool:
        """Put the database back whose files were removed; return whether it is there. Until then nothing is confirmed."""
        found = self._reopen("", self.store)
        if found is not None:
            self.store, self._misplaced_since = found, None
            return True
        now = self._clock.monotonic()
        if self._misplaced_since is None:
            self._misplaced_since = now
            log.error("not recorded: %s", why)
        self.refused = why
        if now - self._misplaced_since >= _RESCUE_SECONDS and self.store is not None:
            self._misplaced_since = None
            # Its files cannot be read any more either: the next try takes whatever there is, a copy or nothing.
            self.store.close(sound=False)
            self.store = None
            self._replaced = True
        self._bound()
        return False

    def _take_apart(self, batch: Batch, together: int, why: str) -> None:
        """Let what can be stored be stored: by halves, until what cannot is alone and set aside."""
        parts = halves(batch)
        self._pending[:together] = parts
        self._apart = max(1, self._apart) - 1 + len(parts)
        if not parts:
            self._losses.set_aside("writer", described(batch), why)
            if batch.items:
                self.poisoned = f"it can never be stored and was set aside: {why}"

    def _refuse(self, error: StoreError) -> None:
        if not self.refused:
            log.error("not recorded: %s", error)
        self.refused = str(error)
        if isinstance(error, StoreDamaged) and self.store is not None:
            self.store.close(sound=False)
            self.store = None  # the next try opens it anew, which sets the damaged file aside
            self._damaged = str(error)
            self._replaced = True
            if self._clock.monotonic() - self._last_rescue >= _RESCUE_SECONDS:
                self._last_rescue = self._clock.monotonic()
                self._last_try = float("-inf")
        self._bound()

    def _bound(self) -> None:
        """Keep what waits small: as few states as needed, and of everything no more than its limit, the newest."""
        # Put together again, so none stands alone any more.
        self._pending, self._apart = without_repeats(self._pending), 0
        lost = self._drop_readings(sum(len(batch.readings) for batch in self._pending) - MOST_READINGS)
        self.lost += lost
        if lost:
            self._losses.drop("readings", lost)
        others = sum(len(part) for batch in self._pending for part in _others(batch))
        if others > MOST_OTHERS:
            self._losses.drop("entries, events and messages", self._drop_others(others - MOST_OTHERS))

    def _drop_readings(self, surplus: int) -> int:
        lost = 0
        for index, batch in enumerate(self._pending):
            if lost >= surplus:
                break
            dropped = min(surplus - lost, len(batch.readings))
            self._pending[index] = replace(batch, readings=batch.readings[dropped:])
            lost += dropped
        return lost

    def _drop_others(self, surplus: int) -> int:
        """Drop the oldest: what was done about messages first, then what no person wrote, at last anything."""
        lost = 0
        for name in ("deliveries", "exclusions", "events", "messages", "items"):
            for index, batch in enumerate(self._pending):
                dropped = min(surplus - lost, len(getattr(batch, name)))
                if dropped > 0:
                    self._pending[index] = replace(batch, **{name: getattr(batch, name)[dropped:]})
                    lost += dropped
        return lost


def _others(batch: Batch) -> tuple[Sequence[object], ...]:
    return batch.items, batch.events, batch.exclusions, batch.messages, batch.deliveries
