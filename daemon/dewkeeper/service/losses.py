"""What was given up: things nothing can take in, set aside one by one, and what fell out of bounded memory, counted."""

from __future__ import annotations

import logging
from collections import Counter

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport

log = logging.getLogger(__name__)

TOLD_SECONDS = 86400.0
"""So long after the last loss its alarm stands."""
_LONGEST_TEXT = 400


class LossCounts:
    """Counted by the thread that gives something up, read by others."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.aside: Counter[str] = Counter()
        self.dropped: Counter[str] = Counter()
        self.counted: Counter[str] = Counter()
        self._last_aside = ""
        self._last: dict[str, float] = {}

    def set_aside(self, part: str, what: str, why: str) -> None:
        """Note one thing that a part (writer, dispatcher ...) could not take in; the log keeps what it was."""
        self.aside[part] += 1
        self._last_aside = f"{what}: {why}"
        self._last["aside"] = self._clock.monotonic()
        log.error("%s: set aside %s: %s", part, what, why)

    def drop(self, what: str, count: int = 1) -> None:
        """Count things of a kind (in words, for people) that fell out of bounded memory."""
        if self.dropped[what] == 0:
            log.error("memory is full: %s are dropped", what)
        self.dropped[what] += count
        self._last["dropped"] = self._clock.monotonic()

    def count(self, what: str, count: int = 1) -> None:
        """Count what is no loss and yet good to know: given up and tried again, left off a list and shown elsewhere."""
        self.counted[what] += count

    def counted_text(self) -> str:
        """Say what was counted since the start, empty when nothing was."""
        return ", ".join(f"{count} {what}" for what, count in sorted(self.counted.items()))

    def aside_text(self) -> str:
        """Say what was set aside since the start, empty when nothing was."""
        if not self.aside:
            return ""
        parts = ", ".join(f"{count} by the {part}" for part, count in sorted(self.aside.items()))
        return f"set aside because it could not be taken in: {parts}. The last was {self._last_aside}"[:_LONGEST_TEXT]

    def dropped_text(self) -> str:
        """Say what was dropped since the start, empty when nothing was."""
        parts = ", ".join(f"{count} {what}" for what, count in sorted(self.dropped.items()))
        return f"lost because memory for what waits is bounded: {parts}" if parts else ""

    def reports(self, now: int) -> list[SystemReport]:
        """Return both troubles, or that they are over: a day after the last loss."""
        return [
            SystemReport(now, "set aside", self._recent("aside"), self.aside_text()),
            SystemReport(now, "dropped", self._recent("dropped"), self.dropped_text()),
        ]

    def _recent(self, which: str) -> bool:
        last = self._last.get(which)
        return last is not None and self._clock.monotonic() - last < TOLD_SECONDS
