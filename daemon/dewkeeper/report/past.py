"""The stored history as the reports want it: believed readings summed up by night and by slice of a chart."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from types import TracebackType
from typing import Any, cast

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Alarm, Event, JournalEntry, Learned, Role
from dewkeeper.report.contract import JUDGED, NightSums, Point, Trace, together
from dewkeeper.report.model import Mark
from dewkeeper.store import History
from dewkeeper.store.history import Stored
from dewkeeper.store.in_force import InForce, Window
from dewkeeper.store.slices import Slice
from dewkeeper.store.summary import Extreme, Span
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import effective_limits


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

    def events(self, since: int, enclosure: str | None = None, *, until: int | None = None) -> Sequence[Event]:
        """Return events from `since` on, oldest first; of one enclosure, and before `until`, where these are given."""
        return self._history.events(since, enclosure, until=until)

    def journal(
        self, since: int, *, replaced: bool = False, words: Collection[str] | None = None, enclosure: str | None = None
    ) -> Sequence[JournalEntry]:
        """Return journal entries from `since` on, oldest first; those a correction replaced only if asked for."""
        return self._history.journal(since, replaced=replaced, words=words, enclosure=enclosure)

    def notes(self) -> Mapping[str, str]:
        """Return the small named facts."""
        return self._history.notes()

    def learned(self, at: int) -> Mapping[str, Learned]:
        """Return by enclosure what insight had last said of it at a time."""
        return self._history.learned(at)

    def figures(self, about: str) -> Mapping[str, str]:
        """Return the large named facts about something, by the rest of their names."""
        return self._history.figures(about)

    def calibrations(self) -> Calibrations:
        """Return every calibration."""
        return self._history.calibrations()

    def in_force(self) -> InForce:
        """Return which settings and stages held when."""
        return self._history.in_force()

    def nights(self, start: int, end: int) -> Mapping[str, NightSums]:
        """Return what the believed readings in [start, end) come to by enclosure, by the limits and probes of then."""
        in_force = self.in_force()
        nights: dict[tuple[int, int], Mapping[str, Span]] = {}
        found = {}
        for enclosure in self._config.enclosure:
            pieces = []
            for first, last, probes in _by_probes(self._windows(in_force, enclosure.name, start, end)):
                # Most enclosures have the same boundaries: a night of all probes is read once, not once for each.
                if (first, last) not in nights:
                    nights[first, last] = self._history.overnight(first, last)
                night = nights[first, last]
                pieces.append(worst_of([_sums(probe, night[probe]) for probe in probes if probe in night]))
            found[enclosure.name] = one_after_another(pieces)
        return found

    def means(self, start: int, end: int) -> Mapping[str, tuple[float, float]]:
        """Return the mean °C and %RH of every enclosure in [start, end); one without believed humidity is left out.

        Of the judged probes that were in it then; of several at a time, the mean of their means.
        """
        in_force, read = self.in_force(), dict[tuple[int, int], Mapping[str, Span]]()
        found = {}
        for enclosure in self._config.enclosure:
            weight = degrees = percent = 0.0
            for first, last, probes in _by_probes(self._windows(in_force, enclosure.name, start, end)):
                if (first, last) not in read:
                    read[first, last] = self._history.overnight(first, last)
                for span in (read[first, last][probe] for probe in probes if probe in read[first, last]):
                    if span.humidity_mean is not None:
                        weight += last - first
                        degrees += span.temperature_mean_c * (last - first)
                        percent += span.humidity_mean * (last - first)
            if weight:
                found[enclosure.name] = degrees / weight, percent / weight
        return found

    def glimpses(self, start: int, end: int, quarters: int) -> Mapping[str, Sequence[Slice]]:
        """Return by enclosure the lowest and highest of slices of so many quarter hours of [start, end), oldest first.

        Of the judged probes that were in it then, all together. Slices without believed readings are left out.
        """
        in_force, read = self.in_force(), self._history.extremes(start, end, quarters)
        found = {}
        for enclosure in self._config.enclosure:
            slices: dict[int, Slice] = {}
            for first, last, probes in _by_probes(self._windows(in_force, enclosure.name, start, end)):
                for slice_ in (s for probe in probes for s in read.get(probe, ()) if first <= s.at < last):
                    known = slices.get(slice_.at)
                    slices[slice_.at] = slice_ if known is None else known.joined(slice_)
            found[enclosure.name] = [slices[at] for at in sorted(slices)]
        return found

    def days(self, enclosure: str, moments: Sequence[int]) -> Mapping[int, Slice]:
        """Return what an enclosure's judged probes read on each day between `moments`, by its first UTC second.

        Days without believed readings are left out. A day in which another probe was judged is told of by both.
        """
        found: dict[int, Slice] = {}
        windows = self._windows(self.in_force(), enclosure, moments[0], moments[-1])
        for first, last, probes in _by_probes(windows):
            # A day in which a stretch begins or ends is asked for whole.
            begun = max(0, bisect_right(moments, first) - 1)
            inside = moments[begun : bisect_left(moments, last) + 1]
            for day in (d for probe in probes for d in self._history.days(probe, inside)) if len(inside) > 1 else ():
                known = found.get(day.at)
                found[day.at] = day if known is None else _one_day(known, day)
        return found

    def above_target_seconds(self, since: Mapping[str, int], end: int) -> Mapping[str, int]:
        """Return how long each enclosure was above its target humidity since its own UTC second, by the limits and probes of then.

        Of several judged probes at a time, the one that was longest so.
        """
        in_force, found = self.in_force(), dict[str, int]()
        for enclosure, start in since.items():
            found[enclosure] = 0
            for first, last, probes in (
                _by_probes(self._windows(in_force, enclosure, start, end)) if start < end else ()
            ):
                spans = [self._history.stats(probe, first, last) for probe in probes]
                found[enclosure] += max((span.above_target_seconds for span in spans if span is not None), default=0)
        return found

    def series(self, place: str, start: int, end: int, points: int) -> Sequence[Point]:
        """Return about `points` slices of [start, end) of an enclosure or a probe, oldest first.

        Those without believed readings are left out. An enclosure is told of by the judged probes that were in it
        then, all together: lowest and highest of any, mean of their means.
        """
        if all(place != enclosure.name for enclosure in self._config.enclosure):
            return self._slices(place, start, end, points)
        return together(self._traces(place, start, end, points, judged_only=True))

    def traces(self, enclosure: str, start: int, end: int, points: int) -> Sequence[Trace]:
        """Return the same for every probe that was in the enclosure meanwhile, judged ones first."""
        return sorted(self._traces(enclosure, start, end, points), key=lambda trace: not trace.judged)

    def _traces(self, enclosure: str, start: int, end: int, points: int, *, judged_only: bool = False) -> list[Trace]:
        found = []
        for (probe, role), stays in self._stays(enclosure, start, end).items():
            if judged_only and role != JUDGED:
                continue
            drawn: list[Point] = []
            for first, last in stays:
                # As many slices an hour as the whole has, so that pieces beside each other look alike.
                drawn += self._slices(probe, first, last, max(1, round(points * (last - first) / (end - start))))
            found.append(Trace(probe, role, tuple(drawn)))
        return found

    def _stays(self, enclosure: str, start: int, end: int) -> Mapping[tuple[str, Role], list[tuple[int, int]]]:
        """Return by probe and role when it was in an enclosure; the configuration stands in where nothing was stored."""
        if start >= end:
            return {}
        in_force = self.in_force()
        changes = [moment for moment in in_force.moments() if start < moment < end]
        found: dict[tuple[str, Role], list[tuple[int, int]]] = {}
        for first, last in pairwise([start, *changes, end]):
            settings = in_force.settings(first)
            for probe in settings.probes.values() if settings is not None else self._config.probe:
                if probe.enclosure == enclosure:
                    stays = found.setdefault((probe.name, probe.role), [])
                    # Settings changed in something else: the stay goes on.
                    begun = stays.pop()[0] if stays and stays[-1][1] == first else first
                    stays.append((begun, last))
        # As the file has them, whatever order the settings were kept in.
        places = {probe.name: place for place, probe in enumerate(self._config.probe)}
        return {key: found[key] for key in sorted(found, key=lambda key: (places.get(key[0], len(places)), key))}

    def _windows(self, in_force: InForce, enclosure: str, start: int, end: int) -> list[Window]:
        """Return the enclosure's windows; the configuration stands in where nothing was ever stored."""
        if in_force.settings(start) is not None:
            return in_force.windows(enclosure, start, end)
        probes = tuple(p.name for p in self._config.probe if p.enclosure == enclosure and p.role == "substrate")
        return [Window(start, end, effective_limits(self._config, enclosure), probes)]

    def _slices(self, probe: str, start: int, end: int, points: int) -> Sequence[Point]:
        return [
            Point(
                s.at, s.seconds,
                s.humidity_sum / s.n if s.n else None, s.humidity_low, s.humidity_high,
                s.temperature_sum / s.temperature_n, s.temperature_low, s.temperature_high,
            )
            for s in self._history.series(probe, start, end, points)
        ]  # fmt: skip


def _one_day(one: Slice, other: Slice) -> Slice:
    """Return a day of two probes of one enclosure: all extremes, the worst of each time beyond."""
    watched = max(one.watched_seconds, other.watched_seconds)
    beyond = max(one.beyond_seconds, other.beyond_seconds)
    return replace(one.joined(other), watched_seconds=watched, beyond_seconds=beyond)


def _by_probes(windows: Sequence[Window]) -> list[tuple[int, int, tuple[str, ...]]]:
    """Return the stretches in which an enclosure had the same probes: a change of limits is no boundary."""
    found: list[tuple[int, int, tuple[str, ...]]] = []
    for window in windows:
        if found and found[-1][1:] == (window.start, window.probes):
            found[-1] = (found[-1][0], window.end, window.probes)
        else:
            found.append((window.start, window.end, window.probes))
    return found


def _sums(probe: str, span: Span) -> NightSums:
    return NightSums(
        watched_seconds=span.watched_seconds,
        humidity_min=_mark(span.humidity_min, probe),
        humidity_min_temperature_c=span.temperature_at_driest_c,
        humidity_max=_mark(span.humidity_max, probe),
        temperature_min=_mark(span.temperature_min, probe),
        temperature_max=_mark(span.temperature_max, probe),
        beyond_target_seconds=span.below_target_seconds + span.above_target_seconds,
        beyond_tolerable_seconds=span.below_tolerable_seconds + span.above_tolerable_seconds,
        dose_percent_hours=span.dose_percent_hours,
        too_hot_seconds=span.too_hot_seconds,
        too_cold_seconds=span.too_cold_seconds,
    )


def _mark(extreme: Extreme | None, probe: str) -> Mark | None:
    return None if extreme is None else Mark(extreme.value, extreme.at, probe)


def worst_of(probes: Sequence[NightSums]) -> NightSums:
    """Return several judged probes of one enclosure and time as one: all extremes, the worst of each time beyond."""
    return _merged(probes, max)


def one_after_another(pieces: Sequence[NightSums]) -> NightSums:
    """Return consecutive stretches of one enclosure as one: all extremes, times added."""
    return _merged(pieces, sum)


def _merged(parts: Sequence[NightSums], added: Callable[[list[float]], float]) -> NightSums:
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return NightSums()
    # The lowest humidity and its temperature are of one moment: both from one part.
    driest = min((p for p in parts if p.humidity_min), key=lambda p: p.humidity_min.value, default=None)  # type: ignore[union-attr]

    def extreme(choose: Callable[..., Any], name: str) -> Mark | None:
        marks = [mark for part in parts if (mark := getattr(part, name)) is not None]
        return cast("Mark | None", choose(marks, key=lambda mark: mark.value, default=None))

    def total(name: str) -> float:
        return added([getattr(part, name) for part in parts])

    return NightSums(
        watched_seconds=total("watched_seconds"),
        humidity_min=driest.humidity_min if driest else None,
        humidity_min_temperature_c=driest.humidity_min_temperature_c if driest else None,
        humidity_max=extreme(max, "humidity_max"),
        temperature_min=extreme(min, "temperature_min"),
        temperature_max=extreme(max, "temperature_max"),
        beyond_target_seconds=total("beyond_target_seconds"),
        beyond_tolerable_seconds=total("beyond_tolerable_seconds"),
        dose_percent_hours=total("dose_percent_hours"),
        too_hot_seconds=total("too_hot_seconds"),
        too_cold_seconds=total("too_cold_seconds"),
    )
