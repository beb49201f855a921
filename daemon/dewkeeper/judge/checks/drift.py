"""`drift`: a probe reads more and more wrong. No single day shows it, so it rests on what insight learned over months alone.

The learned error and its interval come from openings compared with the room, with creep after damp weeks taken out
(`insight.probe_error`). A few %RH take nothing away from the readings: they count on, and what is told says by how
much they are off. The room's probe, with which all are compared, is told by what they show together. It is over when a later pass finds it gone, or the probe was corrected or exchanged since: what was
learned before then is of another one. What is withheld ends nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.judge.contract import Check, Finding, Over, Stands
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import Corrected, ProbeMemory
from dewkeeper.judge.rationale import DAY, fault
from dewkeeper.judge.types import Fact
from dewkeeper.judge.view import View

DRIFTED_PERCENT: Final = 2.0
SURE: Final = 0.84
"""Told from here on, if it is farther from 0 than this share of the half of its 95 % interval, which is that of nine times in
ten: at 3 %RH it is to be known within a month. Tuned: tests/bench/insight, seed 1."""
GONE_PERCENT: Final = 1.2
"""Well below what it is told at, so that a value that lies there does not come and go. Common practice, no source."""


@remembered
class DriftMemory(ProbeMemory):
    """other: the probe was corrected, moved or exchanged since an hour began. known_until: facts that hold until then, or shorter, were learned before that."""

    other: bool = False
    known_until: int = 0

    def correct(self, by: Corrected) -> None:
        self.other = True

    def another(self) -> None:
        self.other = True


def hourly(view: View) -> Iterator[Finding]:
    """A new hour of a probe begins: what is known of its error?"""
    fact, memory = view.fact("probe_error_percent"), view.probe.memory(DriftMemory)
    if memory.other:
        memory.other = False
        memory.known_until = fact.until if fact is not None else 0
        yield Over("drift", "it was corrected, or is another one")
    if fact is None or fact.value is None or fact.until <= memory.known_until or not _spoken_for(view):
        return
    if view.stands("drift"):
        if abs(fact.value) < GONE_PERCENT:
            yield Over("drift")
    elif drifted(fact):
        words = "more" if fact.value > 0 else "less"
        yield Stands(
            "drift", view.now, round(fact.value, 1),
            consequence="every enclosure of its room is compared with it" if view.probe.role == "room" else "",
            cause=f"it reads about {abs(fact.value):.0f} %RH {words} than when it was new or last checked: age or contamination",
            detail={
                "percent": round(fact.value, 1), "percent_low": round(fact.low or 0.0, 1),
                "percent_high": round(fact.high or 0.0, 1), "openings": fact.decays,
            },
        )  # fmt: skip


def drifted(fact: Fact) -> bool:
    """Return whether it is off by enough to be told, and surely to that side."""
    if fact.value is None or fact.low is None or fact.high is None:
        return False
    return abs(fact.value) >= max(DRIFTED_PERCENT, SURE * (fact.high - fact.low) / 2)


def _spoken_for(view: View) -> bool:
    """Return whether the fact is of this probe: of the room's, or of the first judged one of its enclosure."""
    if view.probe.role == "room":
        return True
    first = next((w for w in view.neighbours if w.enclosure == view.probe.enclosure), None)
    return first is view.probe


CHECK: Final = Check(
    "drift",
    {
        "drift": fault(
            "reads more and more wrong", "age or contamination",
            "check it over a salt and correct it, or replace it; the page's probes say by how much", "maintenance", 30 * DAY,
            "humidity is told too low or too high, by so much",
        )
    },
    DriftMemory,
    hourly=hourly,
    roles=("substrate", "room"),
)  # fmt: skip
