"""What a damaged file still gives."""

from __future__ import annotations

import sqlite3
from contextlib import suppress

from dewkeeper.store.database import PROBE_BITS, PROBE_MASK
from dewkeeper.store.ring import insert
from dewkeeper.store.store import Store

_PART = 5000


def take_over(store: Store, damaged: sqlite3.Connection, before: int) -> int:
    """Take the plain readings a damaged file still gives after the newest of the store's; return how many.

    before: a second after every true one; what claims to be later is garbage. Raises StoreRefused.
    """
    taken = 0
    names = {n: (name, scale) for n, name, scale in damaged.execute("SELECT id, name, scale FROM probe")}
    rows = damaged.execute("SELECT key, t, h FROM reading WHERE key > ? ORDER BY key", (store._max_key,))
    try:
        while part := rows.fetchmany(_PART):
            with store._engine.begin() as connection:
                for theirs, t, h in part:
                    time, probe = theirs >> PROBE_BITS, names.get(theirs & PROBE_MASK)
                    if probe is not None and time < before and all(w is None or 0 <= w <= 65535 for w in (t, h)):
                        key = time << PROBE_BITS | store._probes.number(connection, *probe)
                        insert(connection, [key], [t], [h], "INSERT OR IGNORE")
                        store._last_key = store._max_key = max(store._max_key, key)
                        taken += 1
    except sqlite3.DatabaseError:
        pass  # as far as it can be read
    with suppress(sqlite3.DatabaseError), store._engine.begin() as connection:
        for key, *span in damaged.execute("SELECT key, stop, flag, tests FROM verdict"):
            if key & PROBE_MASK in names and names[key & PROBE_MASK][0] in store._probes.ids:
                number = store._probes.ids[names[key & PROBE_MASK][0]]
                connection.exec_driver_sql(
                    "INSERT OR IGNORE INTO verdict VALUES (?, ?, ?, ?)", (key >> PROBE_BITS << PROBE_BITS | number, *span)
                )
    return taken
