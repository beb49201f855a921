"""A simulated year of an invented keeper: 40 tubs, 3 furnished enclosures, a clutch, a quarantine, a holiday, 30 sheds.

Frosty evenings ask for water, a mesh is covered, a snake has a sign of illness, a tub is out of service for two weeks,
probes are to be checked, a way of messages was confirmed by nobody for too long. The keeper walks the round every evening and does what it says, but now and then puts something off, writes something
down a day late and dated back, or in the wrong tub and corrects it the next day.
"""

from __future__ import annotations

import random
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.due import Due, ServiceRound
from dewkeeper.report.evening import AirAdvice
from dewkeeper.report.evening_told import Score, air_aside, air_due
from dewkeeper.report.round import RoundFacts, service_round
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

ZONE = ZoneInfo("Europe/Vienna")
FIRST = date(2026, 1, 1)
HOLIDAY = (date(2026, 7, 10), date(2026, 7, 24))
CLUTCH = date(2026, 4, 20)
ARRIVAL, SIGN = date(2026, 3, 2), date(2026, 5, 10)
FROST = (date(2026, 1, 17), date(2026, 1, 22))
LEVER, ILL, SILENT = date(2026, 2, 3), date(2026, 10, 6), date(2026, 8, 14)
RESTS, REVIEW = date(2026, 9, 1), date(2026, 9, 15)
DAMP = date(2026, 11, 20)
"""From here on T31 has ten half days above its target since its last deep clean."""
CHECKS = {"t07": date(2026, 6, 9), "f2": date(2026, 6, 10), "room": date(2026, 11, 3)}
"""When a probe is to be checked over a salt: as if checked half a year before. `room` hangs in no enclosure."""
TUBS = [f"T{n:02}" for n in range(1, 41)]
FURNISHED = ["F1", "F2", "F3"]


def house() -> Config:
    """Return the invented keeper's configuration."""
    enclosures = [
        {"name": n, "rack": "left" if n < "T21" else "right", "shelf": 1 + i % 20 // 4, "place": 1 + i % 4}
        for i, n in enumerate(TUBS)
    ]
    enclosures += [{"name": n, "rack": "wall", "place": i + 1, "kind": "furnished"} for i, n in enumerate(FURNISHED)]
    enclosures += [{"name": "Egg box", "rack": "wall", "place": 4, "kind": "egg_box"}]
    enclosures += [{"name": n, "rack": "back", "place": i + 1} for i, n in enumerate(("Q1", "Q2"))]
    return checked(Config,
        {
            "site": {"timezone": "Europe/Vienna"},
            "rack": [{"name": n, "room": "back room" if n == "back" else "snake room"} for n in ("left", "right", "wall", "back")],
            "enclosure": enclosures,
            "probe": [{"name": str(e["name"]).lower(), "enclosure": e["name"]} for e in enclosures]
            + [{"name": "room", "role": "room", "room": "snake room"}],
            "channel": [{"kind": "webhook", "name": "phone", "url": "http://localhost/"}],
            "person": [{"name": "Runa", "channels": ["phone"]}],
        }
    )  # fmt: skip


def at(day: date, hour: int = 18, minute: int = 0) -> int:
    """Return the UTC second of a local time."""
    return int(datetime.combine(day, time(hour, minute), tzinfo=ZONE).timestamp())


@dataclass(slots=True)
class KeptBook:
    """A journal as it is written, and what is left of it once corrections are heeded."""

    entries: list[JournalEntry] = field(default_factory=list)
    number: int = 0

    def write(
        self, when: int, place: str | None, what: str, detail: str = "", until: int | None = None, who: str = "Runa"
    ) -> str:
        """Write an entry and return its id."""
        self.number += 1
        entry = JournalEntry(f"e{self.number}", when, place, what, detail, who, until)
        insort(self.entries, entry, key=lambda e: e.time)
        return entry.id

    def correct(self, identity: str, place: str) -> None:
        """Say that an entry was about another enclosure: the store then leaves the old one out."""
        old = next(e for e in self.entries if e.id == identity)
        self.entries.remove(old)
        self.write(old.time, place, old.what, old.detail)

    def grade(self, identity: str, detail: str) -> None:
        """Complete a shed's entry."""
        old = next(e for e in self.entries if e.id == identity)
        self.entries.remove(old)
        self.write(old.time, old.enclosure, old.what, detail)


@dataclass(frozen=True, slots=True)
class YearDay:
    """A day of the year: the round before and after the keeper walked it, and what was done."""

    day: date
    before: ServiceRound
    after: ServiceRound | None
    done: list[Due]


def frosty(day: date) -> list[AirAdvice]:
    """Return what the air needs on an evening; only in frost does it need anything."""
    if not FROST[0] <= day <= FROST[1]:
        return []
    low = "falls below 60 % tonight about 03:00"
    return [
        AirAdvice("T05", "refill", "refill the bowl", low, "refilled", "dry", 60, 9.0, 1.0),
        AirAdvice("F2", "mist", "mist it", f"{low}; a misting is half gone in 2.4 h here: a bridge, not the cure; the cure is a wider bowl or part of the mesh covered, away from any heat", "misted", "dry", 60, 9.0, 2.0),
        AirAdvice("T30", "keep_water_away", "do not mist or wet it tonight; its bowl stays", "74 % now, above 70 %", side="damp", limit=70),
        AirAdvice("T01", "nothing", "leave it alone", "holds above 60 % for three days"),
        AirAdvice("T02", "nothing", "leave it alone", "holds above 60 % for three days"),
    ]  # fmt: skip


def sheds(seed: int) -> list[tuple[str, date, str]]:
    """Return thirty sheds: where, when it turned opaque, how it is graded; no two of one animal within three months."""
    chance = random.Random(seed)
    places = [*chance.sample(TUBS[:37], 28), "F1", "Q1"]
    grades = ["one piece, both spectacles off, tail tip off"] * 27 + [
        "in pieces, both spectacles off, tail tip off", "in pieces, spectacle retained, tail tip off",
        "one piece, both spectacles off, tail tip retained",
    ]  # fmt: skip
    days = [FIRST + timedelta(20 + 10 * n + chance.randrange(6)) for n in range(30)]
    return list(zip(places, days, chance.sample(grades, 30), strict=True))


class InventedYear:
    """Plays the year. book: the journal so far."""

    def __init__(self, seed: int = 1) -> None:
        self.config = house()
        self.book = KeptBook()
        self.chance = random.Random(seed)
        self.sheds = sheds(seed)
        self.late: list[tuple[int, str | None, str, str]] = []
        self.wrong: list[tuple[str, str]] = []
        self.checks = dict(CHECKS)
        self.resting: dict[str, int | None] = {}
        self.silent = False
        for n, name in enumerate(TUBS + FURNISHED):
            self.book.write(at(FIRST, 10), name, "moved_in", f"Snake {n + 1}")

    def round(self, when: int) -> ServiceRound:
        """Return the round at a moment."""
        day = datetime.fromtimestamp(when, ZONE).date()
        # What was wetted today is left alone until what that does shows.
        wetted = {
            e.enclosure for e in self.book.entries if e.what in ("refilled", "misted") and at(day, 0) <= e.time <= when
        }
        advice = [one for one in frosty(day) if one.enclosure not in wetted]
        facts = RoundFacts(
            resting=self.resting,
            probe_checks={probe: at(due, 0) for probe, due in self.checks.items()},
            untested={"Runa": ["phone"]} if self.silent else {},
            temperatures={"Egg box": "31.4 °C at 17:58"},
            damp_seconds={"T31": 5 * 86400} if day >= DAMP else {},
            air=air_due(advice, day),
            aside=air_aside(advice, Score(17, 2, 3)) if advice else (),
        )
        return service_round(self.book.entries, self.config, when, facts)

    def days(self) -> Iterator[YearDay]:
        """Play one day after the other."""
        for number in range(365):
            day = FIRST + timedelta(number)
            self._happens(day)
            before = self.round(at(day))
            done = self._walk(day, before)
            after = self.round(at(day, 20)) if number % 4 == 0 else None  # the year is to take seconds
            yield YearDay(day, before, after, done)

    def _happens(self, day: date) -> None:
        for written in self.late:
            self.book.write(*written)
        for identity, place in self.wrong:
            self.book.correct(identity, place)
        self.late, self.wrong = [], []
        for place, opaque, _ in self.sheds:
            if day == opaque:
                self.book.write(at(day, 9), place, "opaque")
        if day == CLUTCH:
            self.book.write(at(day, 9), "Egg box", "eggs", "6")
        if day == LEVER:
            self.book.write(at(day, 9), "T12", "mesh_cover_changed", "half of it covered")
        if day == ILL:
            self.book.write(at(day, 9), "T33", "open_mouth")
        if day == RESTS:
            self.book.write(at(day, 9), "T40", "moved_out", "Snake 40")
            self.resting["T40"] = at(REVIEW, 9)
        self.silent = self.silent or day == SILENT
        if day == ARRIVAL:
            for name in ("Q1", "Q2"):
                self.book.write(at(day, 9), name, "moved_in", f"Guest {name}")
                self.book.write(at(day, 9), name, "quarantine", until=at(day, 9) + 90 * 86400)
        if day == SIGN:
            self.book.write(at(day, 9), "Q1", "wheeze")

    def _walk(self, day: date, made: ServiceRound) -> list[Due]:
        done = []
        for due in made.due:
            if HOLIDAY[0] <= day <= HOLIDAY[1] and due.kind != "bowl":
                continue
            if not self._ready(due, day):
                continue
            if self.chance.random() < 0.03:
                until = day + timedelta(self.chance.randint(1, 3))
                self.book.write(at(day, 19), due.enclosure, "not_today", due.key, at(until, 0))
            elif self._do(due, day):
                done.append(due)
        return done

    def _ready(self, due: Due, day: date) -> bool:
        """Whether the snake has come so far, or somebody decides: the keeper does not tap what is not so."""
        cycle = next((o for p, o, _ in self.sheds if p == due.enclosure and o <= day < o + timedelta(40)), None)
        if due.kind == "eyes":
            return cycle is not None and day >= cycle + timedelta(5)
        if due.kind == "shed":
            return cycle is not None and day >= cycle + timedelta(11)
        if due.kind == "eggs":
            return day >= CLUTCH + timedelta(58)
        return True

    def _do(self, due: Due, day: date) -> bool:
        if due.kind == "path-test":
            self.silent = False
        elif due.kind == "review":
            self.resting.clear()
            self.book.write(at(day, 19), "T40", "moved_in", "Snake 40")
        elif due.kind == "probe-check" and due.enclosure is None:
            del self.checks[due.about]
        if not due.taps and not due.shed:
            return True
        if due.kind == "grade":
            grade = next(g for p, o, g in self.sheds if p == due.enclosure and o <= day < o + timedelta(40))
            self.book.grade(due.shed, grade)
            return True
        tap = due.taps[0]
        roll = self.chance.random()
        if roll < 0.01:
            self.late.append((at(day, 19), due.enclosure, tap.what, tap.detail))
            return False
        if roll < 0.02 and due.kind == "bowl" and due.enclosure in TUBS:
            wrong = self.chance.choice([n for n in TUBS if n != due.enclosure])
            self.wrong.append((self.book.write(at(day, 19), wrong, tap.what), due.enclosure or ""))
            return False
        self.book.write(at(day, 19), due.enclosure, tap.what, tap.detail)
        return True
