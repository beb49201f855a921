"""Which stage holds where: an animal takes its own along when it moves, and what belongs to a place stays.

A timed band (`limits_for_a_time`, "65-80") is the place's too, and apart from stages: while it holds, the stage holds beside it,
and of the limits only the tolerable humidity is the band's, with the target kept inside it.

Being opaque, gravid or a hatchling is the animal's. Quarantine and eggs are the place's: a quarantine tub stays one until
it is said to be over, whoever lives in it, and an animal that leaves it for the rack has left quarantine.

Who lives where is what the journal says (`moved_in NAME`, `moved_out`). Where no animal was ever named, a stage is that of
whoever lives there: it becomes the animal's that is first named in that tub, moving in or out, and ends when it moves out
unnamed. Of several animals in one enclosure an entry whose words begin with the name of one is about that one.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper_config.models import HumiditySpan, Limits

MOVES: Final = ("moved_in", "moved_out")
"""Journal words that say who lives where."""
BAND, BAND_OVER = "limits_for_a_time", "limits_over"
"""Journal words that begin and end a timed band."""
STAGE_WORDS: Final = frozenset(what for what, word in JOURNAL.items() if word.stage is not None or word.ends) | {
    *MOVES, BAND, BAND_OVER
}  # fmt: skip
"""Journal words that begin, end or carry away a stage or a timed band."""
LEAST_BAND_PERCENT: Final = 5
"""A band narrower than this would be left at every misting. Common practice, no source."""
_BAND: Final = re.compile(r"(\d{1,3})[-–](\d{1,3})(?:\s*%)?(?:,.*)?", re.DOTALL)
_OF_PLACE_MARKS: Final = {"quarantine": "#", "egg_box": "%"}
"""Stages that stay where they are when an animal leaves; both may hold in one place."""
ENDLESS_WORDS: Final = frozenset({"quarantine", "quarantine_over", "stage_over"})
"""Words about quarantine, which ends by being said to be over and never by itself: its clock begins anew with every animal
that is added and every sign of illness, and when it has run out somebody decides (`report.quarantine`)."""
_ENDLESS: Final = 1 << 40
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
        if self.what == "quarantine":
            return _ENDLESS
        return self.until if self.until >= 0 else self.at + JOURNAL[self.what].default_seconds


def animal_named(entry: JournalEntry) -> str:
    """Return the animal that an entry about a move names, "" for none; what follows a comma is no part of the name."""
    return entry.detail.partition(",")[0].strip() if entry.what in MOVES else ""


def stage_deed(entry: JournalEntry, shift: int = 0) -> StageDeed:
    """Return what an entry in an enclosure says of a stage; shift: seconds to take off its times."""
    about = (animal_named(entry) if entry.what in MOVES else entry.detail.strip())[:_LONGEST_NAME].casefold()
    until = -1 if entry.until is None else entry.until - shift
    return StageDeed(entry.time - shift, entry.enclosure or "", entry.what, until, about)


def begins_with(text: str, name: str) -> bool:
    """Return whether words begin with a name, whole, both casefolded: "moist floor" is not about Mo."""
    return text.startswith(name) and not text[len(name) :][:1].isalnum()


class Holding(NamedTuple):
    """What holds in an enclosure: a stage and a timed band ("" for none), and when each ends by itself (-1: never)."""

    stage: str = ""
    stage_over: int = -1
    band: str = ""
    band_over: int = -1


NOTHING_HOLDS: Final = Holding()


def band_of(text: str) -> tuple[int, int] | None:
    """Return the ends of a timed band, %RH, from "65-80" or "65-80 %, because ..."; None where it is none that could be judged by."""
    found = _BAND.fullmatch(text.strip())
    if found is None:
        return None
    low, high = int(found[1]), int(found[2])
    return (low, high) if low + LEAST_BAND_PERCENT <= high <= 100 else None


def limits_under(own: Limits, stages: Mapping[str, Limits], stage: str, band: str) -> Limits:
    """Return the limits of an enclosure under a stage and a timed band ("" for none); stages: limits by stage."""
    limits, ends = stages.get(stage, own) if stage else own, band_of(band)
    if ends is None:
        return limits
    low, high = ends
    target = max(low, limits.humidity_target.low), min(high, limits.humidity_target.high)
    # Of a target that lies wholly outside the band nothing is left: then the band is the target.
    inside = target if target[0] < target[1] else ends
    return limits.but(
        humidity_tolerable=HumiditySpan(low=low, high=high),
        humidity_target=HumiditySpan(low=inside[0], high=inside[1]),
    )


class _Held(NamedTuple):
    """turn: of which deed, in their order, it began with."""

    turn: int
    stage: str
    over: int


_NONE: Final = _Held(0, "", -1)


class _Homes:
    """Who lives where, and what stage each has: an animal by its name, `@T1` whoever lives there unnamed, `#T1` and `%T1` the place.

    bands: the timed band of each place. living: the named of each place.
    """

    def __init__(self) -> None:
        self.home: dict[str, str] = {}
        self.living: dict[str, dict[str, None]] = {}
        self.known: set[str] = set()
        self.held: dict[str, _Held] = {}
        self.bands: dict[str, _Held] = {}
        self._turn = 0

    def take(self, deed: StageDeed) -> set[str]:
        """Take the next deed, the oldest first; return the places where it may change what holds."""
        self._turn += 1
        here = list(self.living.get(deed.enclosure, ()))
        if deed.what in MOVES:
            # Asked before it moves: what holds where it came from changes as well.
            before = self.home.get(deed.about, deed.enclosure)
            self._name(deed)
            self._move(deed, here)
            return {deed.enclosure, before}
        if deed.what in (BAND, BAND_OVER):
            self.bands.pop(deed.enclosure, None)
            if deed.what == BAND and (ends := band_of(deed.about)) is not None:
                self.bands[deed.enclosure] = _Held(self._turn, f"{ends[0]}-{ends[1]}", deed.over)
            return {deed.enclosure}
        word, places = JOURNAL[deed.what], [f"{mark}{deed.enclosure}" for mark in _OF_PLACE_MARKS.values()]
        about = [name for name in here if begins_with(deed.about, name)] or here or [f"@{deed.enclosure}"]
        if word.stage is not None:
            mark = _OF_PLACE_MARKS.get(word.stage)
            for owner in about if mark is None else [f"{mark}{deed.enclosure}"]:
                self.held[owner] = _Held(self._turn, word.stage, deed.over)
        for owner in (*about, *places):
            if owner in self.held and self.held[owner].stage in word.ends:
                del self.held[owner]
        return {deed.enclosure}

    def _name(self, deed: StageDeed) -> None:
        """An animal named for the first time is who lived here unnamed."""
        unnamed = f"@{deed.enclosure}"
        if deed.about and deed.about not in self.known:
            self.known.add(deed.about)
            if unnamed in self.held:
                self.held[deed.about] = self.held.pop(unnamed)

    def _move(self, deed: StageDeed, here: list[str]) -> None:
        if deed.what == "moved_in":
            if deed.about and self.home.get(deed.about) != deed.enclosure:
                self._leave(deed.about)
                self.home[deed.about] = deed.enclosure
                self.living.setdefault(deed.enclosure, {})[deed.about] = None
            return
        for name in [deed.about] if deed.about else here:
            if self.home.get(name) == deed.enclosure:
                self._leave(name)
        if not deed.about and not here:
            self.held.pop(f"@{deed.enclosure}", None)

    def _leave(self, name: str) -> None:
        if name in self.home:
            del self.living[self.home.pop(name)][name]

    def ending(self, at: int) -> set[str]:
        """Return the places where something ends by itself at a second."""
        found = {self._place(owner) for owner, held in self.held.items() if held.over == at}
        return found | {place for place, held in self.bands.items() if held.over == at}

    def holding(self, place: str, now: int) -> Holding:
        """Return what holds in a place; where several stages do, that which began last."""
        owners = (*self.living.get(place, ()), f"@{place}", *(f"{mark}{place}" for mark in _OF_PLACE_MARKS.values()))
        stages = [held for owner in owners if (held := self.held.get(owner, _NONE)).over > now]
        band = self.bands.get(place, _NONE)
        return Holding(*_until(max(stages, default=_NONE)), *_until(band if band.over > now else _NONE))

    def places(self) -> set[str]:
        """Return the places where anything may hold."""
        return {self._place(owner) for owner in self.held} | self.bands.keys()

    def _place(self, owner: str) -> str:
        return owner[1:] if owner[0] in "@#%" else self.home.get(owner, "")


def neighbours(deeds: Iterable[StageDeed], enclosure: str) -> set[str]:
    """Return the enclosures whose entries say which stage one has: itself, and wherever an animal lived that ever lived there."""
    moves = [deed for deed in deeds if deed.about and deed.what in MOVES]
    animals = {deed.about for deed in moves if deed.enclosure == enclosure}
    return {enclosure} | {deed.enclosure for deed in moves if deed.about in animals}


def holding(deeds: Iterable[StageDeed], now: int) -> dict[str, Holding]:
    """Return what holds in each enclosure where anything does; deeds: the oldest first.

    Where several stages hold, that which began last, and so of bands.
    """
    homes = _Homes()
    for deed in deeds:
        if deed.at <= now:
            homes.take(deed)
    found = {place: homes.holding(place, now) for place in homes.places() if place}
    return {place: held for place, held in found.items() if held != NOTHING_HOLDS}


class Course:
    """What held in each enclosure at any moment, as it was known then; found by one walk through all deeds.

    deeds: each with the second it was known from, not before its own; the oldest first.
    """

    def __init__(self, deeds: Sequence[tuple[int, StageDeed]]) -> None:
        self._steps: dict[str, list[tuple[int, Holding]]] = defaultdict(list)
        coming: dict[int, list[int]] = defaultdict(list)
        for index, (known, _) in enumerate(deeds):
            coming[known].append(index)
        homes, taken = _Homes(), list[int]()
        for at in sorted(coming.keys() | {deed.over for _, deed in deeds}):
            touched = homes.ending(at)
            if at in coming and taken and coming[at][0] < taken[-1]:  # written down late: all is told anew
                touched |= homes.places()
                coming[at] = sorted([*taken, *coming[at]])
                homes, taken = _Homes(), []
            for index in coming.get(at, ()):
                touched |= homes.take(deeds[index][1])
                taken.append(index)
            for place in touched:
                held, before = homes.holding(place, at), self._steps.get(place)
                if held != (before[-1][1] if before else NOTHING_HOLDS):
                    self._steps[place].append((at, held))

    def holding(self, enclosure: str, at: int) -> Holding:
        """Return what holds in an enclosure at a second."""
        steps = self._steps.get(enclosure, ())
        place = bisect_right(steps, at, key=lambda step: step[0])
        return steps[place - 1][1] if place else NOTHING_HOLDS

    def changes(self, enclosure: str, start: int, end: int) -> list[int]:
        """Return the seconds after `start` and before `end` at which that changes."""
        return [at for at, _ in self._steps.get(enclosure, ()) if start < at < end]


def _until(held: _Held) -> tuple[str, int]:
    return held.stage, held.over if held.over < _ENDLESS else -1
