"""Animals as the journal knows them: who lives and lived where, and what was noted of each while it lived there.

An animal, an enclosure and a probe are three things. `moved_in` and `moved_out` name the animal; it keeps its history
when it moves, the enclosure keeps its readings, and what is written down for an enclosure belongs to who lives in it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from dewkeeper.judge.stages import MOVES, animal_named, begins_with
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animal_facts import DESCRIBED, AnimalFacts, described
from dewkeeper.report.contract import Past, moist
from dewkeeper.report.model import to_plain

ABOUT_THE_ANIMAL = frozenset(
    {
        "fed", "refused", "handled", "weighed", "opaque", "cleared", "shed", "gravid", "laid", "quarantine",
        "quarantine_over", "belly_smooth", "belly_rough", "belly_discoloured", "belly_cracked", "wheeze", "open_mouth",
        "vet", "note",
    }
)  # fmt: skip
"""Journal words that are about who lives in the enclosure rather than about the enclosure."""

WHO_WORDS = (*MOVES, DESCRIBED)
"""Journal words that say who there is, and where."""
_POINTS = 120


@dataclass(slots=True)
class Stay:
    """Where an animal lived from `start` to `end` (UTC seconds; None: still)."""

    enclosure: str
    start: int
    end: int | None = None


@dataclass(slots=True)
class Animal:
    """One animal: its stays and what was noted of it, both oldest first, and what it is. told: the entry that says the last, "" for none."""

    name: str
    stays: list[Stay] = field(default_factory=list)
    entries: list[JournalEntry] = field(default_factory=list)
    facts: AnimalFacts = field(default_factory=AnimalFacts)
    told: str = ""

    @property
    def home(self) -> str | None:
        """The enclosure it lives in now, None when it has left."""
        return self.stays[-1].enclosure if self.stays and self.stays[-1].end is None else None

    def to_json(self) -> dict[str, Any]:
        """Return the animal as JSON values."""
        return {
            "name": self.name,
            "home": self.home,
            "hatched": self.facts.hatched,
            "sex": self.facts.sex,
            "notes": self.facts.notes,
            "stays": [
                {"enclosure": s.enclosure, "since": to_plain(s.start, "since"), "until": to_plain(s.end, "until")}
                for s in self.stays
            ],
            "entries": [
                {
                    "time": to_plain(e.time, "time"),
                    "enclosure": e.enclosure,
                    "what": e.what,
                    "detail": e.detail,
                    "who": e.who,
                }
                for e in self.entries
            ],
        }


def animals(journal: Sequence[JournalEntry], *, nameless: bool = False) -> list[Animal]:
    """Return every animal the journal (oldest first, corrected entries left out) names, in order of its name.

    Names are told apart without regard to capitals; what follows a comma is no part of the name. Of two animals in
    one enclosure, an entry whose words begin with the name of one is about that one alone. nameless: also who was never
    named, with the name "", one for each enclosure that has entries about an animal; named later, it takes them along.
    """
    known: dict[str, Animal] = {}
    told: dict[str, JournalEntry] = {}
    living: dict[str, list[Animal]] = defaultdict(list)  # the named of each enclosure
    for entry in journal:
        if entry.what == DESCRIBED:
            told[described(entry.detail)[0].casefold()] = entry
        if entry.enclosure is None:
            continue
        here = living[entry.enclosure]
        if entry.what in MOVES:
            _moves(known, living, entry)
        elif entry.what in ABOUT_THE_ANIMAL:
            about = [a for a in here if begins_with(entry.detail.casefold(), a.name.casefold())] or here
            if not about:
                first = Animal("", [Stay(entry.enclosure, entry.time)])
                about = [known.setdefault(f"@{entry.enclosure}", first)]
            for animal in about:
                animal.entries.append(entry)
    found = [animal for animal in known.values() if animal.name or nameless]
    for animal in found:
        if animal.name and animal.name.casefold() in told:
            entry = told[animal.name.casefold()]
            animal.facts, animal.told = described(entry.detail)[1], entry.id
    return sorted(found, key=lambda animal: animal.name.casefold())


def _moves(known: dict[str, Animal], living: dict[str, list[Animal]], entry: JournalEntry) -> None:
    """Take an entry about a move; living: the named ones of each enclosure."""
    name, place, unnamed = animal_named(entry), entry.enclosure or "", f"@{entry.enclosure}"
    here = living[place]
    if name and name.casefold() not in known and unnamed in known:  # named for the first time: who lived here unnamed
        known[name.casefold()] = one = known.pop(unnamed)
        one.name = name
        here.append(one)
    if entry.what == "moved_in":
        if name:
            animal = known.setdefault(name.casefold(), Animal(name))
            if animal.home != place:  # said twice is moved once
                if animal.home is not None:
                    # Moved in elsewhere, it has left its old home though nobody wrote that down.
                    living[animal.home] = [one for one in living[animal.home] if one is not animal]
                _leave(animal, entry.time)
                animal.stays.append(Stay(place, entry.time))
                here.append(animal)
        return
    # Without a name everybody there has moved out.
    gone = [animal for animal in here if not name or animal.name.casefold() == name.casefold()]
    for animal in gone:
        _leave(animal, entry.time)
    living[place] = [animal for animal in here if animal.home == place]
    if not name and not here and unnamed in known:
        _leave(known[unnamed], entry.time)
        # Under another key: the next one there without a name is somebody else.
        known[f"{unnamed} to {entry.time}"] = known.pop(unnamed)


def find_animal(known: Sequence[Animal], name: str) -> Animal | None:
    """Return the animal of a name, or who was never named and lives in the enclosure of that name; None for nobody."""
    wanted = name.casefold()
    named = next((a for a in known if a.name and a.name.casefold() == wanted), None)
    return named or next((a for a in known if not a.name and (a.home or "").casefold() == wanted), None)


@dataclass(frozen=True, slots=True)
class Lived:
    """A stay and the believed humidity where the probe was meanwhile, %RH; None where nothing was measured.

    withheld: a shed of that time is still to be graded, and whoever grades must not know the air.
    """

    stay: Stay
    lowest: float | None = None
    mean: float | None = None
    highest: float | None = None
    withheld: bool = False


def stays(past: Past, animal: Animal, now: int, hidden: tuple[int, int] | None) -> list[Lived]:
    """Return an animal's stays, newest first, with the air of each; hidden: of which time nothing is told yet. Raises StoreError."""
    found = []
    for stay in reversed(animal.stays):
        if hidden is not None and stay.start < hidden[1] and (stay.end is None or stay.end > hidden[0]):
            found.append(Lived(stay, withheld=True))
            continue
        points = moist(past.series(stay.enclosure, stay.start, max(stay.start + 1, min(stay.end or now, now)), _POINTS))
        found.append(
            Lived(
                stay,
                min((p.humidity_low for p in points), default=None),
                sum(p.humidity_percent for p in points) / len(points) if points else None,
                max((p.humidity_high for p in points), default=None),
            )
        )
    return found


def _leave(animal: Animal, at: int) -> None:
    if animal.stays and animal.stays[-1].end is None:
        animal.stays[-1].end = at
