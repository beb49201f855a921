"""What a start reads back: the judge's memory, the stream after it, the small named facts."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import suppress

from sqlalchemy import Engine

from dewkeeper.judge.types import Item
from dewkeeper.store.arrival import StreamPlace, arrivals, others, place_of
from dewkeeper.store.records import Snapshot
from dewkeeper.store.rows import first_key


class Kept:
    """The reading half of the store."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def snapshot(self) -> Snapshot | None:
        """Return the newest snapshot of the judge, its `sequence` being the row to give to `stream_after`."""
        with self._engine.begin() as connection:
            rows = connection.exec_driver_sql("SELECT id, time, data FROM snapshot ORDER BY id DESC").all()
        for row in rows:
            with suppress(zlib.error):  # an older one and more of the stream come to the same
                return Snapshot(time=row.time, sequence=row.id, data=zlib.decompress(row.data))
        return None

    def stream_after(self, snapshot: Snapshot | None) -> Iterator[Item]:
        """Yield what was stored after the snapshot, readings and items in arrival order."""
        after_item = 0
        with self._engine.begin() as connection:
            # Archived without a snapshot is what was imported: history, not news.
            after = StreamPlace((first_key(connection) or 1 << 60) - 1)
            if snapshot is not None:
                after_key, after_item = connection.exec_driver_sql(
                    "SELECT after_key, after_item FROM snapshot WHERE id = ?", (snapshot.sequence,)
                ).one()
                after = place_of(connection, after_key)
            wanted = others(connection, after_item)
        yield from arrivals(self._engine.begin, after, wanted)

    def planner_state(self) -> str | None:
        """Return what the planner remembered, None if nothing."""
        return self.notes().get("planner")

    def notes(self) -> dict[str, str]:
        """Return the small named facts."""
        with self._engine.begin() as connection:
            rows = connection.exec_driver_sql("SELECT name, value FROM note").all()
        return {row.name: row.value for row in rows}
