"""Sheds with the air before them: in the 14 days before and while it was opaque, of graded sheds alone.

Until a shed is graded its air is withheld, in every form this report takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from dewkeeper.report.animals import Animal
from dewkeeper.report.association import NEEDED_BAD, Association, ShedCase, association
from dewkeeper.report.contract import Past, moist
from dewkeeper.report.model import to_plain
from dewkeeper.report.sheds import DAY, ShedCycle, intervals, shed_cycles
from dewkeeper.store.in_force import InForce

BEFORE_SECONDS: Final = 14 * DAY
WITHHELD: Final = "shown once it is graded"
_POINTS: Final = 112
"""Slices of a stretch of 14 days: three hours each."""
LEAST_WATCHED: Final = 0.5
"""With less of a stretch watched than this, its air answers no question."""
QUESTIONS: Final = ("Dry air in the 14 days before, and bad sheds", "Dry air while opaque, and bad sheds")


@dataclass(frozen=True, slots=True)
class AirBefore:
    """Believed air of a stretch: mean %RH, mean %RH below and above the target band then in force, which share was watched."""

    mean_percent: float
    dryness_percent: float
    dampness_percent: float
    watched: float

    def words(self) -> str:
        """Return "on average 63 %, 2.1 % below target and 0.0 % above, 98 % of the time watched"."""
        return (
            f"on average {self.mean_percent:.0f} %, {self.dryness_percent:.1f} % below target and "
            f"{self.dampness_percent:.1f} % above, {100 * self.watched:.0f} % of the time watched"
        )


@dataclass(frozen=True, slots=True)
class ShedRecord:
    """One cycle that ended in a shed; the air is None where nothing was measured, and where it is not graded."""

    cycle: ShedCycle
    before: AirBefore | None = None
    opaque: AirBefore | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the cycle as JSON values; of one that is not graded, without its air."""
        cycle, grade = self.cycle, self.cycle.grade
        air = {"air_14_days_before": self.before, "air_while_opaque": self.opaque}
        return {
            "animal": cycle.animal,
            "enclosure": cycle.enclosure,
            "opaque": to_plain(cycle.opaque, "since"),
            "cleared": to_plain(cycle.cleared, "since"),
            "shed": to_plain(cycle.shed, "since"),
            "grade": None if grade is None else grade.words(),
            "bad": None if grade is None else grade.bad,
        } | (
            {"air": WITHHELD}
            if grade is None
            else {
                name: None
                if one is None
                else {
                    "mean_percent": round(one.mean_percent, 1),
                    "below_target_percent": round(one.dryness_percent, 2),
                    "above_target_percent": round(one.dampness_percent, 2),
                    "watched": round(one.watched, 3),
                }
                for name, one in air.items()
            }
        )


@dataclass(frozen=True, slots=True)
class AnimalSheds:
    """One animal's sheds, oldest first, and the days between them."""

    name: str
    home: str | None
    records: Sequence[ShedRecord]
    interval_days: Sequence[int]


def air_between(past: Past, in_force: InForce, animal: Animal, start: int, end: int) -> AirBefore | None:
    """Return the air of an animal from `start` to `end` (UTC seconds), wherever it lived; None where nothing was measured.

    Raises StoreError.
    """
    watched = total = below = above = 0.0
    for stay in animal.stays or ():
        first, last = max(start, stay.start if animal.name else start), min(end, stay.end or end)
        if first >= last:
            continue
        count = max(1, round(_POINTS * (last - first) / BEFORE_SECONDS))
        points = moist(past.series(stay.enclosure, first, last, count))
        windows = in_force.windows(stay.enclosure, first, last)
        for point in points:
            begun = max(point.at, first)  # slices lie on a grid of their own
            target = next((w.limits.humidity_target for w in windows if w.start <= begun < w.end), None)
            if target is None:  # before it was configured: beside no band, it is neither dry nor damp
                continue
            seconds = max(0, min(point.at + point.seconds, last) - begun)
            watched += seconds
            total += seconds * point.humidity_percent
            below += seconds * max(0.0, target.low - point.humidity_percent)
            above += seconds * max(0.0, point.humidity_percent - target.high)
    if not watched:
        return None
    return AirBefore(total / watched, below / watched, above / watched, min(1.0, watched / (end - start)))


def animal_sheds(past: Past, animals: Sequence[Animal]) -> list[AnimalSheds]:
    """Return the sheds of these animals, of graded ones with their air. Raises StoreError."""
    in_force, found = past.in_force(), []
    for animal in animals:
        cycles = [c for c in shed_cycles(animal) if c.shed is not None]
        if cycles:
            records = [_record(past, in_force, animal, cycle) for cycle in cycles]
            found.append(AnimalSheds(animal.name, animal.home, records, intervals(cycles)))
    return found


def _record(past: Past, in_force: InForce, animal: Animal, cycle: ShedCycle) -> ShedRecord:
    if cycle.grade is None or cycle.shed is None:
        return ShedRecord(cycle)
    opaque = None
    if cycle.opaque is not None:
        opaque = air_between(past, in_force, animal, cycle.opaque, max(cycle.opaque + 1, cycle.cleared or cycle.shed))
    return ShedRecord(cycle, air_between(past, in_force, animal, cycle.shed - BEFORE_SECONDS, cycle.shed), opaque)


def questions(sheds: Sequence[AnimalSheds]) -> list[Association]:
    """Return what can be said of dryness and bad sheds here."""
    found = []
    for question, which in zip(QUESTIONS, ("before", "opaque"), strict=True):
        cases = []
        for one in sheds:
            for record in one.records:
                air: AirBefore | None = getattr(record, which)
                if record.cycle.grade is not None and air is not None and air.watched >= LEAST_WATCHED:
                    whose = one.name or f"@{record.cycle.enclosure}"
                    cases.append(ShedCase(whose, air.dryness_percent, record.cycle.grade.bad))
        found.append(association(question, cases))
    return found


__all__ = ["NEEDED_BAD", "AirBefore", "AnimalSheds", "ShedRecord", "air_between", "animal_sheds", "questions"]
