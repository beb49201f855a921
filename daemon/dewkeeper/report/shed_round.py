"""What a shed cycle asks of the round, day by day. It says nothing of humidity: whoever grades must not know it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import Final

from dewkeeper.judge.stages import MOVES
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animals import ABOUT_THE_ANIMAL, Animal, animals
from dewkeeper.report.due import Due, DueTap, say_day, say_late
from dewkeeper.report.husbandry import Husbandry
from dewkeeper.report.sheds import DAY, DaySpan, ShedCycle, outlook, shed_cycles, under_way, ungraded, vigilant

NEVER_PULL: Final = "Never pull skin or a spectacle off, and never leave a soaking snake alone."
HIDE_BEFORE_SECONDS: Final = 14 * DAY
"""A humid hide put in so long before a snake turns opaque is taken to be in still."""


def shed_due(book: Husbandry, enclosure: str) -> Iterator[Due]:
    """Return what the cycles of who lives in an enclosure ask for."""
    several = len(book.living[enclosure]) > 1
    found: dict[str, Due] = {}
    for animal in book.living[enclosure]:
        cycles, about = shed_cycles(animal), animal.name if several else ""
        now = under_way(cycles, book.now)
        if now is not None:
            of_this = _running(book, animal, cycles, now, about)
        elif cycles and cycles[-1].shed is not None:
            of_this = _over(book, animal, cycles[-1], about)
        else:
            continue
        for due in of_this:
            found.setdefault(due.key, due)  # two in blue in one enclosure have one humid hide
    yield from found.values()


def soon_to_shed(book: Husbandry, enclosure: str) -> bool:
    """Whether somebody there is between turning opaque and shedding."""
    return any(under_way(shed_cycles(animal), book.now) is not None for animal in book.living[enclosure])


def to_grade(journal: Sequence[JournalEntry]) -> set[str]:
    """Return the enclosures in which a shed is still to be graded: of their air nothing is said until then."""
    about = [entry for entry in journal if entry.what in ABOUT_THE_ANIMAL or entry.what in MOVES]
    known = [animal for animal in animals(about, nameless=True) if animal.home is not None]
    return {animal.home or "" for animal in known if ungraded(shed_cycles(animal)) is not None}


def shed_notes(book: Husbandry, enclosure: str) -> list[str]:
    """Return what is good to know of cycles under way."""
    notes = []
    for animal in book.living[enclosure]:
        cycles = shed_cycles(animal)
        now = under_way(cycles, book.now)
        if now is None or now.shed is not None:
            continue
        ahead, name = outlook(cycles), f"{animal.name}: " if animal.name else ""
        rest = "handling and feeding rest until it has shed"
        if now.cleared is not None:
            cleared = book.day(now.cleared)
            when = _expected(book, cleared, ahead.clear_to_shed, "a shed is expected", "a shed was expected")
            notes.append(f"{name}eyes cleared on {say_day(cleared)}; {when}; {rest}")
        elif now.opaque is not None:
            began = book.day(now.opaque)
            when = f"eyes clear about {_days(began, ahead.to_clear)}, a shed {_window(began, ahead.whole)}"
            if _days_late(book, began, ahead.to_clear):  # when the eyes are late, nobody knows when it sheds
                when = _expected(book, began, ahead.to_clear, was="the eyes were expected to be clear")
            notes.append(f"{name}in blue, day {(book.today - began).days + 1}; {when}; {rest}")
        before = vigilant(cycles)
        if before is not None and before.grade is not None and before.shed is not None:
            notes.append(
                f"{name}the last shed ({say_day(book.day(before.shed))}) was bad: {before.grade.words()}; look at it every day"
            )
    return notes


def _running(book: Husbandry, animal: Animal, cycles: list[ShedCycle], now: ShedCycle, about: str) -> Iterator[Due]:
    place, ahead = animal.home or "", outlook(cycles)
    if now.cleared is not None:
        cleared = book.day(now.cleared)
        if book.since(place, ("humid_hide_changed",), now.cleared) is None:
            yield Due(
                "moss", place, "put damp fresh moss into the humid hide, and keep its entrance clear",
                "the eyes cleared: the shed comes next", cleared,
                (DueTap("humid_hide_changed", "moss is fresh", "moss fresh, entrance clear"),),
            )  # fmt: skip
        yield Due(
            "shed", place, "look whether it has shed", _why(book, cleared, ahead.clear_to_shed),
            cleared + timedelta(ahead.clear_to_shed.first), (DueTap("shed", "it has shed", animal.name if about else ""),),
            about, caution=NEVER_PULL, late=_days_late(book, cleared, ahead.clear_to_shed),
        )  # fmt: skip
    elif now.opaque is not None:
        began = book.day(now.opaque)
        if book.since(place, ("humid_hide_changed",), now.opaque - HIDE_BEFORE_SECONDS) is None:
            yield Due(
                "hide", place, "put a humid hide in", "in blue; a damp hide helps, a wet floor does not", began,
                (DueTap("humid_hide_changed", "humid hide is in", "put in"),),
            )  # fmt: skip
        yield Due(
            "eyes", place, "look whether the eyes have cleared",
            _why(book, began, ahead.to_clear), began + timedelta(ahead.to_clear.first),
            (
                DueTap("cleared", "eyes cleared", animal.name if about else ""),
                DueTap("shed", "it has shed", animal.name if about else ""),
            ), about, late=_days_late(book, began, ahead.to_clear),
        )  # fmt: skip


def _over(book: Husbandry, animal: Animal, last: ShedCycle, about: str) -> Iterator[Due]:
    shed = book.day(last.shed or 0)
    if last.grade is None:
        yield Due(
            "grade", animal.home, "look at the shed and grade it: piece, spectacles, tail tip",
            f"it shed on {say_day(shed)}", shed, (), about, shed=last.entry, caution=NEVER_PULL,
        )  # fmt: skip
    elif last.grade.retained and not any(e.what == "vet" and e.time >= (last.shed or 0) for e in animal.entries):
        yield Due(
            "vet-shed", animal.home, "ask an exotics vet", f"after the shed of {say_day(shed)}: {last.grade.words()}", shed,
            (DueTap("vet", "vet seen", animal.name if about else "", asks="what was said"),), about, caution=NEVER_PULL,
        )  # fmt: skip


def _days_late(book: Husbandry, began: date, span: DaySpan) -> int:
    return max(0, (book.today - began).days - span.last)


def _why(book: Husbandry, began: date, span: DaySpan) -> str:
    """Return when it is expected, and what to do once that is over; no source for the days of grace, as long as the window."""
    late = _days_late(book, began, span)
    step = "; look for shed skin, nobody may have noted it; if there is none, ask an exotics vet"
    return f"{say_late(late)}{_expected(book, began, span)}{step if late > max(1, span.last - span.first) else ''}"


def _expected(book: Husbandry, began: date, span: DaySpan, is_: str = "expected", was: str = "expected") -> str:
    """Return an estimate, as one of the past once its last day is over. is_, was: the words before it."""
    if _days_late(book, began, span):
        return f"{was} by {say_day(began + timedelta(span.last))} ({span.words()})"
    return f"{is_} {_window(began, span)}"


def _window(began: date, span: DaySpan) -> str:
    return f"{_days(began, span)} ({span.words()})"


def _days(began: date, span: DaySpan) -> str:
    return f"{say_day(began + timedelta(span.first))} to {say_day(began + timedelta(span.last))}"
