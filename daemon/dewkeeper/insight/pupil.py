"""Learning along with a replay: the same passes over what was replayed so far, never from the future.

It takes readings as the judge believed them, and at each hour at which the daemon learns hands out what a pass then has news of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from dewkeeper.insight.compared import Compared
from dewkeeper.insight.facts import VERSION
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.learning import WasRead, facts_at, first_read, news
from dewkeeper.insight.series import Gathering, Series
from dewkeeper.judge.types import NOT_EVALUATED, PASS, Exclusion, JournalEntry, Learned, Settings, room_place
from dewkeeper.slots import Rule

_COUNT: Final = (PASS, NOT_EVALUATED)


def deeds_of(enclosures: Iterable[str], journal: Iterable[JournalEntry]) -> dict[str, list[Deed]]:
    """Return by enclosure what was done to it, oldest first; an entry about none is about all."""
    found: dict[str, list[Deed]] = {name: [] for name in enclosures}
    for entry in journal:
        for name in found if entry.enclosure is None else [entry.enclosure]:
            if name in found:
                found[name].append(Deed(entry.time, entry.what, entry.detail))
    return {name: sorted(done) for name, done in found.items()}


def judged_probes(settings: Settings) -> dict[str, str]:
    """Return enclosure -> its first judged probe, of which is said what is learned of the enclosure."""
    found: dict[str, str] = {}
    for probe in settings.probes.values():
        if probe.role == "substrate" and probe.enclosure:
            found.setdefault(probe.enclosure, probe.name)
    return found


def beside_probes(settings: Settings) -> dict[str, dict[str, str]]:
    """Return enclosure -> role -> the first probe that lies there beside the judged one."""
    found: dict[str, dict[str, str]] = {}
    for probe in settings.probes.values():
        if probe.enclosure and probe.role not in ("substrate", "room"):
            found.setdefault(probe.enclosure, {}).setdefault(probe.role, probe.name)
    return found


def room_probes(settings: Settings) -> dict[str, str]:
    """Return enclosure -> the probe of its room, where there is one."""
    rooms = {p.room: p.name for p in settings.probes.values() if p.role == "room" and p.room}
    return {name: rooms[facts.room] for name, facts in settings.enclosures.items() if facts.room in rooms}


@dataclass(slots=True)
class Pupil:
    """rule: when a pass is due. journal: all of it; a pass looks at no entry later than itself."""

    settings: Settings
    journal: Sequence[JournalEntry]
    rule: Rule
    due: int | None = None
    _gathered: dict[str, Gathering] = field(default_factory=dict)
    _taken_away: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    _compared: Mapping[str, Compared] = field(default_factory=dict)
    _known: dict[str, Learned] = field(default_factory=dict)

    def __post_init__(self) -> None:
        beside = (name for own in beside_probes(self.settings).values() for name in own.values())
        wanted = {*judged_probes(self.settings).values(), *room_probes(self.settings).values(), *beside}
        self._gathered = {name: Gathering() for name in sorted(wanted)}

    def take(self, at: int, probe: str, temperature_c: float | None, humidity_percent: float | None, flag: int) -> None:
        """Take a reading and what the judge made of it. at: UTC seconds, never before the last one."""
        if self.due is None:
            # Not before there is anything to learn from.
            self.due = self.rule.next_slot(at)
        if flag in _COUNT and temperature_c is not None and humidity_percent is not None:
            gathering = self._gathered.get(probe)
            if gathering is not None:
                gathering.add(at, temperature_c, humidity_percent)

    def take_away(self, exclusions: Iterable[Exclusion]) -> None:
        """Readings taken before were disbelieved now."""
        for one in exclusions:
            self._taken_away.setdefault(one.probe, []).append((one.since, one.until))

    def learned(self, now: int) -> list[Learned]:
        """Return what the pass that is due by now has news of, as of when it was due; of passes nobody read for, the last alone."""
        if self.due is None or now < self.due:
            return []
        at = self.rule.latest_slot(now)
        self.due = self.rule.next_slot(now)
        tubs, rooms = facts_at(self._was_read(at), at)
        self._compared = {**self._compared, **{name: compared for name, (_, compared) in tubs.items()}}
        found = {name: facts for name, (facts, _) in tubs.items()}
        found |= {room_place(self.settings.probes[probe].room or ""): (fact,) for probe, fact in rooms.items()}
        handed = [
            Learned(at, place, facts, VERSION)
            for place, facts in found.items()
            # Against what was handed out last, not found last: what creeps is news in the end.
            if news(facts, self._known.get(place), at)
        ]
        self._known |= {learned.enclosure: learned for learned in handed}
        return handed

    def _was_read(self, at: int) -> WasRead:
        done = deeds_of(self.settings.enclosures, (entry for entry in self.journal if entry.time < at))
        first = first_read(done, at)
        probe_of, room_of = judged_probes(self.settings), room_probes(self.settings)
        rooms = {probe: self._series(probe, first, at) for probe in set(room_of.values())}
        tubs = {name: self._series(probe, first, at) for name, probe in probe_of.items()}
        beside = {
            name: {role: self._series(probe, first, at) for role, probe in own.items()}
            for name, own in beside_probes(self.settings).items()
        }
        return WasRead(tubs, rooms, room_of, done, self._compared, beside=beside)

    def _series(self, probe: str, first: int, at: int) -> Series:
        series = self._gathered[probe].series(first)
        return series.without(self._taken_away.get(probe, ())).until(at)
