"""Verdicts as spans: sparse, for nearly every reading simply passes.

A span covers consecutive readings of one probe with one verdict. Readings normally come after every span there is; one
that comes later into the middle of an old span (the clock was stepped back, an export of another machine is merged)
brings its own verdict, so its second is cut out of what was said before.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

from dewkeeper.judge.types import MISSING, PASS
from dewkeeper.store import asked
from dewkeeper.store.database import PROBE_BITS, Connection

LONGEST_SPAN_SECONDS = 6 * 3600
"""A longer one is written as several, so that a look back for what covers a moment is bounded."""
Span = tuple[int, int, int, str]
"""First second, last second, flag, tests."""

_GAP_SECONDS = 3 * 600  # three polls of the slowest period that a file may ask for
_IN_ROW = {(PASS, ""), (MISSING, "")}


def needs_span(flag: int, tests: str) -> bool:
    """Return whether a verdict says more than its reading's row does: that it passes, or that the poll failed."""
    return (flag, tests) not in _IN_ROW


class Verdicts:
    """The spans that may still be lengthened, by probe number: `standing`. After a refused commit a fresh one goes on."""

    def __init__(self) -> None:
        self.standing: dict[int, Span] = {}

    def note(self, connection: Connection, number: int, time: int, flag: int, tests: str) -> None:
        """Store the verdict on the newest reading of a probe: write a span, lengthen it, or end it by what needs none."""
        if not needs_span(flag, tests):
            self.standing.pop(number, None)
            return
        span = self.standing.get(number)
        alike = span is not None and span[2:] == (flag, tests)
        if span is not None and alike and 0 <= time - span[1] <= _GAP_SECONDS and time - span[0] < LONGEST_SPAN_SECONDS:
            connection.execute(asked.LENGTHEN_VERDICT, {"until": time, "key": span[0] << PROBE_BITS | number})
            self.standing[number] = (span[0], time, flag, tests)
            return
        self.standing[number] = (time, time, flag, tests)
        write_spans(connection, number, [self.standing[number]])


def spelled(tests: Iterable[str], failure: str | None, notes: Iterable[str]) -> str:
    """Return what set the flag, why a poll failed (!) and what the driver saw (+), as it is stored."""
    reasons = [*tests] if failure is None else [*tests, f"!{failure}"]
    return ",".join(reasons) + "".join(f"+{note}" for note in notes)


def write_spans(connection: Connection, number: int, spans: Iterable[Span]) -> None:
    """Store spans of a probe, cut to the longest length."""
    for start, stop, flag, tests in spans:
        for first in range(start, stop + 1, LONGEST_SPAN_SECONDS):
            last = min(stop, first + LONGEST_SPAN_SECONDS - 1)
            row = {"key": first << PROBE_BITS | number, "stop": last, "flag": flag, "tests": tests}
            connection.execute(asked.PUT_VERDICT, row)


def write_exclusion(connection: Connection, number: int, start: int, stop: int, flag: int, tests: str) -> None:
    """Store what was found out later of a probe's readings from one second to another."""
    row = {"probe_id": number, "start": start, "stop": stop, "flag": flag, "tests": tests}
    connection.execute(asked.PUT_EXCLUSION, row)


def cut_out(connection: Connection, number: int, times: Sequence[int]) -> None:
    """Take single seconds of a probe out of every span that covers them, late exclusions included."""
    if not times:
        return
    low, high = min(times), max(times)
    first, last = low - LONGEST_SPAN_SECONDS << PROBE_BITS, high << PROBE_BITS | number
    over = connection.rows(asked.VERDICTS_OVER, first=first, last=last, start=low, number=number)
    for key, stop, flag, tests in over:
        left = _left(key >> PROBE_BITS, stop, times)
        if left is not None:
            connection.execute(asked.DELETE_VERDICT, {"key": key})
            write_spans(connection, number, [(begin, end, flag, tests) for begin, end in left])
    excluded = connection.rows(asked.EXCLUSIONS_OVER, probe_id=number, first=low, last=high)
    for _, start, stop, flag, tests in excluded:
        left = _left(start, stop, times)
        if left is not None:
            connection.execute(asked.DELETE_EXCLUSION, {"probe_id": number, "start": start, "stop": stop})
            for begin, end in left:
                write_exclusion(connection, number, begin, end, flag, tests)


def _left(start: int, stop: int, times: Sequence[int]) -> list[tuple[int, int]] | None:
    """Return what is left of a span, None when nothing is taken from it."""
    inside = sorted({time for time in times if start <= time <= stop})
    if not inside:
        return None
    return [(a + 1, b - 1) for a, b in pairwise([start - 1, *inside, stop + 1]) if a + 1 <= b - 1]
