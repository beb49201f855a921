"""What believed readings of a span come to: from whole quarter hours, and from readings at the span's ragged ends."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from dewkeeper.store import asked
from dewkeeper.store.archive import all_rows, probe_rows
from dewkeeper.store.coverage import covered, made_of
from dewkeeper.store.database import Asking
from dewkeeper.store.quarters import LAST_SECOND, LONGEST_HOLD_SECONDS, QUARTER_SECONDS, Standards
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rows import Row as Raw

_LEAST, _MOST = (4, 6), (5, 7)
"""Columns that are the least, and the most; all others add up."""


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


def spans(
    connection: Asking, standards: Standards, start: int, end: int, probe: str | None = None
) -> Mapping[str, Span]:
    """Return what every probe's counted readings in [start, end) come to, by name; without any, a probe is left out.

    probe: of this one alone; None: of all.
    """
    hold = standards.longest_hold(end)
    names = Decoder(connection, max(start, end - hold - QUARTER_SECONDS), end)
    numbers = [number for number, name in names.names.items() if probe in (None, name)]
    if not numbers:
        return {}
    adding = _Adding(connection, standards, names, hold, end)
    uneven = {number for number in numbers if names.recalibrations(number, start, end)}
    found: dict[int, list[Span]] = {}
    if probe is None or not uneven:
        for number, row in adding.sums(start, end, None if probe is None else numbers[0]):
            found[number] = [_span(names, number, row)]
    for number in uneven:  # words of two calibrations cannot be compared: each stretch is decoded by itself
        found[number] = []
        for first, last in pairwise([start, *names.recalibrations(number, start, end), end]):
            found[number] += [_span(names, number, row) for _, row in adding.sums(first, last, number)]
    return {names.names[number]: joined(parts) for number, parts in found.items() if parts}


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


@dataclass(frozen=True, slots=True)
class _Adding:
    """Adds the readings of a span up.

    newest: reads the rows of its last quarter hours. hold_seconds: how long its last readings may stand. end: where it
    ends (UTC seconds); none stands for longer.
    """

    connection: Asking
    standards: Standards
    newest: Decoder
    hold_seconds: int
    end: int

    def sums(self, start: int, finish: int, number: int | None) -> Iterable[tuple[int, list[int]]]:
        """Return (number, sums) of the readings in [start, finish) of the span. number: of one probe alone; None: of all."""
        cover = covered(self.connection)
        # A quarter hour of which a reading may stand beyond the end is made from its readings, and these are cut short.
        first, last = cover.whole(start, min(finish, self.end - self.hold_seconds))
        sums: dict[int, list[int]] = {}
        for layout, begin, before in cover.parts(first, last):
            given = {"first": begin, "last": before, "number": number}
            _add(sums, self.connection.execute(asked.SUMS[layout.table], given))
        for begin, before in _edges(start, finish, first, last):
            # A little past the edge: the next reading says for how long the last one stands.
            span = begin, min(before + LONGEST_HOLD_SECONDS, self.end)
            rows = all_rows(self.connection, *span) if number is None else probe_rows(self.connection, number, *span)
            late = begin >= self.end - self.hold_seconds - QUARTER_SECONDS
            decoder = self.newest if late else Decoder(self.connection, begin, before)
            _add(sums, _ragged(decoder, self.standards, rows, begin, before, self.end))
        return sums.items()


def _edges(start: int, end: int, first: int, last: int) -> list[tuple[int, int]]:
    """Return what the quarters from `first` to before `last` leave over of [start, end) seconds."""
    if first >= last:
        return [(start, end)] if start < end else []
    edges = (start, first * QUARTER_SECONDS), (last * QUARTER_SECONDS, end)
    return [(begin, finish) for begin, finish in edges if begin < finish]


def _ragged(
    decoder: Decoder, standards: Standards, rows: Iterable[Raw], start: int, end: int, until: int
) -> list[tuple[int | None, ...]]:
    """Return (number, sums) of the readings in [start, end), as the tables would give them; none stands beyond `until`."""
    made: list[tuple[int | None, ...]] = []
    for number, row in made_of(rows, decoder, standards, start, end, until):
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
        # One integer holds an extreme, its moment and its company: `questions._sums` says which bits.
        made.append((
            number, n, watched, (n + alone) * t_min + t_over, n * h_min + h_over,
            h_min << 47 | at + (h_at & 1023) << 16 | t_min + t_driest if n else None,
            h_min + h_range << 31 | LAST_SECOND - at - (h_at >> 10) if n else None,
            t_min << 31 | at + (t_at & 1023),
            t_min + t_range << 31 | LAST_SECOND - at - (t_at >> 10),
            humid & 4095, humid >> 12 & 4095, humid >> 24 & 4095, humid >> 36, heat & 4095, heat >> 12, dose, t_only & 4095, alone,
        ))  # fmt: skip
    return made


def _add(sums: dict[int, list[int]], rows: Iterable[Any]) -> None:
    for number, *row in rows:
        known = sums.get(number)
        if known is None:
            sums[number] = list(row)
            continue
        for index, value in enumerate(row):
            # Such an integer has its value in the highest bits, so the least of them is the least of the values.
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
