"""What a check or a detector is, and what it may say. `contract_suite` holds every one of the table to it.

It owns a memory of its own for each probe, its words and its numbers. It is given a view, which it only reads, and returns
findings. What follows, the pipeline does: it alone excludes readings, raises, clears and quiets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.types import Band, Kind, Priority
from dewkeeper.judge.view import ProbeView, View

Detail = Mapping[str, str | float | int]

RECOVERY_SECONDS: Final = 300
"""So long the readings of a probe show no trace of a fault when it is over, where its check does not ask for longer."""


@dataclass(frozen=True, slots=True)
class Stands:
    """A condition holds since `since`: its alarm is raised, or stands on; beyond tolerable, or `escalates`, it is told as worse.

    holder: what keeps it standing, "" for the probe. probe: another one than the one looked at. cause, consequence, response,
    priority: where the kind's own do not fit. place, enclosure: of what is no probe's.
    """

    kind: Kind
    since: int
    value: float | None = None
    limit: float | None = None
    cause: str = ""
    response: str = ""
    detail: Detail = field(default_factory=dict)
    holder: str = ""
    probe: ProbeView | None = None
    band: Band | None = None
    consequence: str = ""
    escalates: bool = False
    priority: Priority | None = None
    place: str = ""
    enclosure: str | None = None


@dataclass(frozen=True, slots=True)
class Over:
    """A condition holds no more. holder, place: as in `Stands`; holder None: whoever held it."""

    kind: Kind
    why: str = ""
    holder: str | None = ""
    place: str = ""


@dataclass(frozen=True, slots=True)
class Eased:
    """What was beyond tolerable is beyond target only: it stands, milder. limit: the one it is still beyond."""

    kind: Kind
    limit: float


@dataclass(frozen=True, slots=True)
class Amended:
    """Figures and words of what stands, brought up to date; empty words stay. told: whoever saw the old words is told the reason now."""

    kind: Kind
    detail: Detail = field(default_factory=dict)
    cause: str = ""
    response: str = ""
    place: str = ""
    told: bool = False


@dataclass(frozen=True, slots=True)
class InFault:
    """A probe is in a fault from `since` on; what was read since then is excluded where the fault takes it away.

    stated: the sensor itself says so. probe: another one than the one looked at. place: where its alarm is kept, if it is
    several probes' (a part of the wiring); began: since when theirs is.
    """

    kind: Kind
    since: int
    detail: Detail = field(default_factory=dict)
    stated: bool = False
    cause: str = ""
    response: str = ""
    probe: ProbeView | None = None
    place: str = ""
    began: int | None = None


@dataclass(frozen=True, slots=True)
class FaultOver:
    """A probe is out of a fault."""

    kind: Kind
    probe: ProbeView | None = None


@dataclass(frozen=True, slots=True)
class Explained:
    """What the air shows, or the journal says was done at a time (None: now), explains this kind until another: suppressed by design, unless it was so before."""

    kind: Kind
    until: int
    at: int | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Unexplained:
    """It explained nothing: that suppression, and no other, ends now."""

    kind: Kind
    until: int


@dataclass(frozen=True, slots=True)
class TimedAnew:
    """What of these kinds runs since a time or later is timed anew, alarms apart: it rested on other air."""

    kinds: tuple[Kind, ...]
    since: int


@dataclass(frozen=True, slots=True)
class OtherAir:
    """What a probe read before a time was another place's air, and is no past of its own."""

    probe: ProbeView
    since: int


Finding = Stands | Over | Eased | Amended | InFault | FaultOver | Explained | Unexplained | TimedAnew | OtherAir
Findings = Iterable[Finding]


@dataclass(frozen=True, slots=True)
class Detector:
    """One row of the table.

    words: alarm kind -> cause, consequence, response and time to respond. memory: what it keeps of a probe, None for nothing.
    look: asked every five minutes of readings; hourly: when a new hour of a believed probe begins. roles: of which probes.
    recovery: of a fault, for how many seconds readings must show no trace of it. timed_meanwhile: what is too dry or damp is timed
    on them, and told when the fault is over, so that nobody waits for both in turn.
    """

    name: str
    words: Mapping[Kind, Rationale]
    memory: type[ProbeMemory] | None = None
    look: Callable[[View], Findings] | None = None
    hourly: Callable[[View], Findings] | None = None
    roles: tuple[str, ...] = ("substrate",)
    recovery: Callable[[View], int] = lambda _: RECOVERY_SECONDS
    timed_meanwhile: bool = False


Check = Detector
"""A check is a detector whose kinds are faults of the probe; what it does at each reading the pipeline asks by name."""
