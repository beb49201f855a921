"""Slices of time, for charts, days and a night's extremes; oldest first, those without counted readings left out.

From whole quarter hours; where a slice is no multiple of them, from readings.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from dewkeeper.store import asked
from dewkeeper.store.archive import probe_rows
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import PROBE_BITS, Asking
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.reading import Decoder


@dataclass(frozen=True, slots=True)
class Slice:
    """Counted readings of [at, at + seconds): how many, extremes and sums in °C and %RH.

    n: those believed whole; without any there is no humidity (None, None, None, and a sum of 0). temperature_n: these and
    those of which the temperature alone is. watched_seconds, beyond_seconds: how long those believed whole stand for, and how
    long they were beyond tolerable by the limits then in force; 0 of what was made from readings, not from quarter hours.
    """

    at: int
    seconds: int
    n: int
    humidity_low: float | None
    humidity_sum: float
    humidity_high: float | None
    temperature_low: float
    temperature_sum: float
    temperature_high: float
    temperature_n: int
    watched_seconds: int = 0
    beyond_seconds: int = 0

    def joined(self, other: Slice) -> Slice:
        """Return both parts of one slice, or two probes' slices of one time, as one."""
        return Slice(
            self.at, self.seconds, self.n + other.n,
            _least(self.humidity_low, other.humidity_low), self.humidity_sum + other.humidity_sum,
            _most(self.humidity_high, other.humidity_high),
            min(self.temperature_low, other.temperature_low), self.temperature_sum + other.temperature_sum,
            max(self.temperature_high, other.temperature_high),
            self.temperature_n + other.temperature_n,
            self.watched_seconds + other.watched_seconds, self.beyond_seconds + other.beyond_seconds,
        )  # fmt: skip


def _least(*values: float | None) -> float | None:
    """Return the smallest of what there is, None without any."""
    return min((value for value in values if value is not None), default=None)


def _most(*values: float | None) -> float | None:
    """Return the largest of what there is, None without any."""
    return max((value for value in values if value is not None), default=None)


class _Made:
    """Slices by their probe's number and their start."""

    def __init__(self, connection: Asking, start: int, size_seconds: int) -> None:
        self._connection = connection
        self._start = start
        self._size = size_seconds
        self._found: dict[int, dict[int, Slice]] = defaultdict(dict)

    def take(self, number: int, piece: Slice) -> None:
        found = self._found[number]
        found[piece.at] = found[piece.at].joined(piece) if piece.at in found else piece

    def from_readings(self, number: int, start: int, end: int) -> None:
        if start >= end:
            return
        decoder = Decoder(self._connection, start, end)
        for key, t, h in probe_rows(self._connection, number, start, end):
            values = decoder.believed(key, t, h)
            if values is not None:
                degrees, percent = values
                humidity = int(percent is not None), percent, percent or 0.0, percent
                at = self._begin(key >> PROBE_BITS)
                self.take(number, Slice(at, self._size, *humidity, degrees, degrees, degrees, 1))

    def from_quarters(self, names: Decoder, number: int | None, first: int, last: int) -> None:
        """Take the quarters from `first` to before `last` of a probe, of all (None): as many as are stored."""
        numbers = names.names if number is None else (number,)
        changed = {one: names.recalibrations(one, first * QUARTER_SECONDS, last * QUARTER_SECONDS) for one in numbers}
        if number is None or not changed[number]:
            for one, at, row in self._rows(number, first, last):
                if not changed[one]:
                    self.take(one, self._piece(names, one, at, *row))
        # Words of two calibrations cannot be put together: up to the quarter in which it changes, that one, and on from there.
        for one, moments in changed.items():
            cuts = sorted({moment // QUARTER_SECONDS + after for moment in moments for after in (0, 1)})
            for begin, end in pairwise([first, *cuts, last]) if cuts else ():
                if any(begin * QUARTER_SECONDS < moment < end * QUARTER_SECONDS for moment in moments):
                    self._changed_quarter(one, begin)
                elif begin < end:
                    self.from_quarters(names, one, begin, end)

    def _changed_quarter(self, number: int, quarter: int) -> None:
        """Take a quarter in which the calibration changes: its values from the readings, its seconds as they are stored."""
        self.from_readings(number, quarter * QUARTER_SECONDS, (quarter + 1) * QUARTER_SECONDS)
        for _, at, row in self._rows(number, quarter, quarter + 1):
            known = self._found[number].get(self._begin(at))
            if known is not None:
                # The last columns of `questions._slices`: watched, how many of the temperature alone, beyond.
                watched, beyond = known.watched_seconds + row[-3], known.beyond_seconds + row[-1]
                self._found[number][known.at] = replace(known, watched_seconds=watched, beyond_seconds=beyond)

    def _rows(self, number: int | None, first: int, last: int) -> Iterator[tuple[int, int, Sequence[int]]]:
        """Yield number, a second in the slice, and the columns of what the tables hold of each slice."""
        for layout, begin, end in covered(self._connection).parts(first, last):
            given = {"first": begin, "last": end, "number": number, "start": self._start, "seconds": self._size}
            for one, quarter, *row in self._connection.execute(asked.SLICES[layout.table], given):
                yield one, quarter * QUARTER_SECONDS, row

    def _begin(self, at: int) -> int:
        return self._start + (at - self._start) // self._size * self._size

    def slices(self) -> Mapping[int, list[Slice]]:
        """Return them by number, oldest first."""
        return {number: [found[at] for at in sorted(found)] for number, found in self._found.items()}

    def _piece(
        self, names: Decoder, number: int, at: int, n: int, t_min: int, t_range: int, t_over: int,
        h_min: int | None, h_range: int, h_over: int, watched: int, t_only: int, beyond: int,
    ) -> Slice:  # fmt: skip
        values, t_n = names.by_calibration(number, at), n + t_only
        low_t, low_h = values(t_min, h_min or 0)
        mean_t, _ = values(t_min + t_over / t_n, 0)
        if h_min is None:
            high_t, _ = values(t_min + t_range, 0)
            humidity: tuple[int, float | None, float, float | None] = 0, None, 0.0, None
        else:
            high_t, high_h = values(t_min + t_range, h_min + h_range)
            _, mean_h = values(0, h_min + h_over / n)
            humidity = n, low_h, mean_h * n, high_h
        return Slice(self._begin(at), self._size, *humidity, low_t, mean_t * t_n, high_t, t_n, watched, beyond)


def slices(connection: Asking, number: int, start: int, end: int, size_seconds: int) -> list[Slice]:
    """Return the slices of one probe in [start, end), of so many seconds each."""
    made = _Made(connection, start, size_seconds)
    first, last = covered(connection).whole(start, end)
    if size_seconds % QUARTER_SECONDS or start % QUARTER_SECONDS or first >= last:
        made.from_readings(number, start, end)
    else:
        made.from_quarters(Decoder(connection, start, start), number, first, last)
        made.from_readings(number, last * QUARTER_SECONDS, end)
    return made.slices().get(number, [])


def extremes(connection: Asking, start: int, end: int, quarters: int) -> Mapping[str, list[Slice]]:
    """Return what every probe read in each slice of so many quarter hours of [start, end).

    Only whole quarter hours that are stored: the last minutes before now are in none.
    """
    begin = -(-start // QUARTER_SECONDS) * QUARTER_SECONDS
    names = Decoder(connection, begin, begin)  # verdicts are in the quarters already
    found = _whole(connection, names, None, begin, end, quarters * QUARTER_SECONDS)
    return {names.names[number]: slices for number, slices in found.items()}


def days(connection: Asking, number: int, moments: Sequence[int]) -> list[Slice]:
    """Return what one probe read on each of the days between two `moments` that follow each other.

    moments: UTC seconds on quarter hours. Of today the last minutes are left out.
    """
    names = Decoder(connection, moments[0], moments[0])
    runs: list[tuple[int, int, int]] = []  # of days of one length, asked for at once: clocks change
    for first, last in pairwise(moments):
        if runs and runs[-1][2] == last - first:
            runs[-1] = (runs[-1][0], last, last - first)
        elif last > first:
            runs.append((first, last, last - first))
    return [one for run in runs for one in _whole(connection, names, number, *run).get(number, ())]


def _whole(
    connection: Asking, names: Decoder, number: int | None, start: int, end: int, size_seconds: int
) -> Mapping[int, list[Slice]]:
    """Return by number the slices of a probe, of all (None), from the quarter hours that are stored; start is on one."""
    made = _Made(connection, start, size_seconds)
    made.from_quarters(names, number, *covered(connection).whole(start, end))
    return made.slices()
