"""Quarantine as the journal tells of it: who is in it, since when the clock runs, and when it ends.

All in, all out: the quarantine enclosures of one room are one group, and an animal added or a sign of illness noted in
one of them starts the clock of all anew (common practice of zoos). How long it is, is the keeper's or the vet's. It
ends by being said to be over, never by itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from dewkeeper.judge.journal_words import SICK
from dewkeeper.judge.stages import animal_named
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.contract import Past
from dewkeeper_config.models import Config

SIGNS: Final = SICK
"""Journal words that are a sign of illness: what ends advice restarts a quarantine."""
ENDS: Final = frozenset({"quarantine_over", "stage_over"})
HEEDED: Final = SIGNS | ENDS | {"quarantine", "moved_in"}
"""Journal words that quarantine is read from."""


@dataclass(frozen=True, slots=True)
class Isolation:
    """One enclosure in quarantine. began, counted_from, end: UTC seconds; restarted: why the clock began anew, "" if it did not."""

    enclosure: str
    began: int
    counted_from: int
    length_seconds: int
    restarted: str = ""

    @property
    def end(self) -> int:
        """When it has lasted as long as it was to."""
        return self.counted_from + self.length_seconds


def rooms_of(config: Config) -> dict[str, str]:
    """Return enclosure -> room."""
    rooms = {rack.name: rack.room for rack in config.rack}
    return {enclosure.name: rooms[enclosure.rack] for enclosure in config.enclosure}


def isolations(journal: Sequence[JournalEntry], rooms: Mapping[str, str]) -> dict[str, Isolation]:
    """Return the enclosures in quarantine after a journal (oldest first, corrected entries left out).

    rooms: enclosure -> room, which makes the groups.
    """
    held: dict[str, Isolation] = {}
    homes: dict[str, str] = {}
    for entry in journal:
        place = entry.enclosure
        if place is None:
            continue
        name = animal_named(entry).casefold()
        if entry.what == "quarantine":
            _restart(held, rooms, place, entry.time, f"{place} was added")
            default = JOURNAL["quarantine"].default_seconds
            length = default if entry.until is None else max(0, entry.until - entry.time)
            began = held[place].began if place in held else entry.time
            held[place] = Isolation(place, began, entry.time, length)
        elif entry.what in ENDS:
            held.pop(place, None)
        elif entry.what in SIGNS and place in held:
            _restart(held, rooms, place, entry.time, f"{JOURNAL[entry.what].label} in {place}")
        elif entry.what == "moved_in" and name:
            before, homes[name] = homes.get(name), place
            # Moved within the group it brings nothing new with it.
            if place in held and not (before in held and rooms.get(before or "") == rooms.get(place)):
                _restart(held, rooms, place, entry.time, f"{animal_named(entry)} was added in {place}")
    return held


def _restart(held: dict[str, Isolation], rooms: Mapping[str, str], place: str, at: int, why: str) -> None:
    for name, one in held.items():
        # On the second it began, nothing began anew: the animal moves in and its quarantine is written down at once.
        if rooms.get(name) == rooms.get(place) and at > one.counted_from:
            held[name] = replace(one, counted_from=at, restarted=why)


def crossing(journal: Sequence[JournalEntry], rooms: Mapping[str, str], animal: str, to: str, now: int) -> str:
    """Return what to ask before an animal is moved out of a quarantine that is not over, "" when nothing is to be asked.

    to: the enclosure it is to move to.
    """
    held = isolations([entry for entry in journal if entry.time <= now], rooms)
    home = None
    for entry in journal:
        if entry.what == "moved_in" and animal_named(entry).casefold() == animal.casefold() and entry.time <= now:
            home = entry.enclosure
    if home not in held or (to in held and rooms.get(to) == rooms.get(home or "")):
        return ""
    days = -(-(held[home].end - now) // 86400)
    left = f"{days} day{'s' if days != 1 else ''} before its end" if days > 0 else "before anybody said that it is over"
    return f"{animal} would leave quarantine {left}"


def leaving_quarantine(past: Past, config: Config, detail: str, to: str, at: int) -> str:
    """Return what to ask before an animal is written down as moved (detail: its name, as the journal takes it), "" for nothing.

    to: the enclosure it moves to; at: UTC seconds. Raises StoreError.
    """
    name = detail.partition(",")[0].strip()
    return crossing(past.journal(0, words=HEEDED), rooms_of(config), name, to, at) if name else ""
