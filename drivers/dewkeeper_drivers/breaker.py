"""Bounding what a sick branch may cost the others: a budget a cycle, and quarantine."""

from __future__ import annotations

from dataclasses import dataclass

TROUBLE_SECONDS = 1.0
"""Seconds a branch may waste in failed accesses a cycle; the access that exceeds it ends within another second."""

BAD_CYCLES_TO_QUARANTINE = 2
CHEAP_SECONDS = 0.1
"""A failed try that took less is no reason to try more rarely."""

LONGEST_DOUBLING = 10  # 1024 cycles: 17 hours at a poll a minute


@dataclass(slots=True)
class Breaker:
    """The health of one branch (a multiplexer's channel, or the bus itself).

    A cycle is bad in which the branch failed as a wire (stuck, lost, too slow; an absent probe does not count) and
    never worked. After two of those it is in quarantine: tried every second cycle, for ever, so that it is back
    within two polls of being well; one success ends it. `Bus` lets at most one branch in quarantine have its try in
    a cycle, so the more are sick the longer each waits. A branch that fails at once, as one behind an absent
    multiplexer does, is named too but costs nothing, and is tried every time.

    killer: using this branch took the whole bus down, which only power or RESET brings back. Then the pauses double
    instead, counted in cycles in which the bus worked: seven good channels are not given up for each try.
    """

    spent_seconds: float = 0.0
    failed: bool = False
    worked: bool = False
    bad_cycles: int = 0
    pause: int = 0
    killer: bool = False
    costly: bool = False
    waits_its_turn: bool = False
    tried_cycle: int = 0
    why: str = ""

    def begin_cycle(self, cycle: int, bus_worked: bool) -> None:
        """Close the books of the last cycle and open those of number `cycle`."""
        if self.worked:
            self.bad_cycles, self.pause, self.why, self.killer = 0, 0, "", False
        elif self.failed:
            self.bad_cycles += 1
            self.costly = self.spent_seconds >= CHEAP_SECONDS
            self.tried_cycle = cycle - 1
            if self.killer:
                self.pause = 1 << min(self.bad_cycles - 1, LONGEST_DOUBLING)
            else:
                self.pause = 1 if self.quarantined and self.costly else 0
        elif self.pause and (bus_worked or not self.killer):
            self.pause -= 1
        self.failed = self.worked = self.waits_its_turn = False
        self.spent_seconds = 0.0

    @property
    def quarantined(self) -> bool:
        """Whether the branch is known to be sick."""
        return self.killer or self.bad_cycles >= BAD_CYCLES_TO_QUARANTINE

    @property
    def given_up(self) -> bool:
        """Whether an access must not even be tried in this cycle."""
        return self.pause > 0 or self.waits_its_turn or self.spent_seconds >= TROUBLE_SECONDS

    def note_failure(self, seconds: float, why: str) -> None:
        """Book a failed access that cost so many seconds."""
        self.spent_seconds += seconds
        self.failed = True
        self.why = why

    def note_success(self) -> None:
        """Book an access that worked."""
        self.worked = True
