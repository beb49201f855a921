"""A store in a temporary folder, and readings to put in it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import FAIL, MISSING, PASS, SUSPECT, Quality, Reading
from dewkeeper.store import History, Store
from dewkeeper.store.archive import all_rows
from dewkeeper.store.database import Connection
from dewkeeper.store.history import Stored
from dewkeeper.store.reading import Decoder
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Storage
from dewkeeper_drivers.contract import SHT3X

VERDICTS: dict[bool | None, tuple[int, tuple[str, ...]]] = {
    True: (PASS, ()),
    False: (FAIL, ("spike",)),
    None: (SUSPECT, ("saturated",)),
}
"""Whether a reading counts, None: for its temperature -> flag, tests."""
MIDNIGHT = 20_712 * 86400  # an even number of days after 1970: a block begins


class Shelf:
    """A store and its history, with short ways to fill them."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.store = Store.open(folder, Storage(folder=folder), ManualClock())
        self.plain: dict[tuple[int, str], tuple[Reading, Quality]] = {}

    def reopen(self) -> None:
        """Close and open as a restart would."""
        self.store.close()
        self.store = Store.open(self.folder, Storage(folder=self.folder), ManualClock())

    def put(self, rows: Sequence[tuple[int, str, int | None, int | None, bool | None]]) -> None:
        """Commit readings (time, probe, words, whether they count; None: for their temperature) and keep them in a plain list too."""
        pairs = []
        for time, probe, t, h, good in sorted(rows, key=lambda row: row[0]):
            flag, tests = (MISSING, ()) if t is None else VERDICTS[good]
            pair = reading(time, probe, t, h), Quality(time, probe, flag, tests)
            self.plain[time, probe] = pair
            pairs.append(pair)
        self.store.commit(Batch(readings=tuple(pairs)))

    def compact(self) -> int:
        """Archive all that may be."""
        newest = max(time for time, _ in self.plain)
        self.store.commit(Batch(snapshot=Snapshot(newest, 0, b"state")))

        return self.store.compact(newest)

    def history(self) -> History:
        """Open the history."""
        return History.open(self.folder)


def reading(time: int, probe: str, t: int | None, h: int | None) -> Reading:
    """Return a reading of raw words, a failed one when they are None."""
    if t is None or h is None:
        return Reading(time, probe, None, None, failure="crc")
    return Reading(time, probe, *SHT3X.decode(t, h), t, h)


def raw_all(history: History, start: int, end: int) -> dict[str, list[Stored]]:
    """Return every reading in [start, end) by probe, oldest first, as the store reads them of all probes at once."""
    found: dict[str, list[Stored]] = defaultdict(list)
    with history._read() as connection:
        assert isinstance(connection, Connection)
        connection.set_progress_handler(None, 0)  # however busy the machine is
        decoder = Decoder(connection, start, end)
        for row in all_rows(connection, start, end):
            one = Stored(*decoder.decode(*row))
            found[one.reading.probe].append(one)
    return found


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Shelf]:
    """A fresh store."""
    made = Shelf(tmp_path)
    yield made
    made.store.close()
