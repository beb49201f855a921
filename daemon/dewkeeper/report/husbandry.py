"""The journal as the round reads it: who lives where, what was done last where, what was put off, who is in blue."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from dewkeeper.judge.stages import MOVES
from dewkeeper.judge.types import JournalEntry
from dewkeeper.report.animals import ABOUT_THE_ANIMAL, Animal, animals
from dewkeeper.report.quarantine import HEEDED, SIGNS, Isolation, isolations, rooms_of
from dewkeeper_config.models import Config, Enclosure

SIGN_DAYS = 30
"""A sign of illness puts an enclosure behind the healthy for so long, or until its vet was seen."""


@dataclass(slots=True)
class Husbandry:
    """What a journal comes to at `now` (UTC seconds); made new each time, kept nowhere. living: enclosure -> animals."""

    config: Config
    zone: ZoneInfo
    now: int
    entries: Sequence[JournalEntry]
    known: list[Animal]
    isolated: dict[str, Isolation]
    living: dict[str, list[Animal]] = field(default_factory=lambda: defaultdict(list))
    done: dict[tuple[str | None, str], list[JournalEntry]] = field(default_factory=lambda: defaultdict(list))

    @classmethod
    def of(cls, journal: Sequence[JournalEntry], config: Config, now: int) -> Husbandry:
        """Read a journal: oldest first, corrected entries left out. Entries after `now` do not count."""
        entries = [entry for entry in journal if entry.time <= now]
        found = cls(
            config, ZoneInfo(config.site.timezone), now, entries,
            # Bowls and cloths are most of a journal, and say nothing of who lives where.
            animals([e for e in entries if e.what in ABOUT_THE_ANIMAL or e.what in MOVES], nameless=True),
            isolations([e for e in entries if e.what in HEEDED], rooms_of(config)),
        )  # fmt: skip
        for animal in found.known:
            if animal.home is not None:
                found.living[animal.home].append(animal)
        for entry in entries:
            found.done[entry.enclosure, entry.what].append(entry)
        return found

    def day(self, at: int) -> date:
        """Return the local date of a UTC second."""
        return datetime.fromtimestamp(at, self.zone).date()

    @property
    def today(self) -> date:
        """The local date of now."""
        return self.day(self.now)

    def last(self, enclosure: str | None, *words: str) -> JournalEntry | None:
        """Return the newest entry there with one of these words."""
        newest = [self.done[enclosure, word][-1] for word in words if self.done.get((enclosure, word))]
        return max(newest, key=lambda entry: entry.time, default=None)

    def since(self, enclosure: str, words: Collection[str], at: int) -> JournalEntry | None:
        """Return the first entry there with one of these words at or after a UTC second."""
        found = [e for word in words for e in self.done.get((enclosure, word), ()) if e.time >= at]
        return min(found, key=lambda entry: entry.time, default=None)

    def empty(self, enclosure: str) -> bool:
        """Whether the journal says that nobody lives there: somebody moved out, and nobody in."""
        return not self.living[enclosure] and self.last(enclosure, "moved_out", "moved_in") is not None

    def set_up(self, enclosure: str) -> int | None:
        """Return when the first of those who live there now moved in, None when the journal does not say.

        Whoever moves a snake into an empty tub sets it up: bowl and floor are fresh (common practice, no source).
        """
        named = [animal.stays[-1].start for animal in self.living[enclosure] if animal.name]
        return min(named, default=None)

    def holds_eggs(self, enclosure: Enclosure) -> bool:
        """Whether it is an egg box, or eggs were set up in it and have not hatched."""
        begun = self.last(enclosure.name, "eggs")
        ended = self.last(enclosure.name, "hatched", "stage_over")
        return enclosure.kind == "egg_box" or (begun is not None and (ended is None or ended.time < begun.time))

    def ill(self, enclosure: str) -> JournalEntry | None:
        """Return the newest sign of illness there that no vet has seen since; None for none, or an old one."""
        sign, seen = self.last(enclosure, *SIGNS), self.last(enclosure, "vet")
        if sign is None or (seen is not None and seen.time >= sign.time):
            return None
        return sign if (self.today - self.day(sign.time)).days <= SIGN_DAYS else None

    def put_off(self, enclosure: str | None, key: str, since: date) -> JournalEntry | None:
        """Return the entry that puts something due since a date off until after today, None when nothing does."""
        for entry in reversed(self.done.get((enclosure, "not_today"), ())):
            # The newest word on it counts, and where that one holds no longer none does.
            if entry.detail.casefold() == key.casefold():
                holds = entry.until is not None and self.day(entry.until) > self.today
                return entry if holds and self.day(entry.time) >= since else None
        return None
