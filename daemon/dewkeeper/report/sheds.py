"""Sheds as the journal tells of them: opaque, eyes cleared, shed, graded; and what to expect from an animal's own past.

A grade is part of the entry that says the animal has shed: grading one later completes that entry, as a correction does.
The air of a cycle is shown once its shed is graded, not before: whoever grades must not know it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animals import Animal

DAY: Final = 86400
LONGEST_CYCLE_DAYS: Final = 45
"""An opaque phase without a shed is followed for so long (common practice, no source); after it a new one is a new cycle."""
OWN_CYCLES: Final = 3
"""So many cycles of its own, and an animal's past is the estimate instead of the common one."""
LONGEST_REST_DAYS: Final = 3 * 365
"""Two sheds further apart are no interval: one between them was not written down."""


@dataclass(frozen=True, slots=True)
class ShedGrade:
    """What was seen of a shed; None where nobody said. whole: in one piece. spectacles: both off. tail: the skin of its tip off."""

    whole: bool | None = None
    spectacles: bool | None = None
    tail: bool | None = None

    @property
    def bad(self) -> bool:
        """Whether anything of it went wrong."""
        return False in (self.whole, self.spectacles, self.tail)

    @property
    def retained(self) -> bool:
        """Whether a spectacle or the tail's tip stayed on: a vet's work."""
        return False in (self.spectacles, self.tail)

    @property
    def complete(self) -> bool:
        """Whether nothing is left to look at: all three are known, or something stayed on."""
        return self.retained or None not in (self.whole, self.spectacles, self.tail)

    def words(self) -> str:
        """Return the grade as the journal keeps it, which `grade_of` reads back."""
        said = (
            (self.whole, "one piece", "in pieces"),
            (self.spectacles, "both spectacles off", "spectacle retained"),
            (self.tail, "skin of the tail tip came off", "skin of the tail tip retained"),
        )
        return ", ".join(good if seen else bad for seen, good, bad in said if seen is not None)


def grade_of(detail: str) -> ShedGrade:
    """Return the grade that the words of a shed's entry give; what they do not say, or ask, stays None."""
    text = detail.casefold()
    whole = True if "one piece" in text else False if "in pieces" in text else None
    spectacles = tail = None
    for part in re.split(r"[,;]", text):
        seen = False if "retained" in part else True if re.search(r"\boff$", part.strip()) else None
        spectacles = seen if seen is not None and "spectacle" in part else spectacles
        tail = seen if seen is not None and "tail" in part else tail
    return ShedGrade(whole, spectacles, tail)


@dataclass(frozen=True, slots=True)
class ShedCycle:
    """One cycle of one animal ("" for one that was never named): UTC seconds of what was noted, None for what was not.

    enclosure: where it was noted last. entry: the journal's entry that says it has shed.
    """

    animal: str
    enclosure: str
    opaque: int | None = None
    cleared: int | None = None
    shed: int | None = None
    entry: str = ""
    detail: str = ""

    @property
    def grade(self) -> ShedGrade | None:
        """The grade, None while it has not shed or nobody has graded it to the end."""
        found = grade_of(self.detail)
        return found if self.shed is not None and found.complete else None


def shed_cycles(animal: Animal) -> list[ShedCycle]:
    """Return the cycles of an animal, oldest first; the last one may be under way."""
    found: list[ShedCycle] = []
    for entry in animal.entries:
        if entry.what not in ("opaque", "cleared", "shed"):
            continue
        one = found[-1] if found and _goes_on(found[-1], entry.time) else None
        # Opaque again once the eyes had cleared: the shed between was not written down.
        if one is None or (entry.what == "opaque" and one.cleared is not None):
            one = ShedCycle(animal.name, entry.enclosure or "")
            found.append(one)
        found[-1] = _with(one, entry)
    return found


def _goes_on(cycle: ShedCycle, at: int) -> bool:
    began = cycle.opaque or cycle.cleared
    return cycle.shed is None and began is not None and at - began <= LONGEST_CYCLE_DAYS * DAY


def _with(cycle: ShedCycle, entry: JournalEntry) -> ShedCycle:
    here = replace(cycle, enclosure=entry.enclosure or "")
    if entry.what == "opaque":
        return replace(here, opaque=cycle.opaque or entry.time)  # said twice, it began once
    if entry.what == "cleared":
        return replace(here, cleared=cycle.cleared or entry.time)
    return replace(here, shed=entry.time, entry=entry.id, detail=entry.detail)


def under_way(cycles: Sequence[ShedCycle], now: int) -> ShedCycle | None:
    """Return the cycle an animal is in, None when it is in none."""
    last = cycles[-1] if cycles else None
    return last if last is not None and _goes_on(last, now) else None


@dataclass(frozen=True, slots=True)
class DaySpan:
    """From so many days after something to so many: an estimate. own: of how many cycles of this animal; 0: common practice."""

    first: int
    last: int
    own: int = 0

    def words(self) -> str:
        """Return where the estimate comes from."""
        return f"an estimate from {self.own} sheds of its own" if self.own else "an estimate, common practice"


@dataclass(frozen=True, slots=True)
class ShedOutlook:
    """How long each part of a cycle takes: opaque to clear, clear to shed, opaque to shed."""

    to_clear: DaySpan
    clear_to_shed: DaySpan
    whole: DaySpan


COMMON: Final = ShedOutlook(DaySpan(4, 7), DaySpan(4, 7), DaySpan(9, 14))
"""Common practice, no source: books differ by days."""


def outlook(cycles: Sequence[ShedCycle]) -> ShedOutlook:
    """Return what to expect, from the shortest to the longest of an animal's own finished cycles where there are enough."""
    done = [c for c in cycles if c.shed is not None]
    return ShedOutlook(
        _own([(c.opaque, c.cleared) for c in done], COMMON.to_clear),
        _own([(c.cleared, c.shed) for c in done], COMMON.clear_to_shed),
        _own([(c.opaque, c.shed) for c in done], COMMON.whole),
    )


def _own(parts: Sequence[tuple[int | None, int | None]], common: DaySpan) -> DaySpan:
    days = [round((end - start) / DAY) for start, end in parts if start is not None and end is not None]
    return DaySpan(min(days), max(days), len(days)) if len(days) >= OWN_CYCLES else common


def intervals(cycles: Sequence[ShedCycle]) -> list[int]:
    """Return the days between one shed and the next, oldest first."""
    sheds = [c.shed for c in cycles if c.shed is not None]
    days = [round((later - earlier) / DAY) for earlier, later in pairwise(sheds)]
    return [count for count in days if count <= LONGEST_REST_DAYS]


def ungraded(cycles: Sequence[ShedCycle]) -> tuple[int, int] | None:
    """Return from when until when (UTC seconds) the air of the last shed is withheld, None when there is nothing to withhold."""
    last = next((c for c in reversed(cycles) if c.shed is not None), None)
    if last is None or last.shed is None or last.grade is not None:
        return None
    # As far back as `shed_air` tells the air before a shed.
    return min(last.opaque or last.shed, last.shed - 14 * DAY), last.shed


def vigilant(cycles: Sequence[ShedCycle]) -> ShedCycle | None:
    """Return the last graded shed if it was a bad one: then the next cycle is watched more closely; else None."""
    graded = [c for c in cycles if c.grade is not None]
    return graded[-1] if graded and graded[-1].grade is not None and graded[-1].grade.bad else None
