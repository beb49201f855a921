"""A chart's slices: from quarter hours where blocks are archived, from readings elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection

from dewkeeper.store.archive import BLOCK_SECONDS, probe_rows
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rollup import BUCKET_SECONDS


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


def slices(
    connection: Connection, decoder: Decoder, number: int, start: int, end: int, size_seconds: int
) -> list[Slice]:
    """Return the slices of one probe, oldest first, those without counted readings left out."""
    found: dict[int, Slice] = {}

    def take(at: int, piece: Slice) -> None:
        piece.at = start + (at - start) // size_seconds * size_seconds
        known = found.setdefault(piece.at, piece)
        if known is not piece:
            known.add(piece)

    archived: list[tuple[int, int]] = []
    if size_seconds % BUCKET_SECONDS == 0:
        archived = _whole_blocks(connection, number, start, end)
        for first, last in archived:
            for row in connection.exec_driver_sql(
                "SELECT start, n, t_min, t_sum, t_max, h_min, h_sum, h_max, watched FROM rollup "
                "WHERE probe_id = ? AND start >= ? AND start < ? ORDER BY start",
                (number, first, last),
            ):
                take(row.start, _piece(decoder, number, size_seconds, *row))
    at = start
    for first, last in (*archived, (end, end)):
        for key, t, h in probe_rows(connection, number, at, first) if at < first else ():
            reading, quality = decoder.decode(key, t, h)
            humidity, temperature = reading.humidity_percent, reading.temperature_c
            if quality.counts and humidity is not None and temperature is not None:
                values = (humidity,) * 3 + (temperature,) * 3
                take(reading.time, Slice(reading.time, size_seconds, 1, *values))
        at = last
    return [found[key] for key in sorted(found)]


def _whole_blocks(connection: Connection, number: int, start: int, end: int) -> list[tuple[int, int]]:
    """Return stretches whose quarter hours are complete: archived, and without plain rows that came later."""
    blocks = connection.exec_driver_sql(
        "SELECT key >> 10 FROM chunk WHERE key >= ? AND key < ? AND key & 1023 = ? ORDER BY key",
        (start // BLOCK_SECONDS << 10, -(-end // BLOCK_SECONDS) << 10, number),
    ).all()
    oldest_plain = connection.exec_driver_sql("SELECT min(key) >> 10 FROM reading").scalar() or end
    stretches = []
    for (block,) in blocks:
        first = max(block * BLOCK_SECONDS, start)
        last = min((block + 1) * BLOCK_SECONDS, end // BUCKET_SECONDS * BUCKET_SECONDS)
        if first < last <= oldest_plain:
            stretches.append((first, last))
    return stretches


def _piece(
    decoder: Decoder, number: int, size: int, start: int, n: int,
    t_min: int, t_sum: int, t_max: int, h_min: int, h_sum: int, h_max: int, watched: int,
) -> Slice:  # fmt: skip
    low_t, low_h = decoder.values(number, start, t_min, h_min)
    high_t, high_h = decoder.values(number, start, t_max, h_max)
    mean_t, mean_h = decoder.values(number, start, t_sum / n, h_sum / n)
    return Slice(start, size, n, low_h, mean_h * n, high_h, low_t, mean_t * n, high_t, watched)
