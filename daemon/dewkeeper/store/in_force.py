"""What held when: limits, poll period and judged probes at any moment of the past, by the settings and stages then in force.

A limit that is changed today does not make yesterday's night a bad one, and a probe that was moved keeps telling of
the enclosure it was in.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from dewkeeper.judge.stages import (
    MOVES,
    STAGE_WORDS,
    Course,
    Holding,
    limits_under,
    stage_deed,
)
from dewkeeper.judge.types import Command, JournalEntry, Settings
from dewkeeper_config.models import Limits

SERVICE_VERBS = frozenset({"out_of_service", "in_service"})
"""Commands that take an enclosure out of service and put it back."""
IMPORTED = "dewkeeper import"
"""Who set the limits by which an import measures before any daemon ran."""


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch [start, end) of one enclosure in which nothing changed: its limits and its judged probes."""

    start: int
    end: int
    limits: Limits
    probes: tuple[str, ...]


class InForce:
    """The settings of all time, the journal's stages, and what is out of service.

    settings: oldest first; the first serve for all before them. commands: in the order they came.
    """

    def __init__(
        self, settings: Sequence[Settings], journal: Iterable[JournalEntry], commands: Iterable[Command] = ()
    ) -> None:
        self._settings = settings
        self._service = [c for c in commands if c.verb in SERVICE_VERBS and c.enclosure is not None]
        self._times = [one.time for one in settings]
        entries = list(journal)
        gone = {entry.replaces for entry in entries}
        # Written down late, it did not hold before it was written.
        self._deeds = [
            (max(entry.time, entry.entered or 0), stage_deed(entry))
            for entry in sorted(entries, key=lambda entry: entry.time)
            if entry.enclosure is not None and entry.what in STAGE_WORDS and entry.id not in gone
        ]

    @cached_property
    def _course(self) -> Course:
        return Course(self._deeds)

    @cached_property
    def _moves(self) -> tuple[Mapping[str, set[str]], Mapping[str, set[str]]]:
        """Return which animals ever lived in an enclosure, and in which enclosures an animal ever lived."""
        lived, homes = defaultdict[str, set[str]](set), defaultdict[str, set[str]](set)
        for _, deed in self._deeds:
            if deed.what in MOVES and deed.about:
                lived[deed.enclosure].add(deed.about)
                homes[deed.about].add(deed.enclosure)
        return lived, homes

    def settings(self, at: int) -> Settings | None:
        """Return the settings in force at a UTC second, None when there never were any."""
        return self._settings[max(0, bisect_right(self._times, at) - 1)] if self._settings else None

    @property
    def began(self) -> int | None:
        """UTC second from which a daemon watched: that of the first settings it was started with, None before there are any."""
        return next((one.time for one in self._settings if one.who != IMPORTED), None)

    def poll_seconds(self, at: int) -> int:
        """Return how far apart polls were at a UTC second; the usual minute when there never were any settings."""
        settings = self.settings(at)
        return 60 if settings is None else settings.poll_seconds

    def slowest_poll_seconds(self, start: int, end: int) -> int:
        """Return how far apart polls were at most in [start, end)."""
        return max(self.poll_seconds(at) for at in (start, *(t for t in self._times if start < t < end)))

    def limits(self, enclosure: str, at: int) -> Limits | None:
        """Return what an enclosure was judged by at a UTC second, None when it was not configured then."""
        settings = self.settings(at)
        facts = settings.enclosures.get(enclosure) if settings is not None else None
        if settings is None or facts is None:
            return None
        held = self.holding(enclosure, at)
        return limits_under(facts.limits, settings.stage_limits, held.stage, held.band)

    def stage(self, enclosure: str, at: int) -> tuple[str, int]:
        """Return the journal's stage of an enclosure and when it ends by itself (-1: never); ("", -1) for none."""
        held = self.holding(enclosure, at)
        return held.stage, held.stage_over

    def holding(self, enclosure: str, at: int) -> Holding:
        """Return what stage and what timed band hold in an enclosure, and when each ends by itself."""
        return self._course.holding(enclosure, at)

    def neighbours(self, enclosure: str) -> set[str]:
        """Return the enclosures whose stage an entry about this one may change: itself, and where its animals ever lived."""
        lived, homes = self._moves
        return {enclosure}.union(*(homes[animal] for animal in lived.get(enclosure, ())))

    def out_of_service(self, enclosure: str) -> Command | None:
        """Return the command that took an enclosure out of service, None when it is in; its `until` is the review."""
        last = next((command for command in reversed(self._service) if command.enclosure == enclosure), None)
        return last if last is not None and last.verb == "out_of_service" else None

    def out_of_service_seconds(self, enclosure: str, start: int, end: int) -> int:
        """Return for how many seconds of [start, end) an enclosure was out of service."""
        total, since = 0, None
        for command in self._service:
            if command.enclosure != enclosure:
                continue
            if command.verb == "out_of_service" and since is None:
                since = command.time
            elif command.verb == "in_service" and since is not None:
                total, since = total + max(0, min(end, command.time) - max(start, since)), None
        return total + (max(0, end - max(start, since)) if since is not None else 0)

    def resting(self, enclosures: Iterable[str]) -> list[Command]:
        """Return the commands that took some of these out of service, for those that still are, in their order."""
        return [command for name in enclosures if (command := self.out_of_service(name)) is not None]

    def judged(self, enclosure: str, at: int) -> tuple[str, ...]:
        """Return the names of the probes whose readings were judged for an enclosure at a UTC second."""
        settings = self.settings(at)
        if settings is None:
            return ()
        return tuple(
            sorted(p.name for p in settings.probes.values() if p.enclosure == enclosure and p.role == "substrate")
        )

    def moments(self) -> list[int]:
        """Return every second at which limits or settings of anything may have changed, ascending."""
        found = set(self._times)
        for known, deed in self._deeds:
            found |= {known, deed.at, deed.over}
        return sorted(found)

    def windows(self, enclosure: str, start: int, end: int) -> list[Window]:
        """Return the stretches of [start, end) in which an enclosure was configured, oldest first."""
        moments = {start, *(t for t in self._times if start < t < end), *self._course.changes(enclosure, start, end)}
        found: list[Window] = []
        ordered = [*sorted(moments), end]
        for first, last in pairwise(ordered):
            limits, probes = self.limits(enclosure, first), self.judged(enclosure, first)
            if limits is None:
                continue
            before = found[-1] if found else None
            if before is not None and (before.end, before.limits, before.probes) == (first, limits, probes):
                found[-1] = Window(before.start, last, limits, probes)
            else:
                found.append(Window(first, last, limits, probes))
        return found
