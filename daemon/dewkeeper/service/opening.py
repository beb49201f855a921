"""The database as the daemon gets it: opened at the start, anew when it must be, and what is to be told of that."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable

from dewkeeper.clock import Clock
from dewkeeper.errors import AlreadyRunning
from dewkeeper.judge.types import SystemReport
from dewkeeper.service import systemd
from dewkeeper.store import Store
from dewkeeper.store.errors import StoreBusy, StoreError
from dewkeeper.store.lock import DAEMON
from dewkeeper.store.rescue import Rescue, open_or_rescue, rehome
from dewkeeper_config.models import Storage

log = logging.getLogger(__name__)


class Opening:
    """`why`: why there is no database just now, empty when there is one. alive: called while opening takes minutes."""

    def __init__(self, storage: Storage, clock: Clock, alive: Callable[[], None]) -> None:
        self._storage = storage
        self._clock = clock
        self._alive = alive
        self.why = ""
        self._rescued = ""  # what was done about the database, told until the next start
        self._rescues = self._told = 0

    def first(self) -> Store | None:
        """Open or make the database at the start. Raises AlreadyRunning when another daemon has it."""
        try:
            return self._opened(
                lambda: open_or_rescue(self._storage.folder, self._storage, self._clock, "", self._busy)
            )
        except StoreBusy as error:
            if error.holder.startswith(DAEMON):
                raise AlreadyRunning(error.holder, str(self._storage.folder)) from error
            self._refused(error)
            return None

    def again(self, damaged: str, misplaced: Store | None) -> tuple[Store | None, bool]:
        """Open it anew while running; return it, and whether it may lack what was stored.

        damaged: why the file that was in use is set aside first. misplaced: the store in use, whose files are not where
        they should be any more; it stays open when nothing could be put in their place.
        """
        count = self._rescues
        try:
            store = self._opened(lambda: self._anew(damaged, misplaced))
        except StoreBusy as error:
            store = None
            self._refused(error)
        return store, self._rescues > count

    def _anew(self, damaged: str, misplaced: Store | None) -> tuple[Store, Rescue | None]:
        if misplaced is not None:
            return rehome(misplaced, self._storage.folder, self._storage, self._clock, self._busy)
        return open_or_rescue(self._storage.folder, self._storage, self._clock, damaged, self._busy)

    def _opened(self, work: Callable[[], tuple[Store, Rescue | None]]) -> Store | None:
        try:
            self._storage.folder.mkdir(parents=True, exist_ok=True)
            store, rescue = work()
        except StoreBusy:  # one of the errors below, but whoever calls has an answer of its own to it
            raise
        except (StoreError, OSError, sqlite3.Error) as error:
            self._refused(error)
            return None
        self.why = ""
        if rescue is not None:
            self._rescued = rescue.text()
            self._rescues += 1
            log.error("%s", self._rescued)
        return store

    def _refused(self, error: Exception) -> None:
        plain = isinstance(error, OSError) and error.strerror is not None
        why = f"{error.filename}: {error.strerror}" if plain else str(error)  # type: ignore[attr-defined]  # an OSError's
        if why != self.why:
            log.error("no database, readings stay in memory: %s", why)
        self.why = why

    def _busy(self) -> None:
        """Say that a rescue goes on: neither systemd nor the watch should lose patience."""
        systemd.notify("EXTEND_TIMEOUT_USEC=300000000\nSTATUS=taking over what the database still gives")
        self._alive()

    def report(self, now: int) -> list[SystemReport]:
        """Return what was done about the database; a second rescue while the first one's alarm stands is a new alarm."""
        again = [SystemReport(now, "database", False)] if self._told != self._rescues else []
        self._told = self._rescues
        return [*again, SystemReport(now, "database", bool(self._rescued), self._rescued, priority="urgent")]
