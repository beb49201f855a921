"""`flat_line`: a probe or its driver repeats one value. QARTOD's flat line test."""

from __future__ import annotations

from collections.abc import Container
from typing import Final

from dewkeeper.judge.contract import Check, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.view import View

FLAT_RUN: Final = 10
"""Identical pairs at 16 bits: data sheet, noise of several last bits, so that ten do not happen."""
FLAT_ROUNDED_SECONDS: Final = 3600
"""Of rounded data. Tuned on bench, seeds 1-9."""
_KNOWN_PAIRS: Final = 60
_REPEATS_SHARE: Final = 50
"""After so many pairs of which fewer than one in so many repeated, data is fine enough for a run of ten. Tuned on bench, seeds 1-9."""
_COUNTED_PAIRS: Final = 20000
"""Two weeks at a poll a minute; then both counts are halved."""
_NO_PAIR: Final = -999.0
"""No sensor reads that."""


@remembered
class FlatLineMemory(ProbeMemory):
    """The last pair (words, or values where there are none), how often it repeated (`run`) and since when.

    pairs, repeats: how often pairs repeat by themselves, which tells rounded data from fine ones.
    """

    pair_h: float = _NO_PAIR
    pair_t: float = _NO_PAIR
    pairs: int = 0
    repeats: int = 0
    run: int = 0
    since: int = 0

    @property
    def heard(self) -> bool:
        """Whether it ever gave values, believed or not: one that never did is wired wrong rather than lost."""
        return self.pair_t > _NO_PAIR

    def take(self, pair_t: float, pair_h: float, now: int, faults: Container[str]) -> bool:
        """Take a pair; return whether it repeats often enough to be looked at."""
        self.pairs += 1
        if pair_t == self.pair_t and pair_h == self.pair_h:
            if self.pairs > _COUNTED_PAIRS:
                self.pairs //= 2
                self.repeats //= 2
            self.run += 1
            return self.run >= FLAT_RUN - 1
        if self.run:
            # What repeated because it was stuck says nothing of how fine its data are.
            self.repeats += 0 if "flat_line" in faults else self.run
            self.run = 0
        self.pair_t, self.pair_h, self.since = pair_t, pair_h, now
        return False

    def begin_anew(self) -> None:
        self.pairs = self.repeats = self.run = 0


def stuck(view: View, *, words: bool) -> tuple[InFault, ...]:
    """Return the fault when a long run of one pair is no coincidence; words: the pair are the sensor's own 16-bit words."""
    memory = view.probe.memory(FlatLineMemory)
    fine = not view.probe.rounded and (
        words or (memory.pairs >= _KNOWN_PAIRS and memory.repeats * _REPEATS_SHARE < memory.pairs)
    )
    if fine or view.now - memory.since >= FLAT_ROUNDED_SECONDS:
        return (InFault("flat_line", memory.since, stated=fine),)
    return ()


CHECK: Final = Check(
    "flat_line",
    {
        "flat_line": fault(
            "stuck reading", "probe or driver repeats one value", "unplug and replug the probe", "failure"
        )
    },
    FlatLineMemory,
)
