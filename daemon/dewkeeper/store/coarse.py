"""Coarse looks back: a night's extremes of every probe at once, and one probe day by day. From quarter hours only."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from dewkeeper.store import asked
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import Asking
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.reading import Decoder
from dewkeeper.store.slices import least, most, slices

_Row = tuple[int, int | None, int | None, int, int]
"""Quarter, lowest and highest word of humidity, of temperature."""


class Extremes(NamedTuple):
    """Lowest and highest believed values, %RH and °C, of the slice that begins at `at` (UTC seconds); None where no humidity was believed."""

    at: int
    humidity_low: float | None
    humidity_high: float | None
    temperature_low: float
    temperature_high: float


class Day(NamedTuple):
    """What one probe's believed readings of one day come to; `at` is its first second (UTC), times are in seconds.

    beyond_seconds: beyond tolerable humidity or temperature, by the limits then in force. watched_seconds: by readings that
    were believed whole; without any there is no humidity.
    """

    at: int
    watched_seconds: int
    humidity_low: float | None
    humidity_high: float | None
    temperature_low: float
    temperature_high: float
    beyond_seconds: int


def extremes(connection: Asking, start: int, end: int, quarters: int) -> Mapping[str, Sequence[Extremes]]:
    """Return what every probe read in each slice of so many quarter hours of [start, end), oldest first.

    Only whole quarter hours that are stored: the last minutes before now are in none. A slice without any is left out.
    """
    cover = covered(connection)
    first, last = cover.whole(start, end)
    names = Decoder(connection, start, start)  # verdicts are in the quarters already
    rows: dict[int, list[_Row]] = {}
    for layout, begin, finish in cover.parts(first, last):
        span = {"first": begin, "last": finish, "origin": first, "size": quarters}
        for number, *row in connection.execute(asked.EXTREMES[layout.table], span):
            rows.setdefault(number, []).append(tuple(row))
    return {
        names.names[number]: _decoded(connection, names, number, found, first, quarters)
        for number, found in rows.items()
    }


def _decoded(
    connection: Asking,
    names: Decoder,
    number: int,
    rows: Sequence[_Row],
    first: int,
    quarters: int,
) -> list[Extremes]:
    begin, finish = first * QUARTER_SECONDS, (rows[-1][0] + 1) * QUARTER_SECONDS
    size = quarters * QUARTER_SECONDS
    if names.recalibrations(number, begin, finish):  # words of two calibrations cannot be compared
        return [
            Extremes(s.at, s.humidity_low, s.humidity_high, s.temperature_low, s.temperature_high)
            for s in slices(connection, number, begin, finish, size)
        ]
    values, found = names.by_calibration(number, begin), dict[int, Extremes]()
    for quarter, h_low, h_high, t_low, t_high in rows:
        at = begin + (quarter - first) // quarters * size
        one = Extremes(at, *_in_units(values, h_low, h_high, t_low, t_high))
        found[at] = wider(found[at], one) if at in found else one  # a slice that lies in two tables
    return list(found.values())


def wider(one: Extremes, other: Extremes) -> Extremes:
    """Return two parts of one slice, or two probes' slices of one time, as one."""
    return Extremes(
        one.at,
        least(one.humidity_low, other.humidity_low),
        most(one.humidity_high, other.humidity_high),
        min(one.temperature_low, other.temperature_low),
        max(one.temperature_high, other.temperature_high),
    )


def _in_units(
    values: Callable[[float, float], tuple[float, float]],
    h_low: int | None,
    h_high: int | None,
    t_low: int,
    t_high: int,
) -> tuple[float | None, float | None, float, float]:
    """Return words as %RH and °C."""
    (coldest, lowest), (warmest, highest) = values(t_low, h_low or 0), values(t_high, h_high or 0)
    return None if h_low is None else lowest, None if h_high is None else highest, coldest, warmest


def days(connection: Asking, number: int, moments: Sequence[int]) -> list[Day]:
    """Return what one probe read on each of the days between two `moments` that follow each other, oldest first.

    moments: UTC seconds on quarter hours. A day without believed readings is left out; so are, of today, the last minutes.
    A day in which the probe was calibrated is read by the calibration of its beginning.
    """
    cover = covered(connection)
    names = Decoder(connection, moments[0], moments[0])
    found: list[Day] = []
    for first, last, size in _even(moments):
        for layout, begin, finish in cover.parts(first, min(last, cover.until)):
            span = {"first": begin, "last": finish, "number": number, "origin": first, "size": size}
            for quarter, watched, h_low, h_high, t_low, t_high, beyond in connection.rows(
                asked.DAYS[layout.table], **span
            ):
                at = (first + (quarter - first) // size * size) * QUARTER_SECONDS
                values = names.by_calibration(number, at)
                day = Day(at, watched, *_in_units(values, h_low, h_high, t_low, t_high), beyond)
                if found and found[-1].at == at:  # a day that lies in two tables
                    day = joined(found.pop(), day)
                found.append(day)
    return found


def joined(one: Day, other: Day) -> Day:
    """Return two parts of one day as one."""
    return Day(
        one.at,
        one.watched_seconds + other.watched_seconds,
        least(one.humidity_low, other.humidity_low),
        most(one.humidity_high, other.humidity_high),
        min(one.temperature_low, other.temperature_low),
        max(one.temperature_high, other.temperature_high),
        one.beyond_seconds + other.beyond_seconds,
    )


def _even(moments: Sequence[int]) -> list[tuple[int, int, int]]:
    """Return (first quarter, the one after the last, quarters a day) of runs of days of one length: clocks change."""
    runs: list[tuple[int, int, int]] = []
    for begin, finish in pairwise(moments):
        first, last = -(-begin // QUARTER_SECONDS), finish // QUARTER_SECONDS
        if runs and runs[-1][1] == first and runs[-1][2] == last - first:
            runs[-1] = (runs[-1][0], last, last - first)
        elif last > first:
            runs.append((first, last, last - first))
    return runs
