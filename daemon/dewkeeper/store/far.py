"""Readings of a time that cannot be: set aside where the file already holds some; new ones are refused at the door.

One of them, and every poll that comes is older than what is stored: it is taken for late, and measured anew for a century.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.store import asked, damage
from dewkeeper.store.archive import archive_block
from dewkeeper.store.coverage import uncover
from dewkeeper.store.database import BLOCK_SECONDS, FOREVER, PROBE_BITS, Connection
from dewkeeper.store.rows import last_key

FAR_BLOCK: Final = 4_102_444_800 // BLOCK_SECONDS + 1
"""The archive's block in which the year 2100 has begun. No clock is asked, for that may be the one that is wrong."""


def set_aside(connection: Connection) -> None:
    """Move such readings to where blocks lie that cannot be read, and are named; the quarter hours go on from before them.

    In the writer's transaction; looks up two ends where there are none.
    """
    while (newest := last_key(connection) or 0) >= FAR_BLOCK * BLOCK_SECONDS << PROBE_BITS:
        archive_block(connection, (newest >> PROBE_BITS) // BLOCK_SECONDS)
    far = [key for (key,) in connection.rows(asked.CHUNK_KEYS, first=FAR_BLOCK << PROBE_BITS, end=FOREVER)]
    if not far:
        return
    damage.set_aside(connection, far)
    _, block = connection.row(asked.CHUNK_ENDS)
    archived = 0 if block is None else ((block >> PROBE_BITS) + 1) * BLOCK_SECONDS
    uncover(connection, max(newest >> PROBE_BITS, archived))
    for place in asked.NEAR_PLACES.values():
        connection.execute(place, {"near": newest, "first": FAR_BLOCK * BLOCK_SECONDS << PROBE_BITS})
