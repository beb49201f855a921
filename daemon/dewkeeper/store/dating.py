"""Dating what was stamped on a clock that was not believed, once the true time is known. In the caller's transaction.

How long ago each of it was is known exactly, by the monotonic clock; so everything moves by the same step.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dewkeeper.judge.types import JournalEntry, Rebase
from dewkeeper.store import altered, asked, codec
from dewkeeper.store.coverage import uncover
from dewkeeper.store.database import FOREVER, PROBE_BITS, Connection
from dewkeeper.store.quality import write_exclusion
from dewkeeper.store.rows import shift as shift_rows


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
    for table, lift in asked.LIFT.items():
        connection.execute(lift, {"shift": shift, "first": first})
        for (key,) in connection.rows(asked.LIFTED[table]):
            free = key
            while connection.row(asked.TAKEN[table], key=free):
                free += 1 << PROBE_BITS
            connection.execute(asked.LAND[table], {"free": free, "lifted": -key})
    connection.execute(asked.MOVE_ENDS, {"step": step, "since": since})
    place = min(first, first + shift) - 1
    for move in asked.MOVE_PLACES.values():
        connection.execute(move, {"shift": shift, "first": first})
    excluded = connection.rows(asked.EXCLUSIONS_FROM, since=since)
    connection.execute(asked.DELETE_EXCLUSIONS_FROM, {"since": since})
    for number, start, stop, flag, tests in excluded:
        write_exclusion(connection, number, start + step, stop + step, flag, tests)
    _items(connection, since, step, place)
    _events(connection, since, step)
    return replace(rebase, time=since + step, dates_since=None), place - 1


def _items(connection: Connection, since: int, step: int, place: int) -> None:
    """Move what came since; what came before the first reading goes behind the step, which is put before `place`."""
    rows = connection.rows(asked.ITEMS_FROM, since=since)
    for seq, kind, data in rows:
        item: Any = next(codec.readable(codec.unpack_item, [(kind, data)]), None)
        if item is None:
            continue
        if seq == rows[0][0] and isinstance(item, Rebase) and item.step_seconds:
            continue  # the leap itself, now taken back right after it
        # Only times after the clock was last believed were reckoned on the wrong one; an entry about last week stays.
        names = ("time", "entered", "until") if isinstance(item, JournalEntry) else ("time",)
        moved = {name: getattr(item, name) + step for name in names if (getattr(item, name) or 0) >= since}
        item = replace(item, **moved)
        dated = {"at": item.time, "text": codec.pack_item(item), "place": place, "seq": seq}
        connection.execute(asked.DATE_ITEM, dated)


def _events(connection: Connection, since: int, step: int) -> None:
    for seq, data in connection.rows(asked.EVENTS_FROM, since=since):
        event = next(codec.readable(codec.unpack_event, [(data,)]), None)
        if event is None:
            continue
        began = event.since + step if event.since >= since else event.since
        event = replace(event, time=event.time + step, since=began)
        connection.execute(asked.DATE_EVENT, {"at": event.time, "text": codec.pack(event), "seq": seq})
    for name, data in connection.rows(asked.ALARMS_FROM, since=since):
        alarm = next(codec.readable(codec.unpack_alarm, [(data,)]), None)
        if alarm is None:
            continue
        began = alarm.since + step if alarm.since >= since else alarm.since
        told = alarm.asked + step if alarm.asked >= since else alarm.asked
        alarm = replace(alarm, raised=alarm.raised + step, asked=told, since=began)
        connection.execute(asked.DATE_ALARM, {"at": alarm.raised, "text": codec.pack(alarm), "name": name})
