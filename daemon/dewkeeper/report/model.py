"""What a report says, before it is put in words: plain frozen values that the terminal, the page and JSON share.

Times are UTC seconds, humidities %RH, temperatures °C. Every value here was counted by the judge: what was not
believed is in no minimum, it is in `unwatched`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from typing import Any, Literal, Protocol

from dewkeeper.interchange import format_time
from dewkeeper.judge.types import Band, Kind, Priority, State
from dewkeeper.report.off_times import OffTime, OffWhy

Rank = Literal["urgent", "alarm", "unwatched", "outside", "shelved", "out_of_service", "calm"]
# Not watched stands before what is known to dry: it may be a heat, which kills within the hour.
RANKS: tuple[Rank, ...] = ("urgent", "unwatched", "alarm", "outside", "shelved", "out_of_service", "calm")
"""Worst first: an urgent alarm; not watched; another alarm; beyond a limit but no alarm; put aside by the keeper, an alarm
or the whole enclosure; nothing to see to."""
NEEDS_LOOK: frozenset[Rank] = frozenset({"urgent", "alarm", "unwatched", "outside"})


@dataclass(frozen=True, slots=True)
class Mark:
    """A value, when it was measured, and by which probe."""

    value: float
    at: int
    probe: str = ""


@dataclass(frozen=True, slots=True)
class NowValues:
    """The newest reading that counts. `stale` when it is older than three polls: then it is not the air of now.

    Of several judged probes it is the one that gives most concern, heat and cold before humidity.
    """

    humidity_percent: float
    temperature_c: float
    at: int
    stale: bool
    probe: str = ""


@dataclass(frozen=True, slots=True)
class ChangeParts:
    """A change of humidity that led to an alarm: since when (UTC seconds), %RH before and after, and its parts, which add up."""

    since: int
    before: float
    after: float
    temperature: float
    room: float
    moisture: float


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that stands, with everything needed to act on it. `respond_by` is None where there is no hurry.

    dose: of an excursion so far, %RH or °C beyond the limit times hours. danger: a heat that kills, and is so now as far as
    anybody knows. known_until: until when it was measured, where its enclosure is not watched now; ended: when it was over, where
    that is known; unmeasured: it ended because nobody measures it any more. seen_by, seen_at: who said that it is seen and when; None where nobody did, or longer ago than a day. shelved_by, shelved_why: who put it aside and why. parts: why, in figures, None where not known.
    room: of a room's alarm its name, "" of any other. air: the newest believed air of its enclosure, or of that room; None
    where there is none. blind: whether it means that nobody knows the air of its enclosure. danger_limit: whether
    `limit` is that of danger, also where it has sunk below it since. highest: of a heat that is over, °C.
    """

    alarm: str
    kind: Kind
    band: Band | None
    priority: Priority
    state: State
    enclosure: str | None
    probe: str | None
    since: int
    raised: int
    value: float | None
    limit: float | None
    cause: str
    consequence: str
    response: str
    respond_by: int | None
    shelved_until: int | None = None
    shelved_by: str = ""
    shelved_why: str = ""
    dose: float = 0.0
    danger: bool = False
    seen_by: str | None = None
    seen_at: int | None = None
    parts: ChangeParts | None = None
    known_until: int | None = None
    ended: int | None = None
    unmeasured: bool = False
    air: NowValues | None = None
    room: str = ""
    blind: bool = False
    danger_limit: bool = False
    highest: float | None = None

    @property
    def subject(self) -> str:
        """What it is about, as the keeper calls it: enclosure, room or probe; "" for dewkeeper itself."""
        return self.enclosure or self.room or self.probe or ""


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without believed readings, and why if a fault says so."""

    start: int
    end: int
    reason: str


@dataclass(frozen=True, slots=True)
class Unwatched:
    """Time in which nothing believable was measured. `reason` names the fault in the judge's words, "" if unknown.

    off: why dewkeeper itself was off all that time, "" where it was not, or not known to be. gaps: from when to when it was, where
    nothing else says so.
    """

    minutes: float
    now: bool
    reason: str
    since: int | None
    off: OffWhy | Literal[""] = ""
    gaps: tuple[Gap, ...] = ()


UNWATCHED_MINUTES = 30.0
"""So much of a night without believable readings is worth a look even when the probe is back."""
NO_PROBE, NEVER_READ, NOT_BELIEVED = "no probe", "no reading yet", "not believed"
"""Reasons for which an enclosure is unwatched without an alarm."""


@dataclass(frozen=True, slots=True)
class Limiting:
    """The limits a row was compared with: target and tolerable humidity, tolerable temperature, day temperature."""

    target_low: float
    target_high: float
    tolerable_low: float
    tolerable_high: float
    temperature_low: float
    temperature_high: float
    day_temperature: float


class OfKind(Protocol):
    """Something that is of a kind of alarm."""

    @property
    def kind(self) -> Kind:
        """The kind."""
        ...


class NightRow(Protocol):
    """One enclosure's night, just over or long ago: what its numbers, its words and its small curve are made from."""

    @property
    def enclosure(self) -> str:
        """Its name."""
        ...

    @property
    def limits(self) -> Limiting:
        """The limits it was compared with."""
        ...

    @property
    def humidity_min(self) -> Mark | None:
        """Lowest humidity, %RH."""
        ...

    @property
    def humidity_max(self) -> Mark | None:
        """Highest humidity, %RH."""
        ...

    @property
    def temperature_min(self) -> Mark | None:
        """Lowest temperature, °C."""
        ...

    @property
    def temperature_max(self) -> Mark | None:
        """Highest temperature, °C."""
        ...

    @property
    def humidity_min_at_day_percent(self) -> float | None:
        """Lowest humidity referred to the day temperature, %RH."""
        ...

    @property
    def minutes_beyond_target(self) -> float:
        """Minutes beyond target."""
        ...

    @property
    def minutes_beyond_tolerable(self) -> float:
        """Minutes beyond tolerable."""
        ...

    @property
    def dose_percent_hours(self) -> float:
        """How far beyond target times how long, %RH times hours."""
        ...

    @property
    def minutes_too_hot(self) -> float:
        """Minutes too hot."""
        ...

    @property
    def minutes_too_cold(self) -> float:
        """Minutes too cold."""
        ...

    @property
    def beyond(self) -> tuple[int, int] | None:
        """From when to when it was beyond; None where that is not asked or its alarms say it."""
        ...

    @property
    def now(self) -> NowValues | None:
        """The value of now; None of a night that is over."""
        ...

    @property
    def alarms(self) -> Sequence[OfKind]:
        """What stands, or stood, the gravest first."""
        ...

    @property
    def judged(self) -> Sequence[str]:
        """Its judged probes."""
        ...


@dataclass(frozen=True, slots=True)
class EnclosureMorning:
    """One enclosure's night.

    humidity_min_at_day_percent: the night's lowest humidity referred to the day temperature, the vapour unchanged.
    dose_percent_hours: how far beyond target times how long, %RH times hours, both sides together.
    stage: the journal's stage (opaque, gravid …), else the profile; `limits` are those of the stage. band: the timed band
    ("65-80") within which they are, "" for none.
    minimum_change_percent: lowest humidity compared with the night before, None when one of them is unknown.
    watched: whether it was in service and watched, by believed readings, all the time the glance speaks of, and is now.
    judged: its judged probes; extremes are the worst of all of them, times beyond those of the worst.
    beyond: of a night that was outside and has no alarm, from when to when, to a quarter of an hour.
    warmth_now_c: °C of now where `now` is None because the humidity alone is doubted.
    """

    enclosure: str
    rack: str
    room: str
    shelf: int
    place: int
    rank: Rank
    limits: Limiting
    humidity_min: Mark | None
    humidity_max: Mark | None
    temperature_min: Mark | None
    temperature_max: Mark | None
    humidity_min_at_day_percent: float | None
    minutes_beyond_target: float
    minutes_beyond_tolerable: float
    dose_percent_hours: float
    minutes_watched: float
    now: NowValues | None
    unwatched: Unwatched
    alarms: tuple[Standing, ...]
    minimum_change_percent: float | None
    changes: tuple[str, ...]
    minutes_too_hot: float = 0.0
    minutes_too_cold: float = 0.0
    stage: str = "adult"
    band: str = ""
    out_of_service: bool = False
    judged: tuple[str, ...] = ()
    warmth_now_c: float | None = None
    watched: bool = True
    beyond: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """Something that is different from yesterday, in words. `enclosure` None: the whole installation."""

    at: int
    enclosure: str | None
    text: str


@dataclass(frozen=True, slots=True)
class MorningGlance:
    """The morning, worst first. `night_over` is False while the night is still running.

    silent_since: when the newest reading of all was taken, if that is so long ago that nothing is watched; else None.
    newest: when the newest reading of all was taken, believed or not; None when there is none up to now.
    off: when dewkeeper itself was off in the night, or since.
    """

    site: str
    timezone: str
    made_at: int
    night: date
    night_start: int
    night_end: int
    night_over: bool
    enclosures: tuple[EnclosureMorning, ...]
    general: tuple[Standing, ...]
    changes: tuple[Change, ...]
    silent_since: int | None = None
    newest: int | None = None
    off: tuple[OffTime, ...] = ()

    @property
    def needs_look(self) -> tuple[EnclosureMorning, ...]:
        """The enclosures that need a look, worst first."""
        return tuple(e for e in self.enclosures if e.rank in NEEDS_LOOK)

    @property
    def shelved(self) -> tuple[EnclosureMorning, ...]:
        """The enclosures of which the keeper put an alarm aside, and nothing else asks for a look."""
        return tuple(e for e in self.enclosures if e.rank == "shelved")

    @property
    def resting(self) -> tuple[EnclosureMorning, ...]:
        """The enclosures that are out of service: nobody is told of them."""
        return tuple(e for e in self.enclosures if e.rank == "out_of_service")

    @property
    def calm(self) -> tuple[EnclosureMorning, ...]:
        """The enclosures in service with nothing to see to."""
        return tuple(e for e in self.enclosures if e.rank == "calm")

    @property
    def missed(self) -> tuple[EnclosureMorning, ...]:
        """Those in service that are watched now and were not for a part of the night worth a look, whatever else is told of them."""
        return tuple(
            e
            for e in self.enclosures
            if not e.out_of_service and not e.unwatched.now and e.unwatched.minutes >= UNWATCHED_MINUTES
        )

    @property
    def patchy(self) -> tuple[EnclosureMorning, ...]:
        """The calm ones that were not watched all the time."""
        return tuple(e for e in self.calm if not e.watched)

    @property
    def unwatched_night(self) -> bool:
        """Whether the patchy ones were not watched in this night at all."""
        return bool(self.patchy) and all(e.minutes_watched < 1 for e in self.patchy)

    @property
    def night_called(self) -> str:
        """What its night is called at the hour it is told: in the afternoon "this night" would be the one to come."""
        return "last night" if self.night_over else "this night"

    @property
    def nothing_watched(self) -> bool:
        """Whether no enclosure in service is watched now, or none is in service."""
        return all(e.unwatched.now for e in self.enclosures if not e.out_of_service)

    @property
    def all_well(self) -> bool:
        """Whether it may be said: every enclosure in service calm, and watched throughout; and dewkeeper itself well."""
        if self.nothing_watched or self.general or self.silent_since is not None:
            return False
        return all(e.rank == "out_of_service" or (e.rank == "calm" and e.watched) for e in self.enclosures)

    def to_json(self) -> dict[str, Any]:
        """Return the glance as JSON values; times become ISO 8601 text in UTC."""
        plain: dict[str, Any] = to_plain(self)
        return plain | {"all_well": self.all_well, "nothing_watched": self.nothing_watched}


# An instant and a number of seconds are both whole numbers: only the field's name tells them apart.
TIMES = frozenset({
    "at", "start", "end", "since", "raised", "respond_by", "shelved_until", "stage_until", "silent_since", "seen_at",
    "known_until", "ended", "newest", "made_at", "night_start", "night_end", "time", "until", "entered",
})  # fmt: skip
"""Names of the fields that hold instants."""


def to_plain(value: Any, name: str = "") -> Any:
    """Return dataclasses as dicts, tuples as lists, instants as ISO 8601 UTC, floats rounded to two decimals."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name), f.name) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item, str(key)) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [to_plain(item, name) for item in value]
    if isinstance(value, float):
        return round(value, 2)
    if isinstance(value, date):
        return value.isoformat()
    if name in TIMES and isinstance(value, int):
        return format_time(value)
    return value
