"""Dating what was stamped on a clock that was not believed, once the true time is known. In the caller's transaction.

How long ago each of it was is known exactly, by the monotonic clock; so everything moves by the same step.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection

from dewkeeper.judge.types import JournalEntry, Rebase
from dewkeeper.store import altered, codec
from dewkeeper.store.coverage import uncover
from dewkeeper.store.database import FOREVER, PROBE_BITS
from dewkeeper.store.rows import shift as shift_rows

_KEYED = ("verdict", "late")


def date_anew(connection: Connection, rebase: Rebase) -> tuple[Rebase, int]:
    """Move everything stamped since `dates_since` by the step; return the step as it belongs into the stream, and where.

    It belongs before what it dates: so the stored stream is one whose readings came with their true times. Its place is
    given as a key that everything dated comes after.
    """
    since, step = rebase.dates_since or 0, rebase.step_seconds
    first, shift = since << PROBE_BITS, step << PROBE_BITS
    uncover(connection, min(since, since + step))
    altered.note(connection, min(since, since + step), FOREVER, moved=True)
    shift_rows(connection, first, shift)
    for table in _KEYED:
        # By way of negative keys: a key may be taken until its holder has moved too.
        connection.exec_driver_sql(
            f"UPDATE {table} SET key = -(key + ?) WHERE key >= ?",  # noqa: S608
            (shift, first),
        )
        for (key,) in connection.exec_driver_sql(
            f"SELECT -key FROM {table} WHERE key < 0 ORDER BY key DESC"  # noqa: S608
        ).all():
            free = key
            while connection.exec_driver_sql(f"SELECT 1 FROM {table} WHERE key = ?", (free,)).scalar():  # noqa: S608
                free += 1 << PROBE_BITS
            connection.exec_driver_sql(f"UPDATE {table} SET key = ? WHERE key = ?", (free, -key))  # noqa: S608
    connection.exec_driver_sql("UPDATE verdict SET stop = stop + ? WHERE stop >= ?", (step, since))
    place = min(first, first + shift) - 1
    for table in ("late", "item", "snapshot"):
        connection.exec_driver_sql(f"UPDATE {table} SET after_key = after_key + ? WHERE after_key >= ?", (shift, first))  # noqa: S608
    rows = connection.exec_driver_sql(
        "SELECT probe_id, start, stop, flag, tests FROM exclusion WHERE start >= ?", (since,)
    ).all()
    connection.exec_driver_sql("DELETE FROM exclusion WHERE start >= ?", (since,))
    for number, start, stop, flag, tests in rows:
        connection.exec_driver_sql(
            "INSERT OR REPLACE INTO exclusion VALUES (?, ?, ?, ?, ?)", (number, start + step, stop + step, flag, tests)
        )
    _items(connection, since, step, place)
    _events(connection, since, step)
    return replace(rebase, time=since + step, dates_since=None), place - 1


def _items(connection: Connection, since: int, step: int, place: int) -> None:
    """Move what came since; what came before the first reading goes behind the step, which is put before `place`."""
    rows = connection.exec_driver_sql(
        "SELECT seq, kind, data FROM item WHERE seq > 0 AND seq >= "
        "(SELECT min(seq) FROM item WHERE time >= ? AND seq > 0) ORDER BY seq",
        (since,),
    ).all()
    for seq, kind, data in rows:
        item: Any = next(codec.readable(codec.unpack_item, [(kind, data)]), None)
        if item is None:
            continue
        if seq == rows[0].seq and isinstance(item, Rebase) and item.step_seconds:
            continue  # the leap itself, now taken back right after it
        names = ("time", "entered", "until") if isinstance(item, JournalEntry) else ("time",)
        moved = {name: getattr(item, name) + step for name in names if (getattr(item, name) or 0) >= since}
        item = replace(item, **moved)
        connection.exec_driver_sql(
            "UPDATE item SET time = ?, data = ?, after_key = max(after_key, ?) WHERE seq = ?",
            (item.time, codec.pack_item(item), place, seq),
        )


def _events(connection: Connection, since: int, step: int) -> None:
    for seq, data in connection.exec_driver_sql("SELECT seq, data FROM event WHERE time >= ?", (since,)).all():
        event = next(codec.readable(codec.unpack_event, [(data,)]), None)
        if event is None:
            continue
        began = event.since + step if event.since >= since else event.since
        event = replace(event, time=event.time + step, since=began)
        connection.exec_driver_sql(
            "UPDATE event SET time = ?, data = ? WHERE seq = ?", (event.time, codec.pack(event), seq)
        )
    for name, data in connection.exec_driver_sql("SELECT alarm, data FROM alarm WHERE raised >= ?", (since,)).all():
        alarm = next(codec.readable(codec.unpack_alarm, [(data,)]), None)
        if alarm is None:
            continue
        began = alarm.since + step if alarm.since >= since else alarm.since
        asked = alarm.asked + step if alarm.asked >= since else alarm.asked
        alarm = replace(alarm, raised=alarm.raised + step, asked=asked, since=began)
        connection.exec_driver_sql(
            "UPDATE alarm SET raised = ?, data = ? WHERE alarm = ?", (alarm.raised, codec.pack(alarm), name)
        )
