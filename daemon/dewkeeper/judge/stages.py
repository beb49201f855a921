"""Which stage holds where: an animal takes its own along when it moves, and what belongs to a place stays.

Being opaque, gravid or a hatchling is the animal's. Quarantine and eggs are the place's: a quarantine tub stays one until
it is said to be over, whoever lives in it, and an animal that leaves it for the rack has left quarantine.

Who lives where is what the journal says (`moved_in NAME`, `moved_out`). Where no animal was ever named, a stage is that of
whoever lives there: it becomes the animal's that is first named in that tub, moving in or out, and ends when it moves out
unnamed. Of several animals in one enclosure an entry whose words begin with the name of one is about that one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL

MOVES: Final = ("moved_in", "moved_out")
"""Journal words that say who lives where."""
STAGE_WORDS: Final = frozenset(what for what, word in JOURNAL.items() if word.stage is not None or word.ends) | set(
    MOVES
)
"""Journal words that begin, end or carry away a stage."""
OF_THE_PLACE: Final = frozenset({"quarantine", "egg_box"})
"""Stages that stay where they are when an animal leaves."""
_LONGEST_NAME: Final = 60
"""Letters of a name that are compared; no source."""


class StageDeed(NamedTuple):
    """An entry about a stage or a move: when (seconds), where, the journal's word, until when (-1: as long as the word says), of whom."""

    at: int
    enclosure: str
    what: str
    until: int
    about: str

    @property
    def over(self) -> int:
        """When the stage it begins ends by itself."""
        return self.until if self.until >= 0 else self.at + JOURNAL[self.what].default_seconds


def animal_named(entry: JournalEntry) -> str:
    """Return the animal that an entry about a move names, "" for none; what follows a comma is no part of the name."""
    return entry.detail.partition(",")[0].strip() if entry.what in MOVES else ""


def stage_deed(entry: JournalEntry, shift: int = 0) -> StageDeed:
    """Return what an entry in an enclosure says of a stage; shift: seconds to take off its times."""
    about = (animal_named(entry) if entry.what in MOVES else entry.detail.strip())[:_LONGEST_NAME].casefold()
    until = -1 if entry.until is None else entry.until - shift
    return StageDeed(entry.time - shift, entry.enclosure or "", entry.what, until, about)


class _Held(NamedTuple):
    since: int
    stage: str
    over: int


class _Homes:
    """Who lives where, and what stage each has: an animal by its name, `@T1` whoever lives there unnamed, `#T1` the place."""

    def __init__(self) -> None:
        self.home: dict[str, str] = {}
        self.known: set[str] = set()
        self.held: dict[str, _Held] = {}

    def take(self, deed: StageDeed) -> None:
        """Take the next deed, the oldest first."""
        here = [name for name, home in self.home.items() if home == deed.enclosure]
        if deed.what in MOVES:
            self._name(deed)
            self._move(deed, here)
            return
        word, place = JOURNAL[deed.what], f"#{deed.enclosure}"
        about = [name for name in here if deed.about.startswith(name)] or here or [f"@{deed.enclosure}"]
        if word.stage is not None:
            for owner in [place] if word.stage in OF_THE_PLACE else about:
                self.held[owner] = _Held(deed.at, word.stage, deed.over)
        for owner in (*about, place):
            if owner in self.held and self.held[owner].stage in word.ends:
                del self.held[owner]

    def _name(self, deed: StageDeed) -> None:
        """An animal named for the first time is who lived here unnamed."""
        unnamed = f"@{deed.enclosure}"
        if deed.about and deed.about not in self.known:
            self.known.add(deed.about)
            if unnamed in self.held:
                self.held[deed.about] = self.held.pop(unnamed)

    def _move(self, deed: StageDeed, here: list[str]) -> None:
        if deed.what == "moved_in":
            if deed.about:
                self.home[deed.about] = deed.enclosure
            return
        for name in [deed.about] if deed.about else here:
            if self.home.get(name) == deed.enclosure:
                del self.home[name]
        if not deed.about and not here:
            self.held.pop(f"@{deed.enclosure}", None)


def neighbours(deeds: Iterable[StageDeed], enclosure: str) -> set[str]:
    """Return the enclosures whose entries say which stage one has: itself, and wherever an animal lived that ever lived there."""
    moves = [deed for deed in deeds if deed.about and deed.what in MOVES]
    animals = {deed.about for deed in moves if deed.enclosure == enclosure}
    return {enclosure} | {deed.enclosure for deed in moves if deed.about in animals}


def stages_at(deeds: Iterable[StageDeed], now: int) -> dict[str, tuple[str, int]]:
    """Return enclosure -> (stage, when it ends by itself) of all where one holds; deeds: the oldest first.

    Where several hold, that which began last.
    """
    homes = _Homes()
    for deed in deeds:
        if deed.at <= now:
            homes.take(deed)
    found: dict[str, _Held] = {}
    for owner, held in homes.held.items():
        place = owner[1:] if owner[0] in "@#" else homes.home.get(owner, "")
        if place and held.over > now and (place not in found or held.since >= found[place].since):
            found[place] = held
    return {place: (held.stage, held.over) for place, held in found.items()}
