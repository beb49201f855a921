"""What a round is made of: one thing due, what to tap when it is done, and the places in the order they are served."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final, Literal

Serving = Literal["house", "eggs", "healthy", "signs", "quarantine"]
SERVINGS: Final[tuple[Serving, ...]] = ("house", "eggs", "healthy", "signs", "quarantine")
"""The order of service: what can be carried nowhere first, what may carry something last."""

SERVING_WORDS: Final[dict[Serving, str]] = {
    "house": "Before you begin",
    "eggs": "Eggs first, with clean hands",
    "healthy": "The healthy",
    "signs": "With a sign of illness: after the healthy",
    "quarantine": "Quarantine, last",
}
QUARANTINE_TOOLS: Final = (
    "Its own hook, tongs, cloth and bin; nothing of them goes back to the others. Wash your hands before and after."
)


PRESSING: Final = frozenset({"air", "vet", "vet-shed"})
SHEDDING: Final = frozenset({"eyes", "shed"})
"""Of these what is late presses: the animal waits, not the housework."""

MANY_DEEP_CLEANS: Final = 8
"""From so many at once the round says that they can be spread: our choice, as the week is that they are spread over."""


def say_late(days: int) -> str:
    """Return "12 days late: ", or nothing for what is not late."""
    return f"{days} day{'s' if days != 1 else ''} late: " if days > 0 else ""


def say_day(day: date) -> str:
    """Return "Wed 25 Nov": the one form of a date for people."""
    return f"{day:%a} {day.day} {day:%b}"


@dataclass(frozen=True, slots=True)
class DueTap:
    """What one tap writes: a word of the journal and its detail. label: what stands on it. asks: a word it needs first."""

    what: str
    label: str
    detail: str = ""
    asks: str = ""


@dataclass(frozen=True, slots=True)
class Due:
    """One thing to do: what, why, and since which local date. enclosure: None for what belongs to no enclosure.

    kind names it in its enclosure, together with `about` (an animal, a probe, a person; "" where it is clear).
    shed: id of the shed that is to be graded, with a form of its own; "" for all else. caution: what to mind in doing it.
    late: by how many days it is late.
    """

    kind: str
    enclosure: str | None
    todo: str
    why: str
    since: date
    taps: tuple[DueTap, ...] = ()
    about: str = ""
    shed: str = ""
    caution: str = ""
    late: int = 0

    @property
    def key(self) -> str:
        """Its name in its enclosure, as `not_today` writes it."""
        return f"{self.kind} {self.about}".strip()

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "key": self.key,
            "enclosure": self.enclosure,
            "todo": self.todo,
            "why": self.why,
            "since": self.since.isoformat(),
            "days_late": self.late,
            "caution": self.caution,
            "words": [{"what": tap.what, "detail": tap.detail} for tap in self.taps],
        }


@dataclass(frozen=True, slots=True)
class PutOff:
    """Something due that somebody put off: until which local date, and who."""

    due: Due
    until: date
    who: str


@dataclass(slots=True)
class PlaceRound:
    """What is due at one enclosure (None: at none), and what is good to know there though nothing is to be done."""

    enclosure: str | None
    serving: Serving
    animals: tuple[str, ...] = ()
    due: list[Due] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    put_off: list[PutOff] = field(default_factory=list)

    @property
    def lateness(self) -> tuple[bool, int]:
        """What to sort places of one part of the round by: what bears no delay first, then by days late."""
        pressing = any(due.kind in PRESSING or (due.kind in SHEDDING and due.late) for due in self.due)
        return not pressing, -max((due.late for due in self.due), default=0)


@dataclass(frozen=True, slots=True)
class ServiceRound:
    """The round of a local date. places: all of them, in the order of service, most with nothing to say.

    uncounted: what is not asked for because nobody ever noted it there: words for it -> enclosures.
    aside: sentences on the air: what is left alone and why.
    """

    day: date
    places: Sequence[PlaceRound]
    uncounted: dict[str, list[str]]
    aside: Sequence[str] = ()

    @property
    def due(self) -> list[Due]:
        """Everything due, in the order of service."""
        return [due for place in self.places for due in place.due]

    @property
    def put_off(self) -> list[PutOff]:
        """Everything put off."""
        return [off for place in self.places for off in place.put_off]

    def find(self, enclosure: str | None, key: str) -> Due | None:
        """Return what is due there under this key, None when it is not (any more)."""
        return next((due for due in self.due if due.enclosure == enclosure and due.key == key), None)

    def sentence(self) -> str:
        """Return the round in one sentence; that nothing is due is one as well."""
        count = len(self.due)
        if not count:
            return "Nothing is due today."
        where = len({due.enclosure for due in self.due if due.enclosure})
        things = "one thing is" if count == 1 else f"{count} things are"
        return f"{things} due".capitalize() + (f", at {where} enclosure{'s' if where != 1 else ''}." if where else ".")

    def spread(self) -> str:
        """Return how many deep cleans could be spread over a week, "" where there are not many."""
        count = sum(due.kind == "deep-clean" for due in self.due)
        if count < MANY_DEEP_CLEANS:
            return ""
        evening = -(-count // 7)
        return f"{count} of them are deep-cleans: {evening} an evening, the oldest first, are done in a week; put off the others."

    def to_json(self) -> dict[str, Any]:
        """Return the round as JSON values."""
        return {
            "day": self.day.isoformat(),
            "says": self.sentence(),
            "places": [
                {
                    "enclosure": place.enclosure,
                    "serving": place.serving,
                    "animals": list(place.animals),
                    "due": [due.to_json() for due in place.due],
                    "notes": place.notes,
                    "put_off": [
                        {**off.due.to_json(), "until": off.until.isoformat(), "who": off.who} for off in place.put_off
                    ],
                }
                for place in self.places
            ],
            "uncounted": self.uncounted,
            "aside": list(self.aside),
        }
