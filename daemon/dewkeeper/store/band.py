"""How long, and how far, a probe's believed readings were inside or outside any band over any span.

Quarter hours that lie wholly inside the band need no reading; of the others the readings themselves are opened.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from sqlalchemy import Connection

from dewkeeper.store.archive import probe_rows
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import FOREVER, PROBE_BITS
from dewkeeper.store.quarters import LONGEST_HOLD_SECONDS, QUARTER_SECONDS, Standards
from dewkeeper.store.reading import Decoder

Quantity = Literal["humidity", "temperature"]


@dataclass(slots=True)
class InBand:
    """Seconds that counted readings stand for, and the distance from the band times how long (unit of the band, hours)."""

    watched_seconds: int = 0
    inside_seconds: int = 0
    below_seconds: int = 0
    above_seconds: int = 0
    below_dose_hours: float = 0.0
    above_dose_hours: float = 0.0

    def add(self, value: float, low: float, high: float, held: int) -> None:
        """Count one reading that stands for `held` seconds."""
        self.watched_seconds += held
        if value < low:
            self.below_seconds += held
            self.below_dose_hours += (low - value) * held / 3600
        elif value > high:
            self.above_seconds += held
            self.above_dose_hours += (value - high) * held / 3600
        else:
            self.inside_seconds += held


def in_band(
    connection: Connection,
    standards: Standards,
    number: int,
    quantity: Quantity,
    low: float,
    high: float,
    start: int,
    end: int,
) -> InBand:
    """Return times and doses of [start, end) against the band [low, high], %RH or °C."""
    decoder = Decoder(connection, start, end)
    found = InBand()
    at = start
    index = 1 if quantity == "humidity" else 0
    for quarter, watched, t_min, t_range, h_min, h_range in _quarters(connection, number, start, end):
        begin = quarter * QUARTER_SECONDS
        if begin + QUARTER_SECONDS + LONGEST_HOLD_SECONDS > end or decoder.recalibrations(
            number, begin, begin + QUARTER_SECONDS
        ):
            continue  # its readings may stand beyond the end, or are not all on one scale
        least = decoder.values(number, begin, t_min, h_min)[index]
        most = decoder.values(number, begin, t_min + t_range, h_min + h_range)[index]
        if low <= least and most <= high:
            _open(connection, decoder, standards, number, index, low, high, at, begin, end, found)
            found.watched_seconds += watched
            found.inside_seconds += watched
            at = begin + QUARTER_SECONDS
    _open(connection, decoder, standards, number, index, low, high, at, end, end, found)
    return found


def _quarters(connection: Connection, number: int, start: int, end: int) -> Iterator[tuple[int, ...]]:
    """Yield the whole quarters of [start, end), ascending."""
    cover = covered(connection)
    for layout, first, last in cover.parts(*cover.whole(start, end)):
        asked = layout.select(
            f"{layout.quarter}, watched, t_min, t_range, h_min, h_range", "WHERE id = ? ORDER BY s, key"
        )
        yield from connection.exec_driver_sql(asked, (first, last, number)).all()


def _open(
    connection: Connection, decoder: Decoder, standards: Standards, number: int, index: int,
    low: float, high: float, start: int, end: int, last: int, found: InBand,
) -> None:  # fmt: skip
    """Count the readings of [start, end) one by one; none stands beyond `last`."""
    if start >= end:
        return
    name, hold, valid = decoder.names[number], 0, -1
    rows = probe_rows(connection, number, start, end + LONGEST_HOLD_SECONDS)
    times = [key >> PROBE_BITS for key, _, _ in rows]
    for row, (time, following) in zip(rows, pairwise([*times, FOREVER]), strict=True):
        if time >= end:
            break
        if time >= valid:
            hold, _, valid = standards.at(name, time)
        values = decoder.believed(*row)
        if values is not None:
            found.add(values[index], low, high, min(following - time, hold, last - time))
