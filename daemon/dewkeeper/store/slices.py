"""A chart's slices: from quarter hours where the slices are whole multiples of them, from readings elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from dewkeeper.store import asked
from dewkeeper.store.archive import probe_rows
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import PROBE_BITS, Asking
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.reading import Decoder


@dataclass(slots=True)
class Slice:
    """Counted readings of [at, at + seconds): how many, how long they stand for, extremes and sums in °C and %RH.

    n: those believed whole; without any there is no humidity (None, None, None, and a sum of 0). temperature_n: these and
    those of which the temperature alone is. watched_seconds is None where the slice was made from readings: how long each
    stands for is the asker's to say.
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
    watched_seconds: int | None = None

    def add(self, other: Slice) -> None:
        """Take in more counted readings of the same slice."""
        self.n += other.n
        self.temperature_n += other.temperature_n
        self.humidity_low = least(self.humidity_low, other.humidity_low)
        self.humidity_high = most(self.humidity_high, other.humidity_high)
        self.humidity_sum += other.humidity_sum
        self.temperature_low = min(self.temperature_low, other.temperature_low)
        self.temperature_high = max(self.temperature_high, other.temperature_high)
        self.temperature_sum += other.temperature_sum
        both = self.watched_seconds is not None and other.watched_seconds is not None
        self.watched_seconds = (self.watched_seconds or 0) + (other.watched_seconds or 0) if both else None


def least(*values: float | None) -> float | None:
    """Return the smallest of what there is, None without any."""
    return min((value for value in values if value is not None), default=None)


def most(*values: float | None) -> float | None:
    """Return the largest of what there is, None without any."""
    return max((value for value in values if value is not None), default=None)


class _Made:
    """Slices by their start."""

    def __init__(self, connection: Asking, number: int, start: int, size_seconds: int) -> None:
        self._connection = connection
        self._number = number
        self._start = start
        self._size = size_seconds
        self.found: dict[int, Slice] = {}

    def take(self, at: int, piece: Slice) -> None:
        piece.at = self._start + (at - self._start) // self._size * self._size
        known = self.found.setdefault(piece.at, piece)
        if known is not piece:
            known.add(piece)

    def from_readings(self, start: int, end: int) -> None:
        if start >= end:
            return
        decoder = Decoder(self._connection, start, end)
        for key, t, h in probe_rows(self._connection, self._number, start, end):
            values = decoder.believed(key, t, h)
            if values is not None:
                at = key >> PROBE_BITS
                degrees, percent = values
                humidity = int(percent is not None), percent, percent or 0.0, percent
                self.take(at, Slice(at, self._size, *humidity, degrees, degrees, degrees, 1))

    def from_quarters(self, names: Decoder, first: int, last: int) -> None:
        for layout, begin, end in covered(self._connection).parts(first, last):
            span = {"first": begin, "last": end, "number": self._number}
            if names.recalibrations(self._number, begin * QUARTER_SECONDS, end * QUARTER_SECONDS):
                rows = self._connection.rows(asked.QUARTERS[layout.table], **span)
            else:  # words of one calibration can be put together before they are decoded
                by_slice = {"start": self._start, "seconds": self._size}
                rows = self._connection.rows(asked.SLICES[layout.table], **span, **by_slice)
            for first_quarter, *row in rows:
                at = first_quarter * QUARTER_SECONDS
                if names.recalibrations(self._number, at, at + QUARTER_SECONDS):
                    self.from_readings(at, at + QUARTER_SECONDS)
                else:
                    self.take(at, _piece(names, self._number, self._size, at, *row))


def slices(connection: Asking, number: int, start: int, end: int, size_seconds: int) -> list[Slice]:
    """Return the slices of one probe, oldest first, those without counted readings left out."""
    made = _Made(connection, number, start, size_seconds)
    first, last = covered(connection).whole(start, end)
    if size_seconds % QUARTER_SECONDS or start % QUARTER_SECONDS or first >= last:
        made.from_readings(start, end)
    else:
        made.from_quarters(Decoder(connection, start, start), first, last)
        made.from_readings(last * QUARTER_SECONDS, end)
    return [made.found[key] for key in sorted(made.found)]


def _piece(
    names: Decoder, number: int, size: int, at: int, n: int,
    t_min: int, t_range: int, t_over: int, h_min: int | None, h_range: int, h_over: int, watched: int, t_only: int,
) -> Slice:  # fmt: skip
    t_n = n + t_only
    low_t, low_h = names.values(number, at, t_min, h_min or 0)
    mean_t, _ = names.values(number, at, t_min + t_over / t_n, 0)
    if h_min is None:
        high_t, _ = names.values(number, at, t_min + t_range, 0)
        return Slice(at, size, 0, None, 0.0, None, low_t, mean_t * t_n, high_t, t_n, watched)
    high_t, high_h = names.values(number, at, t_min + t_range, h_min + h_range)
    _, mean_h = names.values(number, at, 0, h_min + h_over / n)
    return Slice(at, size, n, low_h, mean_h * n, high_h, low_t, mean_t * t_n, high_t, t_n, watched)
