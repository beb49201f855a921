"""What a start reads back: the judge's memory, the stream after it, the small named facts."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import suppress

from dewkeeper.judge.types import Item
from dewkeeper.store import asked
from dewkeeper.store.arrival import StreamPlace, arrivals, others, place_of
from dewkeeper.store.database import FileWriter
from dewkeeper.store.records import Snapshot
from dewkeeper.store.rows import first_key


class Kept:
    """The reading half of the store."""

    def __init__(self, file: FileWriter) -> None:
        self._file = file

    def snapshot(self) -> Snapshot | None:
        """Return the newest snapshot of the judge, its `sequence` being the row to give to `stream_after`."""
        with self._file.transaction() as connection:
            rows = connection.rows(asked.SNAPSHOTS)
        for number, time, data in rows:
            with suppress(zlib.error):  # an older one and more of the stream come to the same
                return Snapshot(time=time, sequence=number, data=zlib.decompress(data))
        return None

    def stream_after(self, snapshot: Snapshot | None) -> Iterator[Item]:
        """Yield what was stored after the snapshot, readings and items in arrival order."""
        after_item = 0
        with self._file.transaction() as connection:
            # Archived without a snapshot is what was imported: history, not news.
            after = StreamPlace((first_key(connection) or 1 << 60) - 1)
            if snapshot is not None:
                after_key, after_item = connection.row(asked.SNAPSHOT_PLACE, id=snapshot.sequence)
                after = place_of(connection, after_key)
            wanted = others(connection, after_item)
        yield from arrivals(self._file.transaction, after, wanted)

    def planner_state(self) -> str | None:
        """Return what the planner remembered, None if nothing."""
        return self.notes().get("planner")

    def notes(self) -> dict[str, str]:
        """Return the small named facts."""
        with self._file.transaction() as connection:
            return dict(connection.rows(asked.NOTES))
