"""Coarse looks back: a night's extremes of every probe at once, and one probe day by day. From quarter hours only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from dewkeeper.store.database import Asking
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.reading import Decoder
from dewkeeper.store.slices import least, most, whole_slices


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
    begin = -(-start // QUARTER_SECONDS) * QUARTER_SECONDS
    names = Decoder(connection, begin, begin)  # verdicts are in the quarters already
    found = whole_slices(connection, names, None, begin, end, quarters * QUARTER_SECONDS)
    return {
        names.names[number]: [
            Extremes(s.at, s.humidity_low, s.humidity_high, s.temperature_low, s.temperature_high)
            for s in found[number]
        ]
        for number in found
    }


def wider(one: Extremes, other: Extremes) -> Extremes:
    """Return two parts of one slice, or two probes' slices of one time, as one."""
    return Extremes(
        one.at,
        least(one.humidity_low, other.humidity_low),
        most(one.humidity_high, other.humidity_high),
        min(one.temperature_low, other.temperature_low),
        max(one.temperature_high, other.temperature_high),
    )


def days(connection: Asking, number: int, moments: Sequence[int]) -> list[Day]:
    """Return what one probe read on each of the days between two `moments` that follow each other, oldest first.

    moments: UTC seconds on quarter hours. A day without believed readings is left out; so are, of today, the last minutes.
    """
    names = Decoder(connection, moments[0], moments[0])
    return [
        Day(
            s.at, s.watched_seconds, s.humidity_low, s.humidity_high, s.temperature_low, s.temperature_high, s.beyond_seconds
        )
        for first, last, size in _even(moments)
        for s in whole_slices(connection, names, number, first, last, size).get(number, ())
    ]  # fmt: skip


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
    """Return (first second, the one after the last, seconds a day) of runs of days of one length: clocks change."""
    runs: list[tuple[int, int, int]] = []
    for first, last in pairwise(moments):
        if runs and runs[-1][2] == last - first:
            runs[-1] = (runs[-1][0], last, last - first)
        elif last > first:
            runs.append((first, last, last - first))
    return runs
