"""What believed readings of a span come to: from whole quarter hours, and from readings at the span's ragged ends."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dewkeeper.store import asked
from dewkeeper.store.archive import all_rows, probe_rows
from dewkeeper.store.coverage import covered, made_of
from dewkeeper.store.database import FOREVER, PROBE_BITS, PROBE_MASK, Asking
from dewkeeper.store.quarters import LAST_SECOND, LONGEST_HOLD_SECONDS, QUARTER_SECONDS, Quarter, Standards
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rows import Row as Raw

_LEAST, _MOST, _WATCHED = (4, 6), (5, 7), (1, 8, 9, 10, 11, 12, 13, 14, 15)
"""Columns that are the least, the most, and those that add up seconds a reading stands for."""


@dataclass(frozen=True, slots=True)
class Extreme:
    """A value, °C or %RH, and when it was read first (UTC seconds)."""

    value: float
    at: int


@dataclass(frozen=True, slots=True)
class Span:
    """What one probe's counted readings of a span come to.

    n, watched_seconds: of those believed whole, and what part of the span they stand for; without any there is no humidity.
    temperature_n, temperature_seconds: the same with those of which the temperature alone is believed. Times are in seconds, by the limits then in force; dose_percent_hours
    is the distance from the target band times how long. temperature_at_driest_c was read together with humidity_min.
    """

    n: int
    watched_seconds: int
    temperature_n: int
    temperature_seconds: int
    humidity_mean: float | None
    temperature_mean_c: float
    humidity_min: Extreme | None
    humidity_max: Extreme | None
    temperature_min: Extreme
    temperature_max: Extreme
    temperature_at_driest_c: float | None
    below_target_seconds: int = 0
    above_target_seconds: int = 0
    below_tolerable_seconds: int = 0
    above_tolerable_seconds: int = 0
    too_cold_seconds: int = 0
    too_hot_seconds: int = 0
    dose_percent_hours: float = 0.0


def spans(connection: Asking, standards: Standards, start: int, end: int) -> Mapping[str, Span]:
    """Return what every probe's counted readings in [start, end) come to, by name; without any, a probe is left out."""
    cover = covered(connection)
    first, last = cover.whole(start, end)
    hold = standards.longest_hold(end)
    names = Decoder(connection, max(start, end - hold), end)  # verdicts of before are in the quarters already
    uneven = {number for number in names.names if names.recalibrations(number, start, end)}
    sums: dict[int, list[int]] = {}
    for layout, begin, finish in cover.parts(first, last):
        _add(sums, connection.execute(asked.SUMS[layout.table], {"first": begin, "last": finish}))
    for begin, finish in _edges(start, end, first, last):
        rows = all_rows(connection, begin, finish + LONGEST_HOLD_SECONDS)
        _add(sums, _ragged(connection, standards, rows, begin, finish))
    _cut(sums, names, standards, all_rows(connection, max(start, end - hold), end + hold), end, end)
    found = {names.names[number]: _span(names, number, row) for number, row in sums.items() if number not in uneven}
    for number in uneven:
        parts = [_span(names, number, row) for row in _by_calibration(connection, standards, names, number, start, end)]
        if parts:
            found[names.names[number]] = joined(parts)
    return found


def probe_span(connection: Asking, standards: Standards, probe: str, start: int, end: int) -> Span | None:
    """Return what one probe's counted readings in [start, end) come to, None when there are none."""
    names = Decoder(connection, start, start)
    number = next((n for n, name in names.names.items() if name == probe), None)
    if number is None:
        return None
    parts = [_span(names, number, row) for row in _by_calibration(connection, standards, names, number, start, end)]
    return joined(parts) if parts else None


def joined(parts: Sequence[Span]) -> Span:
    """Return consecutive spans of one probe as one."""
    if len(parts) == 1:
        return parts[0]

    def total(name: str) -> Any:
        return sum(getattr(part, name) for part in parts)

    n, temperature_n = total("n"), total("temperature_n")
    driest = min((part for part in parts if part.humidity_min), key=lambda part: part.humidity_min.value, default=None)  # type: ignore[union-attr]  # as filtered
    dampest = (part.humidity_max for part in parts if part.humidity_max)
    return Span(
        n=n,
        watched_seconds=total("watched_seconds"),
        temperature_n=temperature_n,
        temperature_seconds=total("temperature_seconds"),
        humidity_mean=sum((part.humidity_mean or 0) * part.n for part in parts) / n if n else None,
        temperature_mean_c=sum(part.temperature_mean_c * part.temperature_n for part in parts) / temperature_n,
        humidity_min=driest.humidity_min if driest else None,
        humidity_max=max(dampest, key=lambda extreme: extreme.value, default=None),
        temperature_min=min((part.temperature_min for part in parts), key=lambda extreme: extreme.value),
        temperature_max=max((part.temperature_max for part in parts), key=lambda extreme: extreme.value),
        temperature_at_driest_c=driest.temperature_at_driest_c if driest else None,
        **{name: total(name) for name in (
            "below_target_seconds", "above_target_seconds", "below_tolerable_seconds", "above_tolerable_seconds",
            "too_cold_seconds", "too_hot_seconds", "dose_percent_hours",
        )},
    )  # fmt: skip


def _by_calibration(
    connection: Asking, standards: Standards, names: Decoder, number: int, start: int, end: int
) -> list[list[int]]:
    """Return the sums of one probe for each stretch of one calibration: words of two of them cannot be compared."""
    moments = [start, *names.recalibrations(number, start, end), end]
    cover = covered(connection)
    found: list[list[int]] = []
    for begin, finish in pairwise(moments):
        sums: dict[int, list[int]] = {}
        first, last = cover.whole(begin, finish)
        for layout, one, two in cover.parts(first, last):
            span = {"first": one, "last": two, "number": number}
            _add(sums, connection.execute(asked.SUMS_OF[layout.table], span))
        for one, two in _edges(begin, finish, first, last):
            rows = probe_rows(connection, number, one, two + LONGEST_HOLD_SECONDS)
            _add(sums, _ragged(connection, standards, rows, one, two))
        hold = standards.longest_hold(end)
        if finish > end - hold:
            rows = probe_rows(connection, number, max(begin, end - hold), end + hold)
            _cut(sums, Decoder(connection, max(begin, end - hold), end), standards, rows, finish, end)
        found += sums.values()
    return found


def _edges(start: int, end: int, first: int, last: int) -> list[tuple[int, int]]:
    """Return what the quarters from `first` to before `last` leave over of [start, end) seconds."""
    if first >= last:
        return [(start, end)] if start < end else []
    edges = (start, first * QUARTER_SECONDS), (last * QUARTER_SECONDS, end)
    return [(begin, finish) for begin, finish in edges if begin < finish]


def _ragged(
    connection: Asking, standards: Standards, rows: Iterable[Raw], start: int, end: int
) -> list[tuple[int | None, ...]]:
    """Return (number, sums) of readings that are not a whole quarter, as the tables would give them."""
    decoder = Decoder(connection, start, end)
    made: list[tuple[int | None, ...]] = []
    for number, row in made_of(rows, decoder, standards, start, end):
        (
            quarter,
            n,
            watched,
            t_min,
            t_range,
            t_over,
            h_min,
            h_range,
            h_over,
            t_driest,
            h_at,
            t_at,
            humid,
            heat,
            dose,
            t_only,
        ) = row
        at, alone = quarter * QUARTER_SECONDS, t_only >> 12
        made.append((
            number, n, watched, (n + alone) * t_min + t_over, n * h_min + h_over,
            h_min << 47 | at + (h_at & 1023) << 16 | t_min + t_driest if n else None,
            h_min + h_range << 31 | LAST_SECOND - at - (h_at >> 10) if n else None,
            t_min << 31 | at + (t_at & 1023),
            t_min + t_range << 31 | LAST_SECOND - at - (t_at >> 10),
            humid & 4095, humid >> 12 & 4095, humid >> 24 & 4095, humid >> 36, heat & 4095, heat >> 12, dose, t_only & 4095, alone,
        ))  # fmt: skip
    return made


def _cut(
    sums: dict[int, list[int]], decoder: Decoder, standards: Standards, rows: Iterable[Raw], finish: int, end: int
) -> None:
    """Take away what the last readings before `finish` stand for beyond the end of the span. rows: those around it."""
    last: dict[int, Raw] = {}
    following: dict[int, int] = {}
    for row in rows:
        number, time = row[0] & PROBE_MASK, row[0] >> PROBE_BITS
        if time < finish:
            last[number] = row
        elif len(following) == len(last):
            break  # each is followed: what comes after need not be read
        elif number in last:
            following.setdefault(number, time)
    for number, row in last.items():
        time, until = row[0] >> PROBE_BITS, following.get(number, FOREVER)
        if number not in sums or min(until, time + standards.hold(time)) <= end:
            continue
        believed = decoder.believed(*row)
        if believed is not None:
            quarter = Quarter(standards, decoder.names[number])
            temperature_c, humidity_percent = believed
            if humidity_percent is None:
                quarter.take_temperature(time, row[1] or 0, temperature_c)
            else:
                quarter.take(time, row[1] or 0, row[2] or 0, temperature_c, humidity_percent)
            stood, within = quarter.standing(until), quarter.standing(min(until, end))
            for index, (whole, part) in enumerate(zip(stood, within, strict=True)):
                sums[number][_WATCHED[index]] -= whole - part


def _add(sums: dict[int, list[int]], rows: Iterable[Any]) -> None:
    for number, *row in rows:
        known = sums.get(number)
        if known is None:
            sums[number] = list(row)
            continue
        for index, value in enumerate(row):
            if index in _LEAST or index in _MOST:
                if value is not None:  # of no humidity that was believed
                    choose = min if index in _LEAST else max
                    known[index] = value if known[index] is None else choose(known[index], value)
            else:
                known[index] += value


def _span(names: Decoder, number: int, row: Sequence[int]) -> Span:
    n, watched, t_sum, h_sum, driest, dampest, coldest, warmest = row[:8]
    t_n, coldest_at = n + row[16], coldest & LAST_SECOND
    values = names.by_calibration(number, coldest_at)
    (mean_c, _), (lowest_c, _), (highest_c, _) = (
        values(t_sum / t_n, 0),
        values(coldest >> 31, 0),
        values(warmest >> 31, 0),
    )
    mean_percent = lowest = highest = at_driest_c = None
    if n:
        _, mean_percent = values(0, h_sum / n)
        at_driest_c, lowest_percent = values(driest & 65535, driest >> 47)
        _, highest_percent = values(0, dampest >> 31)
        lowest = Extreme(lowest_percent, driest >> 16 & LAST_SECOND)
        highest = Extreme(highest_percent, LAST_SECOND - (dampest & LAST_SECOND))
    return Span(
        n, watched, t_n, watched + row[15], mean_percent, mean_c, lowest, highest,
        Extreme(lowest_c, coldest_at), Extreme(highest_c, LAST_SECOND - (warmest & LAST_SECOND)), at_driest_c,
        row[8], row[9], row[10], row[11], row[12], row[13], row[14] / 3600,
    )  # fmt: skip
