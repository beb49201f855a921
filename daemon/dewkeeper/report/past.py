"""The stored history as the reports want it: believed readings summed up by night and by slice of a chart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import TracebackType

from dewkeeper.judge.types import Alarm, Event, JournalEntry
from dewkeeper.report.history import Point, ProbeNight
from dewkeeper.report.model import Mark
from dewkeeper.store import History
from dewkeeper.store.history import Stored
from dewkeeper_config.models import Config, Limits
from dewkeeper_config.profiles import effective_limits

Row = tuple[int, float, float] | tuple[int, None, None]
HOLD_POLLS = 3
"""A reading stands for the time to the next one, at most so many polls: longer silence is a gap."""


class StoredPast:
    """A `Past` over the store. Opens no file of its own; close what `open` returned."""

    def __init__(self, history: History, config: Config) -> None:
        self._history = history
        self._config = config

    @classmethod
    def open(cls, config: Config) -> StoredPast:
        """Open the configured store for reading. Raises StoreError."""
        return cls(History.open(config.storage.folder), config)

    def __enter__(self) -> StoredPast:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._history.close()

    def latest(self) -> Mapping[str, Stored]:
        """Return the newest reading of every probe."""
        return self._history.latest()

    def standing(self) -> Sequence[Alarm]:
        """Return the alarms that are not normal."""
        return self._history.standing()

    def events(self, since: int, enclosure: str | None = None) -> Sequence[Event]:
        """Return events from `since` on, oldest first."""
        return self._history.events(since, enclosure)

    def journal(self, since: int, *, replaced: bool = False) -> Sequence[JournalEntry]:
        """Return journal entries from `since` on, oldest first; those a correction replaced only if asked for."""
        return self._history.journal(since, replaced=replaced)

    def notes(self) -> Mapping[str, str]:
        """Return the small named facts."""
        return self._history.notes()

    def nights(self, start: int, end: int) -> Mapping[str, ProbeNight]:
        """Return what the believed readings of every judged probe in [start, end) come to, by today's limits."""
        hold = HOLD_POLLS * self._config.site.poll_seconds
        everything = self._history.believed(start, end)
        return {
            probe.name: sum_up(
                probe.name, everything.get(probe.name, ()), effective_limits(self._config, probe.enclosure), end, hold
            )
            for probe in self._config.probe
            if probe.role == "substrate" and probe.enclosure is not None
        }

    def series(self, probe: str, start: int, end: int, points: int) -> Sequence[Point]:
        """Return about `points` slices of [start, end), oldest first, those without believed readings left out."""
        return [
            Point(
                s.at, s.seconds,
                s.humidity_sum / s.n, s.humidity_low, s.humidity_high,
                s.temperature_sum / s.n, s.temperature_low, s.temperature_high,
            )
            for s in self._history.series(probe, start, end, points)
        ]  # fmt: skip


def sum_up(probe: str, rows: Sequence[Row], limits: Limits, end: int, hold_seconds: int) -> ProbeNight:
    """Return what `rows` of one probe (time, °C, %RH; None where not believed), all before `end`, come to.

    A reading holds until the next one, believed or not, for at most `hold_seconds`.
    """
    target, tolerable = limits.humidity_target, limits.humidity_tolerable
    watched = beyond_target = beyond_tolerable = dose = 0.0
    lowest = highest = coldest = warmest = None
    lower, upper = target.low, target.high
    nexts = [row[0] for row in rows[1:]] + [end]
    for (at, temperature, humidity), following in zip(rows, nexts, strict=False):
        if temperature is None or humidity is None:
            continue
        held = min(following - at, hold_seconds)
        watched += held
        if not lower <= humidity <= upper:
            beyond_target += held
            dose += max(lower - humidity, humidity - upper) * held / 3600
        if not tolerable.low <= humidity <= tolerable.high:
            beyond_tolerable += held
        if lowest is None or humidity < lowest[0]:
            lowest = (humidity, at, temperature)
        if highest is None or humidity > highest[0]:
            highest = (humidity, at)
        if coldest is None or temperature < coldest[0]:
            coldest = (temperature, at)
        if warmest is None or temperature > warmest[0]:
            warmest = (temperature, at)
    return ProbeNight(
        probe=probe,
        watched_seconds=watched,
        humidity_min=Mark(lowest[0], lowest[1]) if lowest else None,
        humidity_min_temperature_c=lowest[2] if lowest else None,
        humidity_max=Mark(*highest) if highest else None,
        temperature_min=Mark(*coldest) if coldest else None,
        temperature_max=Mark(*warmest) if warmest else None,
        beyond_target_seconds=beyond_target,
        beyond_tolerable_seconds=beyond_tolerable,
        dose_percent_hours=dose,
    )
