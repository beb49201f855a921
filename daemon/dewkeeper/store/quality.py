"""Verdicts as spans: sparse, for nearly every reading simply passes.

A span covers consecutive readings of one probe with one verdict. Readings normally come after every span there is; one
that comes later into the middle of an old span (the clock was stepped back, an export of another machine is merged)
brings its own verdict, so its second is cut out of what was said before.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from sqlalchemy import Connection

_TABLES = ("quality", "exclusion")


def cut_out(connection: Connection, number: int, times: Sequence[int]) -> None:
    """Take single seconds of a probe out of every span that covers them, late exclusions included."""
    if not times:
        return
    for table in _TABLES:
        for start, stop, flag, tests in connection.exec_driver_sql(
            f"SELECT start, stop, flag, tests FROM {table} WHERE probe_id = ? AND start <= ? AND stop >= ?",  # noqa: S608
            (number, max(times), min(times)),
        ).all():
            inside = sorted(time for time in times if start <= time <= stop)
            if not inside:
                continue
            connection.exec_driver_sql(
                f"DELETE FROM {table} WHERE probe_id = ? AND start = ? AND stop = ?",  # noqa: S608
                (number, start, stop),
            )
            edges = [start - 1, *inside, stop + 1]
            left = [(a + 1, b - 1) for a, b in pairwise(edges) if a + 1 <= b - 1]
            for first, last in left:
                connection.exec_driver_sql(
                    f"INSERT OR REPLACE INTO {table} (probe_id, start, stop, flag, tests) VALUES (?, ?, ?, ?, ?)",  # noqa: S608
                    (number, first, last, flag, tests),
                )
