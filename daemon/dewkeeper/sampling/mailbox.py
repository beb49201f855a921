"""A queue whose reader waits on the injected clock."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

from dewkeeper.clock import Clock

T = TypeVar("T")

LIMIT = 10_000
"""Cycles, entries and results of sending that wait for the one reader: a week of cycles at one a minute."""


class Mailbox(Generic[T]):
    """Many write, one reads. Bounded: beyond `LIMIT` the oldest is dropped and counted in `dropped`.

    on_drop: told what was dropped, in the thread that put one too many; must not put anything in here.
    """

    def __init__(self, clock: Clock, on_drop: Callable[[T], None]) -> None:
        self._clock = clock
        self._on_drop = on_drop
        self._items: deque[T] = deque()
        self._lock = threading.Lock()
        self._filled = threading.Event()
        self.dropped = 0

    def put(self, item: T) -> None:
        """Add an item and wake the reader."""
        dropped = []
        with self._lock:
            if len(self._items) >= LIMIT:
                dropped.append(self._items.popleft())
                self.dropped += 1
            self._items.append(item)
            self._filled.set()
        # Only after the lock is given back: whoever is told may take its time, and others put meanwhile.
        for one in dropped:
            self._on_drop(one)

    def take(self, seconds: float | None) -> list[T]:
        """Return everything there is, waiting at most so many seconds (None: for ever) for the first."""
        self._clock.wait(self._filled, seconds)
        with self._lock:
            taken = list(self._items)
            self._items.clear()
            self._filled.clear()  # under the same lock as `put`: else what comes in between would lie here unannounced
        return taken

    def wake(self) -> None:
        """Let the reader return at once, empty-handed if need be."""
        self._filled.set()
