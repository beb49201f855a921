"""What the judge remembers: one `JudgeState`, with a `ProbeState` per probe and an `EnclosureState` per enclosure.

All times inside are elapsed seconds: stored time minus the steps of the wall clock so far.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import field
from typing import Any, Final

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.journal_words import BEFORE_SECONDS, JOURNAL
from dewkeeper.judge.limit_alarm import Side, sides_for
from dewkeeper.judge.memory import NEVER, Corrected, M, ProbeMemory, ReadingCorrection
from dewkeeper.judge.probe_past import ProbePast
from dewkeeper.judge.register import AlarmRegister, Key
from dewkeeper.judge.stages import limits_under
from dewkeeper.judge.types import (
    EnclosureFacts,
    Exclusion,
    Fact,
    Kind,
    Learned,
    ProbeFacts,
    Quantity,
    Settings,
    SystemReport,
    own_part,
    room_place,
)
from dewkeeper_config.models import Delays, HumiditySpan, Limits, TemperatureSpan

for _class in (EnclosureFacts, ProbeFacts, Settings, Fact, Learned, SystemReport, Limits, Delays, HumiditySpan, TemperatureSpan):  # fmt: skip
    remembered(_class)

_DEEDS_ASKED: Final = 8
"""The last so many deeds, of an hour or two."""
HOLD_POLLS: Final = 3
"""A gap of up to so many polls is no break."""
_NO_TIMER: Final = 10**15
"""An elapsed time after everything."""
_BREAKS_KEPT: Final = 12
_BREAKS_KEPT_SECONDS: Final = 2 * 86400
"""So many, of as long as a swap may be looked for; no source."""


@remembered
class AirNow(ProbeMemory):
    """What a probe reads: t °C, h %RH, e hPa of the last counted reading at `seen`; slow_t, slow_e: means over about a thermostat cycle.

    last: any poll; live: the last with values; look_at: when it is looked at from a step back next.
    """

    live: int
    t: float = 0.0
    h: float = 0.0
    e: float = 0.0
    slow_t: float = 0.0
    slow_e: float = 0.0
    last: int = NEVER
    seen: int = NEVER
    look_at: int = NEVER

    def mean_anew(self, *, thermal: bool) -> None:
        """What was read meanwhile is no part of a mean."""
        self.slow_e = self.e
        if thermal:
            self.slow_t = self.t

    def correct(self, by: Corrected) -> None:
        """As the contract says."""
        self.slow_t, self.slow_e = by.vapour(self.slow_t, self.slow_e)
        self.t, self.h, self.e = self.t + by.warmer_c, by.humidity(self.h), by.vapour(self.t, self.e)[1]


@remembered
class LimitMemory(ProbeMemory):
    """The sides of a judged probe. t_low ... h_high: the quiet box; while a reading lies in it and nothing runs (`busy`), no side needs a look."""

    sides: list[Side] = field(default_factory=list)
    busy: bool = False
    h_low: float = -1e9
    h_high: float = 1e9
    t_high: float = 1e9
    t_low: float = -1e9

    def judge_by(self, limits: Limits) -> None:
        """Take these limits; what runs and stands goes on under them."""
        self.sides = sides_for(limits, self.sides)
        self.h_low, self.h_high, self.t_high, self.t_low = (side.limit for side in self.sides)
        self.busy = True


@remembered
class FaultMemory:
    """The faults a probe is in, and was.

    standing: kind -> [since, good since or -1, when the sensor itself last said so]. places: kind -> the place its alarm is
    kept under, where that is not the probe's.
    """

    places: dict[str, str] = field(default_factory=dict)
    standing: dict[Kind, list[int]] = field(default_factory=dict)


@remembered
class ProbeState:
    """One probe: what it is, what it reads, and a memory for each check and detector of the table, by its class's name.

    breaks: when it was last disturbed, by a hand, a jump or a gap. retired: since when the keeper wants nothing of it
    believed. wiring: the parts of the wiring it hangs on, the widest first. past: the last day.
    """

    __slots__ = (
        "air", "breaks", "enclosure", "fault", "limits", "memories", "name", "past", "place", "retired", "role", "room", "rounded", "wiring",
    )  # fmt: skip

    def __init__(self, facts: ProbeFacts, now: int, memories: Iterable[type[ProbeMemory]]) -> None:
        self.adopt(facts)
        self.air = AirNow(now)
        self.limits = LimitMemory()
        self.fault = FaultMemory()
        self.past = ProbePast()
        self.breaks: list[int] = []
        self.retired = NEVER
        self.memories: dict[str, Any] = {cls.__name__: cls() for cls in memories}

    def adopt(self, facts: ProbeFacts) -> None:
        """Take what the configuration says of the probe."""
        self.name = facts.name
        self.role = facts.role
        self.enclosure = facts.enclosure
        self.room = facts.room or ""
        self.place = facts.enclosure or room_place(facts.room or "")
        self.rounded = facts.rounded
        parts = (facts.adapter, facts.bus, facts.multiplexer, facts.branch)
        self.wiring = tuple(dict.fromkeys(part for part in parts if part))

    def memory(self, cls: type[M]) -> M:
        """Return what one check or detector keeps of this probe."""
        found: M = self.memories[cls.__name__]
        return found

    def kept(self) -> list[ProbeMemory]:
        """Return everything that a calibration, an exchange or a retirement reaches."""
        return [self.air, *self.memories.values()]

    @property
    def faults(self) -> dict[Kind, list[int]]:
        """The faults it is in; see `FaultMemory.standing`."""
        return self.fault.standing

    @property
    def sides(self) -> list[Side]:
        """The sides it is judged by; none where it is not judged."""
        return self.limits.sides

    @property
    def parts(self) -> tuple[str, ...]:
        """Return what may be at fault when it is silent: itself first, then the narrowest part of the wiring."""
        return (own_part(self.name), *reversed(self.wiring))

    def disturbed(self, now: int) -> None:
        """Remember that something was done to it, or nothing was read of it for a while.

        Where too much is remembered, that goes which came soonest after another: a thermostat in a new place makes a row
        of them, and what began the row is what somebody did.
        """
        # Within twenty minutes it is one visit, or one jump.
        if self.breaks and now - self.breaks[-1] < 1200:
            return
        self.breaks = [*self.breaks, now]
        if len(self.breaks) > _BREAKS_KEPT:
            nearest = min(range(1, len(self.breaks)), key=lambda i: self.breaks[i] - self.breaks[i - 1])
            self.breaks = [at for i, at in enumerate(self.breaks) if i != nearest and now - at < _BREAKS_KEPT_SECONDS]

    def begin_anew(self, *, another: bool) -> None:
        """Learn anew what is usual for this probe: it, or the heat, is not what it was. another: it is the probe, or its place."""
        self.past = ProbePast()
        for memory in self.kept():
            memory.begin_anew()
            if another:
                memory.another()

    def retire(self, now: int) -> None:
        """Believe nothing of it from now on: it is neither read nor missed."""
        for side in self.sides:
            side.end()
        self.limits.busy = False
        self.let_go()
        self.retired = now

    def accept(self, now: int) -> None:
        """Believe it again, if it was retired; its silence begins now."""
        if self.retired != NEVER:
            self.retired, self.air.live = NEVER, now

    def let_go(self) -> None:
        """Have nothing wait or run any more."""
        for memory in self.kept():
            memory.let_go()


@remembered
class EnclosureState:
    """One enclosure: the stage and the timed band it is in, until when (-1: none), and what the keeper did, newest last."""

    name: str
    stage: str = ""
    stage_until: int = -1
    band: str = ""
    band_until: int = -1
    deeds: list[tuple[int, str, str, int]] = field(default_factory=list)  # time, id, word, until


@remembered
class Timers:
    """What is due when: (due, kind of timer, key). `due`: the first of them."""

    heap: list[tuple[int, str, str]] = field(default_factory=list)
    due: int = _NO_TIMER

    def set(self, due: int, what: str, key: str) -> None:
        """Have one fire at an elapsed time. Asking twice is harmless."""
        entry = (due, what, key)
        if entry not in self.heap:
            heapq.heappush(self.heap, entry)
            self.due = self.heap[0][0]

    def pop(self) -> tuple[int, str, str]:
        """Take the one due first."""
        entry = heapq.heappop(self.heap)
        self.due = self.heap[0][0] if self.heap else _NO_TIMER
        return entry


@remembered
class JudgeState:
    """Everything. Only its own methods write its fields. `rooms`: room -> its probe.

    started, begun: since when anything is judged, and since when this process runs. changes: logged changes so far, for
    their ids. sick: part of the wiring, or of it a single probe -> why nothing is read there. corrections: how the readings
    of a probe, as they arrive, are corrected already. exclusions: found since they were last taken.
    """

    settings: Settings | None = None
    changes: int = 0
    register: AlarmRegister = field(default_factory=AlarmRegister)
    probes: dict[str, ProbeState] = field(default_factory=dict)
    enclosures: dict[str, EnclosureState] = field(default_factory=dict)
    stage_deeds: list[tuple[str, int, str, str, int, str]] = field(default_factory=list)  # id, then a StageDeed
    rooms: dict[str, str] = field(default_factory=dict)
    sick: dict[str, SystemReport] = field(default_factory=dict)
    corrections: dict[str, ReadingCorrection] = field(default_factory=dict)
    learned: dict[str, Learned] = field(default_factory=dict)
    timers: Timers = field(default_factory=Timers)
    now: int = NEVER
    poll: int = 60
    hold: int = 180
    shift: int = 0
    started: int = NEVER
    begun: int = NEVER
    exclusions: list[Exclusion] = field(default_factory=list)

    def configure(self, settings: Settings) -> Settings | None:
        """Take new settings and return the ones before, None for the first."""
        old, self.settings = self.settings, settings
        self.poll = settings.poll_seconds
        self.hold = settings.poll_seconds * HOLD_POLLS
        self.rooms = {facts.room or "": name for name, facts in settings.probes.items() if facts.role == "room"}
        if old is None:
            self.started = self.begun = self.now
        return old

    def advance(self, now: int) -> None:
        """Time passed: elapsed seconds, never back."""
        self.now = max(self.now, now)

    def began(self, at: int) -> int:
        """The process began anew at a stored time; return for how many seconds nobody polled."""
        self.begun = max(self.now, at - self.shift)
        return self.begun - self.now

    def step_clock(self, seconds: int, dates_since: int | None) -> None:
        """The wall clock was stepped; what was stamped from `dates_since` on is dated by the step as well."""
        since = self.now if dates_since is None else dates_since - self.shift
        self.register.step(min(since, self.now), seconds)
        self.shift += seconds

    def exclude(self, exclusion: Exclusion) -> None:
        """Readings of the past are excluded."""
        self.exclusions.append(exclusion)

    def take_exclusions(self) -> tuple[Exclusion, ...]:
        """Return what was excluded since last asked."""
        found, self.exclusions = tuple(self.exclusions), []
        return found

    def settle(self, facts: ProbeFacts, memories: Iterable[type[ProbeMemory]]) -> None:
        """A probe is new, or hangs elsewhere and begins anew."""
        self.probes[facts.name] = ProbeState(facts, self.now, memories)

    def drop(self, probe: str) -> None:
        """A probe is no longer configured."""
        del self.probes[probe]

    def keep_enclosures(self, names: Iterable[str]) -> list[str]:
        """Have these enclosures and no others; return those that are gone."""
        before, self.enclosures = (
            self.enclosures,
            {name: self.enclosures.get(name) or EnclosureState(name) for name in names},
        )
        return [name for name in before if name not in self.enclosures]

    def learn(self, learned: Learned) -> None:
        """Take what insight knows of an enclosure."""
        self.learned[learned.enclosure] = learned

    def trouble(self, report: SystemReport) -> None:
        """A part of the wiring is in trouble, or is no more."""
        self.sick[report.part] = report
        if not report.trouble:
            del self.sick[report.part]

    def heard(self, probe: ProbeState) -> None:
        """It gave a reading: nothing it hangs on is in trouble."""
        for part in probe.parts:
            self.sick.pop(part, None)

    def corrected(self, probe: str, by: ReadingCorrection) -> None:
        """The readings of a probe arrive corrected so from now on."""
        self.corrections[probe] = by

    def keep_stages(self, deeds: list[tuple[str, int, str, str, int, str]]) -> None:
        """Take what the journal says of stages and moves, in order of time."""
        self.stage_deeds = deeds

    def count_change(self) -> int:
        """Return the number of one more logged change."""
        self.changes += 1
        return self.changes

    def set_timer(self, due: int, what: str, key: str | Key) -> None:
        """Have a timer of a probe, a place or an alarm fire at an elapsed time. Asking twice is harmless."""
        self.timers.set(due, what, key if isinstance(key, str) else "\x1f".join(key))

    def limits(self, tub: EnclosureState) -> Limits:
        """Return the limits an enclosure is judged by: its stage's, else its own, within its timed band."""
        assert self.settings is not None  # noqa: S101  the judge takes nothing before Settings
        own = self.settings.enclosures[tub.name].limits
        return limits_under(own, self.settings.stage_limits, tub.stage, tub.band)

    def realarm_seconds(self, enclosure: str | None) -> int:
        """Return how long an acknowledged alarm may stand before it comes back."""
        tub = self.enclosures.get(enclosure or "")
        return int((self.limits(tub).delays.realarm_hours if tub else 12) * 3600)

    def fact(self, place: str, quantity: Quantity, now: int) -> Fact | None:
        """Return what was learned of an enclosure or a room and still holds at an elapsed time."""
        learned = self.learned.get(place)
        return None if learned is None else learned.fact(quantity, now + self.shift)

    def beyond_before(self, enclosure: str, kind: str, at: int) -> bool:
        """Return whether a probe of an enclosure read beyond tolerable on this side well before a time, whatever was believed of it."""
        sides = (side for probe in self.judged_probes(enclosure) for side in probe.sides if side.kind == kind)
        return any(0 <= side.beyond_since < at - BEFORE_SECONDS for side in sides)

    def touched(self, enclosure: str | None, since: int) -> bool:
        """Return whether somebody noted to have been at an enclosure or its probe since a time."""
        tub = self.enclosures.get(enclosure or "")
        if tub is None or not tub.deeds or tub.deeds[-1][0] < since:
            return False
        return any(
            at >= since and (JOURNAL[what].opens or JOURNAL[what].probe) for at, _, what, _ in tub.deeds[-_DEEDS_ASKED:]
        )

    def wiped(self, enclosure: str | None, since: int) -> bool:
        """Return whether somebody noted to have dried the probe of an enclosure since a time."""
        tub = self.enclosures.get(enclosure or "")
        return tub is not None and any(
            at >= since and what == "probe_wiped" for at, _, what, _ in tub.deeds[-_DEEDS_ASKED:]
        )

    def judged_probes(self, enclosure: str) -> list[ProbeState]:
        """Return the judged probes of an enclosure."""
        return [w for w in self.probes.values() if w.enclosure == enclosure and w.role == "substrate"]
