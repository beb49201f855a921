"""Quarter hours stored before temperatures were counted apart: made anew from the readings, a few spans at a time.

Where humidity alone was doubted they lack the temperature as well. The revision that gave them its column left a note;
it holds the key of the newest span that is still to be looked at, and is gone when all are done.
"""

from __future__ import annotations

from dewkeeper.judge.types import SUSPECT, Quality
from dewkeeper.store import asked
from dewkeeper.store.coverage import rebuild
from dewkeeper.store.database import PROBE_BITS, PROBE_MASK, Connection
from dewkeeper.store.event_rows import write_note
from dewkeeper.store.quarters import Standards

NOTE = "quarters to remake"
MOST_A_NIGHT = 5
"""Parts; the writer does nothing else meanwhile, and its watchdog waits two minutes."""
_SPANS = 40


def due(connection: Connection) -> bool:
    """Return whether anything is left to do."""
    return connection.value(asked.NOTE, name=NOTE) is not None


def some(connection: Connection, standards: Standards) -> None:
    """Make the quarter hours of the next few spans anew, in the caller's transaction."""
    last = int(connection.value(asked.NOTE, name=NOTE))
    spans = connection.rows(asked.SUSPECTS, last=last, most=_SPANS)
    for key, stop, tests in spans:
        start, number = key >> PROBE_BITS, key & PROBE_MASK
        if Quality(start, "", SUSPECT, tuple(tests.partition("+")[0].split(","))).temperature_counts:
            rebuild(connection, standards, [number], start, stop + 1)
    if len(spans) < _SPANS:
        connection.execute(asked.DELETE_NOTE, {"name": NOTE})
    else:  # of two with one key, one may lie beyond: it is looked at twice
        write_note(connection, NOTE, str(min(spans[-1][0], last - 1)))
