"""Sheds in words, once for terminal and page."""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.report.association import Association
from dewkeeper.report.shed_air import WITHHELD, AnimalSheds, ShedRecord
from dewkeeper.report.wording import Wording


def shed_lines(sheds: Sequence[AnimalSheds], asked: Sequence[Association], wording: Wording) -> list[str]:
    """Return the sheds by animal, newest first, and the answers below."""
    lines = []
    for one in sheds:
        lines.append(f"{name_of(one)}{interval_words(one)}")
        for record in reversed(one.records):
            lines.append(f"  {wording.date(record.cycle.shed or 0)}: {grade_words(record)}")
            lines += [f"    {line}" for line in air_lines(record)]
    return [*(lines or ["No shed was noted yet."]), "", *(answer.sentence() for answer in asked)]


def name_of(one: AnimalSheds) -> str:
    """Return the animal's name, or where it lives when it has none."""
    return one.name or f"who lives in {one.home or one.records[-1].cycle.enclosure}"


def interval_words(one: AnimalSheds) -> str:
    """Return ", every 31 to 48 days", or nothing where there is no interval yet."""
    days = one.interval_days
    if not days:
        return ""
    return f", every {min(days)} to {max(days)} days" if min(days) != max(days) else f", {days[0]} days apart"


def grade_words(record: ShedRecord) -> str:
    """Return the grade, or that there is none yet."""
    grade = record.cycle.grade
    return "not graded yet" if grade is None else f"{'bad: ' if grade.bad else ''}{grade.words()}"


def air_lines(record: ShedRecord) -> list[str]:
    """Return what the air was; of a shed that is not graded, that it is withheld."""
    if record.cycle.grade is None:
        return [f"its air: {WITHHELD}"]
    both = (("the 14 days before", record.before), ("while opaque", record.opaque))
    return [f"{what}: {air.words()}" for what, air in both if air is not None] or ["nothing was measured before it"]
