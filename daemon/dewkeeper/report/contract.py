"""The contract of reports and page with the store: what they ask, which `dewkeeper.store.History` answers."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeGuard

from dewkeeper.judge.types import Alarm, Event, JournalEntry, Learned, Quality, Reading, Role
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.model import Mark
from dewkeeper.store.in_force import InForce
from dewkeeper.store.slices import Slice

JUDGED: Role = "substrate"
"""The role of the probes that the limits apply to."""
CHANGES = tuple(what for what in JOURNAL if what.endswith("_changed"))
"""Journal words of what was changed for good about an enclosure, its levers and its heater: every chart marks them."""


@dataclass(frozen=True, slots=True)
class NightSums:
    """What the believed readings of one enclosure in one stretch of time come to, by the limits then in force.

    humidity_min_temperature_c: temperature measured together with the lowest humidity, °C.
    dose_percent_hours: integral of the humidity's distance from the target band, %RH times hours.
    too_hot_seconds, too_cold_seconds: beyond tolerable temperature.
    """

    watched_seconds: float = 0.0
    humidity_min: Mark | None = None
    humidity_min_temperature_c: float | None = None
    humidity_max: Mark | None = None
    temperature_min: Mark | None = None
    temperature_max: Mark | None = None
    beyond_target_seconds: float = 0.0
    beyond_tolerable_seconds: float = 0.0
    dose_percent_hours: float = 0.0
    too_hot_seconds: float = 0.0
    too_cold_seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """Believed readings of one slice of time from `at` on: mean, lowest and highest. A slice with none is left out.

    All three of humidity are None where the temperature alone was believed.
    """

    at: int
    seconds: int
    humidity_percent: float | None
    humidity_low: float | None
    humidity_high: float | None
    temperature_c: float
    temperature_low: float
    temperature_high: float


class MoistPoint(Protocol):
    """A `Point` whose humidity was believed, too."""

    at: int
    seconds: int
    humidity_percent: float
    humidity_low: float
    humidity_high: float
    temperature_c: float
    temperature_low: float
    temperature_high: float


def moist(points: Iterable[Point]) -> list[MoistPoint]:
    """Return those whose humidity was believed."""
    return [point for point in points if _is_moist(point)]


def _is_moist(point: Point) -> TypeGuard[MoistPoint]:
    return point.humidity_percent is not None


@dataclass(frozen=True, slots=True)
class Trace:
    """What one probe measured while it was in an enclosure: `role` "substrate" is judged, any other informs."""

    probe: str
    role: Role
    points: tuple[Point, ...]

    @property
    def judged(self) -> bool:
        """Whether the limits apply to it."""
        return self.role == JUDGED


def together(traces: Iterable[Trace]) -> list[Point]:
    """Return probes of one enclosure as one series, oldest first: lowest and highest of any, mean of their means."""
    slices: dict[tuple[int, int], list[Point]] = {}
    for trace in traces:
        for point in trace.points:
            slices.setdefault((point.at, point.seconds), []).append(point)
    return [joined(slices[when], *when) for when in sorted(slices)]


def joined(points: Sequence[Point], at: int, seconds: int) -> Point:
    """Return several slices as one that covers `seconds` from `at` on."""
    if len(points) == 1:
        return points[0]
    humid = moist(points)
    return Point(
        at=at,
        seconds=seconds,
        humidity_percent=sum(p.humidity_percent for p in humid) / len(humid) if humid else None,
        humidity_low=min((p.humidity_low for p in humid), default=None),
        humidity_high=max((p.humidity_high for p in humid), default=None),
        temperature_c=sum(p.temperature_c for p in points) / len(points),
        temperature_low=min(p.temperature_low for p in points),
        temperature_high=max(p.temperature_high for p in points),
    )


class Newest(Protocol):
    """The newest stored reading of a probe and its verdict."""

    @property
    def reading(self) -> Reading:
        """The reading."""
        ...

    @property
    def quality(self) -> Quality:
        """Its verdict."""
        ...


class Past(Protocol):
    """Read-only view of what was stored; short reads, usable from any thread."""

    def latest(self) -> Mapping[str, Newest]:
        """Return the newest reading of every probe."""
        ...

    def standing(self) -> Sequence[Alarm]:
        """Return the alarms that are not normal, as last stored."""
        ...

    def notes(self) -> Mapping[str, str]:
        """Return the small named facts."""
        ...

    def nights(self, start: int, end: int) -> Mapping[str, NightSums]:
        """Return what every enclosure's believed readings in [start, end) come to."""
        ...

    def means(self, start: int, end: int) -> Mapping[str, tuple[float, float]]:
        """Return the mean °C and %RH of every enclosure in [start, end); one without believed humidity is left out."""
        ...

    def in_force(self) -> InForce:
        """Return which settings and stages held when."""
        ...

    def events(self, since: int, enclosure: str | None = None, *, until: int | None = None) -> Sequence[Event]:
        """Return events from `since` on, oldest first; of one enclosure, and before `until`, where these are given."""
        ...

    def journal(
        self, since: int, *, replaced: bool = False, words: Collection[str] | None = None, enclosure: str | None = None
    ) -> Sequence[JournalEntry]:
        """Return journal entries from `since` on, oldest first; those a correction replaced only if asked for.

        words, enclosure: only these words of the journal, only this enclosure; None for all.
        """
        ...

    def series(self, place: str, start: int, end: int, points: int) -> Sequence[Point]:
        """Return about `points` slices of [start, end) of an enclosure or a probe, oldest first.

        Those without believed readings are left out. An enclosure is told of by the judged probes that were in it
        then, all together: lowest and highest of any, mean of their means.
        """
        ...

    def learned(self, at: int) -> Mapping[str, Learned]:
        """Return by enclosure what insight had last said of it at a time (UTC seconds)."""
        ...

    def figures(self, about: str) -> Mapping[str, str]:
        """Return the large named facts about something (`outlook:`), by the rest of their names."""
        ...

    def days(self, enclosure: str, moments: Sequence[int]) -> Mapping[int, Slice]:
        """Return what an enclosure's judged probes read on each day between `moments`, by its first UTC second."""
        ...

    def traces(self, enclosure: str, start: int, end: int, points: int) -> Sequence[Trace]:
        """Return the same for every probe that was in the enclosure meanwhile, judged ones first."""
        ...

    def above_target_seconds(self, since: Mapping[str, int], end: int) -> Mapping[str, int]:
        """Return how long each enclosure was above the target band then in force, since its own UTC second until `end`."""
        ...
