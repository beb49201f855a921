"""From stored rows to readings: words decoded, calibrations applied, failures named."""

from __future__ import annotations

import logging
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable
from functools import lru_cache
from typing import cast

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import MISSING, PASS, Calibration, Failure, Quality, Reading
from dewkeeper.store import asked, codec
from dewkeeper.store.database import PROBE_BITS, PROBE_MASK, Asking
from dewkeeper.store.quality import LONGEST_SPAN_SECONDS
from dewkeeper_drivers.contract import Scale, scale_of, spelled

log = logging.getLogger(__name__)


def calibrations(connection: Asking) -> Calibrations:
    """Return every stored calibration."""
    rows = connection.rows(asked.CALIBRATIONS)
    return Calibrations(one for one in codec.readable(codec.unpack_item, rows) if isinstance(one, Calibration))


class Decoder:
    """What is needed to read rows: probe names and scales, dated calibrations, spans of verdicts."""

    def __init__(self, connection: Asking, start: int = 0, end: int = 1 << 50) -> None:
        self.names: dict[int, str] = {}
        self._scales: dict[int, Scale | None] = {}  # None: no one knows how to read its words
        self._spelled: dict[int, str] = {}
        for number, name, scale in connection.execute(asked.PROBES):
            self.names[number] = name
            self._scales[number] = known = _scale(name, scale)
            self._spelled[number] = "unknown" if known is None else spelled(known)
        self._calibrations = calibrations(connection)
        self._spans: dict[int, list[tuple[int, int, int, str]]] = defaultdict(list)
        first_key, end_key = start << PROBE_BITS, end << PROBE_BITS
        # A span is kept by its first second, and one that began before may reach into this.
        back = start - LONGEST_SPAN_SECONDS << PROBE_BITS
        for key, stop, flag, tests in connection.rows(asked.VERDICTS, first=back, end=end_key, start=start):
            self._spans[key & PROBE_MASK].append((key >> PROBE_BITS, stop, flag, tests))
        self._excluded: dict[int, list[tuple[int, int, int, str]]] = defaultdict(list)
        for number, first, stop, flag, tests in connection.rows(asked.EXCLUSIONS, start=start, end=end):
            self._excluded[number].append((first, stop, flag, tests))
        self._late: dict[int, tuple[int, str]] = {
            key: (flag, tests) for key, flag, tests in connection.rows(asked.LATE, first=first_key, end=end_key)
        }
        self._some_late = {key & PROBE_MASK for key in self._late}
        readable = {n for n, name in self.names.items() if self.readable(n) and not self._calibrations.of(name)}
        # All believed, and uncalibrated: of these probes the words say everything.
        self._simple = {number for number in readable if self.unmarked(number)}
        noted = {number for number, spans in self._spans.items() if any("+" in span[3] for span in spans)}
        noted |= {key & PROBE_MASK for key, (_, tests) in self._late.items() if "+" in tests}
        self._bare = readable - noted

    def reading(self, key: int, t: int | None, h: int | None) -> Reading:
        """Return one row as a reading: as `decode` does, at two fifths of its cost where no verdict has a say in it."""
        number = key & PROBE_MASK
        if t is None or h is None or number not in self._bare:
            return self.decode(key, t, h)[0]
        temperature_c, humidity_percent = cast("Scale", self._scales[number]).decode(t, h)
        return Reading(
            key >> PROBE_BITS, self.names[number], temperature_c, humidity_percent, t, h, scale=self._spelled[number]
        )

    def decode(self, key: int, t: int | None, h: int | None) -> tuple[Reading, Quality]:
        """Return one row as a reading and its verdict."""
        time, number = key >> PROBE_BITS, key & PROBE_MASK
        name = self.names[number]
        flag, tests = self.verdict(key, failed=t is None or h is None)
        named, _, notes = tests.partition("+")
        parts = [part for part in named.split(",") if part]
        failure = next((part[1:] for part in parts if part.startswith("!")), None)
        quality = Quality(time, name, flag, tuple(part for part in parts if not part.startswith("!")))
        scale = self._scales[number]
        if t is None or h is None or scale is None:
            return Reading(time, name, None, None, failure=cast("Failure", failure or "missing")), quality
        temperature_c, humidity_percent = self.values(number, time, t, h)
        seen = tuple(notes.split("+")) if notes else ()
        return Reading(
            time, name, temperature_c, humidity_percent, t, h, notes=seen, scale=self._spelled[number]
        ), quality

    def verdict(self, key: int, *, failed: bool) -> tuple[int, str]:
        """Return a row's flag and what set it, as it is spelled. failed: it lacks a word."""
        time, number = key >> PROBE_BITS, key & PROBE_MASK
        flag, tests = self._late.get(key) or self._verdict(number, time, failed=failed)
        if flag != MISSING:  # a failed poll stays one, whatever is found out later
            for first, stop, late, named in self._excluded.get(number, ()):
                if first <= time <= stop:
                    flag, tests = late, named + "".join(f"+{note}" for note in tests.split("+")[1:])
        return flag, tests

    def believed(self, key: int, t: int | None, h: int | None) -> tuple[float, float | None] | None:
        """Return °C and %RH of a row by the calibration then in force, None when it does not count.

        Where the humidity alone is doubted it is None.
        """
        if t is None or h is None:
            return None
        number = key & PROBE_MASK
        if number in self._simple:
            return cast("Scale", self._scales[number]).decode(t, h)
        reading, quality = self.decode(key, t, h)
        if reading.temperature_c is None or not quality.temperature_counts:
            return None
        return reading.temperature_c, reading.humidity_percent if quality.counts else None

    def recalibrations(self, number: int, start: int, end: int) -> list[int]:
        """Return when a probe's calibration changes inside (start, end), ascending."""
        times = {calibration.time for calibration in self._calibrations.of(self.names[number])}
        return sorted(time for time in times if start < time < end)

    def unmarked(self, number: int) -> bool:
        """Return whether a verdict here says nothing of a probe's rows but that they pass, or failed."""
        return not (number in self._some_late or self._spans.get(number) or self._excluded.get(number))

    def readable(self, number: int) -> bool:
        """Return whether anybody knows how to read a probe's words."""
        return self._scales[number] is not None

    def scale(self, number: int) -> str:
        """Return a probe's scale as it is spelled, "unknown" when nobody knows it."""
        return self._spelled[number]

    def calibrations(self) -> list[Calibration]:
        """Return all calibrations, oldest first of each probe."""
        return self._calibrations.all()

    def values(self, number: int, time: int, t: float, h: float) -> tuple[float, float]:
        """Return words (or their mean) of a probe as °C and %RH, by the calibration then in force."""
        return self.by_calibration(number, time)(t, h)

    def by_calibration(self, number: int, time: int) -> Callable[[float, float], tuple[float, float]]:
        """Return what makes °C and %RH of words (or their mean) of a probe, by the calibration in force at a time."""
        # A mean of words lies between two of them; the scales are linear, so the same formula holds.
        scale = cast("Scale", self._scales[number])  # what is not known is in no quarter hour
        decode = cast("Callable[[float, float], tuple[float, float]]", scale.decode)
        calibration = self._calibrations.at(self.names[number], time)
        return decode if calibration is None else lambda t, h: calibration.corrected(*decode(t, h))

    def _verdict(self, number: int, time: int, *, failed: bool) -> tuple[int, str]:
        spans = self._spans.get(number)
        if spans:
            index = bisect_right(spans, (time, 1 << 60, 0, "")) - 1
            if index >= 0 and spans[index][0] <= time <= spans[index][1]:
                return spans[index][2], spans[index][3]
        return (MISSING if failed else PASS), ""


def _scale(probe: str, text: str) -> Scale | None:
    try:
        return scale_of(text)
    except ValueError as error:
        _complain(probe, str(error))
        return None


@lru_cache(maxsize=64)
def _complain(probe: str, why: str) -> None:
    """Say it once, however often it is read."""
    log.error("the readings of %s cannot be read: %s", probe, why)
