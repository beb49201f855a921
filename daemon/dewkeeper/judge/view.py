"""What a check or a detector sees: one probe, its enclosure, its room and the probes beside it. Read-only.

Temperatures are °C, humidities %RH, vapour pressures hPa, times elapsed seconds. A check or detector writes its own memory and
nothing else; what follows from what it found is the pipeline's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol

from dewkeeper.judge.journal_words import JOURNAL, JournalWord
from dewkeeper.judge.lifecycle import AlarmInstance
from dewkeeper.judge.limit_alarm import Side
from dewkeeper.judge.memory import M
from dewkeeper.judge.probe_past import ProbePast
from dewkeeper.judge.rationale import HIGHEST
from dewkeeper.judge.types import EnclosureFacts, Fact, Figures, Kind, Quantity, Role, SystemReport

if TYPE_CHECKING:
    from dewkeeper.judge.state import JudgeState, ProbeState

ROOM_SECONDS = 900
"""So old a room's reading may be to be compared with; common practice, no source."""
_LATEST = 8
"""Entries of the journal asked about what happened in the last hours."""


class AirView(Protocol):
    """What a probe reads: see `state.AirNow`."""

    @property
    def t(self) -> float: ...  # noqa: D102
    @property
    def h(self) -> float: ...  # noqa: D102
    @property
    def e(self) -> float: ...  # noqa: D102
    @property
    def slow_t(self) -> float: ...  # noqa: D102
    @property
    def slow_e(self) -> float: ...  # noqa: D102
    @property
    def seen(self) -> int: ...  # noqa: D102
    @property
    def live(self) -> int: ...  # noqa: D102


class ProbeView(Protocol):
    """A probe as others see it: see `state.ProbeState`. `memory` is for a check's or detector's own."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def role(self) -> Role: ...  # noqa: D102
    @property
    def enclosure(self) -> str | None: ...  # noqa: D102
    @property
    def room(self) -> str: ...  # noqa: D102
    @property
    def place(self) -> str: ...  # noqa: D102
    @property
    def rounded(self) -> bool: ...  # noqa: D102
    @property
    def wiring(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def parts(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def retired(self) -> int: ...  # noqa: D102
    @property
    def air(self) -> AirView: ...  # noqa: D102
    @property
    def past(self) -> ProbePast: ...  # noqa: D102
    @property
    def breaks(self) -> Sequence[int]: ...  # noqa: D102
    @property
    def faults(self) -> Mapping[Kind, Sequence[int]]: ...  # noqa: D102
    @property
    def sides(self) -> Sequence[Side]: ...  # noqa: D102
    def memory(self, cls: type[M]) -> M: ...  # noqa: D102


class View:
    """One probe at one moment, and what stands around it."""

    __slots__ = ("_room", "_state", "now", "probe")

    def __init__(self, state: JudgeState, probe: ProbeState | ProbeView, now: int) -> None:
        self._state = state
        self.probe: ProbeView = probe
        self.now = now
        # In a tuple, for that there is none is an answer to be kept, too.
        self._room: tuple[ProbeView | None] | None = None

    def of(self, probe: ProbeView) -> View:
        """Return the same moment seen from another probe."""
        return View(self._state, probe, self.now)

    @property
    def poll(self) -> int:
        """Seconds from poll to poll."""
        return self._state.poll

    @property
    def hold(self) -> int:
        """Seconds: a gap no longer than this is no break."""
        return self._state.hold

    @property
    def begun(self) -> int:
        """Since when this process runs."""
        return self._state.begun

    @property
    def facts(self) -> EnclosureFacts | None:
        """What the configuration says of the enclosure; None for a room's probe."""
        settings = self._state.settings
        return settings.enclosures.get(self.probe.enclosure or "") if settings is not None else None

    @property
    def room(self) -> ProbeView | None:
        """The room's probe, when it has a believed reading of the last quarter of an hour."""
        if self._room is None:
            self._room = (self._find_room(),)
        return self._room[0]

    def _find_room(self) -> ProbeView | None:
        state = self._state
        name = state.rooms.get(self.probe.room)
        room = state.probes.get(name) if name is not None and name != self.probe.name else None
        if room is None or room.faults or self.now - room.air.seen > max(ROOM_SECONDS, state.hold):
            return None
        return room

    @property
    def probes(self) -> Iterable[ProbeView]:
        """Every probe, this one too."""
        return self._state.probes.values()

    @property
    def neighbours(self) -> list[ProbeView]:
        """The judged probes of the same room, this one too."""
        room = self.probe.room
        return [w for w in self._state.probes.values() if w.room == room and w.role == "substrate"]

    def alarm(self, kind: Kind, place: str = "") -> AlarmInstance | None:
        """Return the alarm of a kind in this place (or another) that stands or waits to be seen; it is only to be read."""
        return self._state.register.instances.get((place or self.probe.place, kind))

    def standing(self, kind: Kind, place: str = "") -> AlarmInstance | None:
        """Return the same while its condition holds."""
        return self._state.register.standing((place or self.probe.place, kind))

    def stands(self, kind: Kind, place: str = "") -> bool:
        """Return whether the condition of an alarm holds now."""
        return self.standing(kind, place) is not None

    def hottest(self, alarm: AlarmInstance) -> Figures:
        """Return how hot it was at most since an alarm of heat began, at this probe or one whose heat ended before, as a detail."""
        before = alarm.detail.get(HIGHEST)
        here = round(self.probe.past.highest_since(alarm.since), 1)
        return {HIGHEST: here if before is None else max(here, float(before))}

    def any_stands(self, kinds: Iterable[Kind]) -> bool:
        """Return whether any of these alarms stands in this place."""
        instances = self._state.register.instances
        if not instances:
            return False
        place = self.probe.place
        for kind in kinds:
            alarm = instances.get((place, kind))
            if alarm is not None and alarm.stands:
                return True
        return False

    def entries(self, within: int, latest: int = 0) -> list[tuple[int, JournalWord]]:
        """Return the journal's entries of this enclosure of the last seconds, oldest first; latest: only of so many."""
        tub = self._state.enclosures.get(self.probe.enclosure or "")
        if tub is None or not tub.deeds:
            return []
        deeds = tub.deeds[-latest:] if latest else tub.deeds
        return [(at, JOURNAL[what]) for at, _, what, _ in deeds if 0 <= self.now - at < within]

    @property
    def stage(self) -> str:
        """The stage the enclosure is in, empty for its usual."""
        tub = self._state.enclosures.get(self.probe.enclosure or "")
        return tub.stage if tub is not None else ""

    def handled(self, within: int) -> bool:
        """Return whether somebody noted to have opened the enclosure in the last seconds."""
        return any(word.opens for _, word in self.entries(within, _LATEST))

    def wiped(self, since: int) -> bool:
        """Return whether somebody noted to have dried the probe since a time."""
        return self._state.wiped(self.probe.enclosure, since)

    def learned(self, quantity: Quantity) -> float | None:
        """Return what was learned of the enclosure, or of a room's probe, and still holds, in the quantity's unit."""
        fact = self.fact(quantity)
        return None if fact is None else fact.value

    def fact(self, quantity: Quantity) -> Fact | None:
        """Return the same with its interval."""
        return self._state.fact(self.probe.place, quantity, self.now)

    def report(self, part: str) -> SystemReport | None:
        """Return why nothing is read of a part of the wiring, where the service said so."""
        return self._state.sick.get(part)

    def wall(self, elapsed: int) -> int:
        """Return the stored time, UTC seconds, of an elapsed one."""
        return self._state.register.wall(elapsed)
