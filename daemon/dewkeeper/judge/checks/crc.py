"""`crc`: answers that fail their own checksum: wiring, supply or a dying probe."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.contract import Check, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.rationale import UNREAD, fault

TOLD_SCORE: Final = 6
"""Two up for a garbled reply, one down for a good one: three in a row, or most of ten, is a fault. Common practice, no source."""


@remembered
class CrcMemory(ProbeMemory):
    """score: see `TOLD_SCORE`. since: when it last left nought."""

    score: int = 0
    since: int = 0

    def good(self) -> None:
        """A reply was whole."""
        self.score -= 1

    def garbled(self, now: int) -> tuple[InFault, ...]:
        """A reply was garbled; return the fault when that is too often."""
        if self.score == 0:
            self.since = now
        # Never far above: it is to be over after some good replies, not after as many as were bad.
        self.score = min(self.score + 2, TOLD_SCORE + 2)
        return (InFault("crc", self.since),) if self.score >= TOLD_SCORE else ()


CHECK: Final = Check(
    "crc",
    {
        "crc": fault(
            "garbled readings",
            "wiring, supply or a dying probe",
            "check the probe's cable, plug and supply",
            "failure",
            consequence=UNREAD,
        )
    },
    CrcMemory,
    recovery=lambda _: 1800,  # garbled replies come and go, and that is one alarm
)
