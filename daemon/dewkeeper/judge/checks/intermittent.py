"""`intermittent`: for more than a day a good part of the polls of a probe is lost between others that are read.

A plug that is half out, or a cable that breaks. Every reading counts as ever, so this is no fault a probe is in: it takes
nothing away, hides no silence, and no comparison rests because of it. Not of single polls that are lost, of a day on which
many are, of what nobody polled, nor of a silence, which is `missing`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.contract import Check, Finding, Over, Stands
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.view import View

TOLD_SHARE: Final = 0.2
OVER_SHARE: Final = 0.1
"""Half as many: what lies about the one does not come and go. Common practice, no source, like the other two."""
TOLD_SECONDS: Final = 36 * 3600
"""A third of the polls lost for a day is no fault (goal); a plug does not mend itself."""
_MEAN_SECONDS: Final = 3 * 3600
"""A share of 180 polls lies within 0.1 of what it is in all but one of a thousand cases (binomial, at 0.3)."""


@remembered
class IntermittentMemory(ProbeMemory):
    """share: of polls lost, about the last hours. lost, looked: since when, and how many. since: when it became too many, NEVER while it is not."""

    share: float = 0.0
    lost: int = 0
    looked: int = NEVER
    since: int = NEVER

    def poll_lost(self) -> None:
        """A poll gave nothing, or garbage."""
        self.lost += 1

    def another(self) -> None:
        self.let_go()

    def let_go(self) -> None:
        self.share, self.since = 0.0, NEVER


def look(view: View) -> Iterator[Finding]:
    """Find whether a good part of its polls is lost, and no more."""
    memory, now = view.probe.memory(IntermittentMemory), view.now
    seconds, lost = now - memory.looked, memory.lost
    memory.looked, memory.lost = now, 0
    if not 0 < seconds <= missing_after(view.poll):
        if memory.since != NEVER:
            memory.since += seconds  # silent, or not polled: told by another name, and nothing is known of its plug
        return
    # A look may hold one poll more than its share: not more than all of them were lost.
    memory.share += seconds / (_MEAN_SECONDS + seconds) * (min(1.0, lost * view.poll / seconds) - memory.share)
    if memory.share < OVER_SHARE:
        memory.since = NEVER
        if view.stands("intermittent"):
            yield Over("intermittent")
    elif memory.since == NEVER and memory.share >= TOLD_SHARE:
        memory.since = now
    if memory.since != NEVER and now - memory.since >= TOLD_SECONDS:
        yield Stands("intermittent", memory.since, detail={"lost_percent": round(100 * memory.share)})


CHECK: Final = Check(
    "intermittent",
    {
        "intermittent": fault(
            "comes and goes", "plug loose, or cable broken or too long", "press its plug in and look along its cable; else a new plug, a shorter cable",
            "maintenance", consequence="readings are lost, and what is told may come minutes later",
        )
    },
    IntermittentMemory,
    look=look,
    roles=("substrate", "warm_end", "humid_hide", "room"),
)  # fmt: skip
