"""A chart's slices: from quarter hours where the slices are whole multiples of them, from readings elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from dewkeeper.store import asked
from dewkeeper.store.archive import probe_rows
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import PROBE_BITS, Connection
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.reading import Decoder


@dataclass(slots=True)
class Slice:
    """Counted readings of [at, at + seconds): how many, how long they stand for, extremes and sums in °C and %RH.

    watched_seconds is None where the slice was made from readings: how long each stands for is the asker's to say.
    """

    at: int
    seconds: int
    n: int
    humidity_low: float
    humidity_sum: float
    humidity_high: float
    temperature_low: float
    temperature_sum: float
    temperature_high: float
    watched_seconds: int | None = None

    def add(self, other: Slice) -> None:
        """Take in more counted readings of the same slice."""
        self.n += other.n
        self.humidity_low = min(self.humidity_low, other.humidity_low)
        self.humidity_high = max(self.humidity_high, other.humidity_high)
        self.humidity_sum += other.humidity_sum
        self.temperature_low = min(self.temperature_low, other.temperature_low)
        self.temperature_high = max(self.temperature_high, other.temperature_high)
        self.temperature_sum += other.temperature_sum
        both = self.watched_seconds is not None and other.watched_seconds is not None
        self.watched_seconds = (self.watched_seconds or 0) + (other.watched_seconds or 0) if both else None


class _Made:
    """Slices by their start."""

    def __init__(self, connection: Connection, number: int, start: int, size_seconds: int) -> None:
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
                self.take(at, Slice(at, self._size, 1, *(values[1],) * 3, *(values[0],) * 3))

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


def slices(connection: Connection, number: int, start: int, end: int, size_seconds: int) -> list[Slice]:
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
    t_min: int, t_range: int, t_over: int, h_min: int, h_range: int, h_over: int, watched: int,
) -> Slice:  # fmt: skip
    low_t, low_h = names.values(number, at, t_min, h_min)
    high_t, high_h = names.values(number, at, t_min + t_range, h_min + h_range)
    mean_t, mean_h = names.values(number, at, t_min + t_over / n, h_min + h_over / n)
    return Slice(at, size, n, low_h, mean_h * n, high_h, low_t, mean_t * n, high_t, watched)
