"""Bounding what a sick branch may cost the others: a budget a cycle, and quarantine with growing pauses."""

from __future__ import annotations

from dataclasses import dataclass

TROUBLE_SECONDS = 1.0
"""Seconds a branch may waste in failed accesses a cycle; the access that exceeds it ends within another second."""

FAILURES_TO_QUARANTINE = 2
LONGEST_PAUSE_CYCLES = 32
"""A branch in quarantine is tried at least this often: half an hour at a poll a minute."""


@dataclass(slots=True)
class Breaker:
    """The health of one branch (a multiplexer's channel, or the bus itself).

    A cycle in which the branch failed as a wire (stuck, lost, too slow; an absent probe does not count) and never
    worked is a bad one. After two of those in a row it pauses for 1, 2, 4 ... 32 cycles, for ever if need be; one
    success ends it.
    """

    spent_seconds: float = 0.0
    failed: bool = False
    worked: bool = False
    bad_cycles: int = 0
    pause: int = 0
    why: str = ""

    def begin_cycle(self) -> None:
        """Close the books of the last cycle and open new ones."""
        if self.worked:
            self.bad_cycles, self.pause, self.why = 0, 0, ""
        elif self.failed:
            self.bad_cycles += 1
            over = self.bad_cycles - FAILURES_TO_QUARANTINE
            self.pause = min(LONGEST_PAUSE_CYCLES, 1 << min(over, 8)) if over >= 0 else 0
        elif self.pause:
            self.pause -= 1
        self.failed = self.worked = False
        self.spent_seconds = 0.0

    @property
    def quarantined(self) -> bool:
        """Whether the branch is given up for now."""
        return self.bad_cycles >= FAILURES_TO_QUARANTINE

    @property
    def given_up(self) -> bool:
        """Whether an access must not even be tried in this cycle."""
        return self.pause > 0 or self.spent_seconds >= TROUBLE_SECONDS

    def note_failure(self, seconds: float, why: str) -> None:
        """Book a failed access that cost so many seconds."""
        self.spent_seconds += seconds
        self.failed = True
        self.why = why

    def note_success(self) -> None:
        """Book an access that worked."""
        self.worked = True
