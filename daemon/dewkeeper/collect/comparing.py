"""Both sides beside each other, a day at a time: what differs is sent again, or only named.

Readings are compared by a digest of each probe's day, made there and here of the rows themselves; items, events and alarms
by what they say. What the server has and the site has not any more is kept there and marked: as moved where the site
dated it anew, else as lost.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import psycopg

from dewkeeper.collect.copy_rows import SPELLED_THERE, spelled_here
from dewkeeper.collect.sending import DAY, FOREVER, Pass, text_there
from dewkeeper.store.onward import Record

TABLES: Final = ("item", "event", "alarm")
_SOME_THERE = (
    "SELECT extract(epoch FROM min(time))::bigint FROM {} WHERE site = %(site)s AND time >= to_timestamp(%(at)s)"
)
_NEXT_THERE = " UNION ALL ".join(
    (
        f"SELECT ({_SOME_THERE.format('reading')} AND probe = p.number) FROM probe p WHERE p.site = %(site)s",  # noqa: S608  our own names
        *(_SOME_THERE.format(table) for table in TABLES),
    )
)
_GONE = (
    "UPDATE reading r SET gone = %s WHERE site = %s AND probe = %s AND time >= to_timestamp(%s) AND time < to_timestamp(%s) "
    "AND gone IS NULL AND NOT EXISTS (SELECT 1 FROM pg_temp.incoming i WHERE i.probe = r.probe AND i.time = r.time)"
)


@dataclass(frozen=True, slots=True)
class Unlike:
    """What both sides do not hold alike within [start, end) seconds. here, there: how many; name: of a probe or a record."""

    table: str
    name: str
    start: int
    end: int
    here: int
    there: int


class Comparing:
    """Compares what a pass could send, after it has named the probes or without it."""

    def __init__(self, sending: Pass) -> None:
        self._sending = sending
        self._onward = sending.onward
        self._site = sending.place.number

    def work_off(self) -> None:
        """Bring every span in line that is to be resent, a day a transaction, so that it goes on where it was cut off."""
        while not self._sending.stopped():
            with self._sending.link.batch() as cursor:
                first = cursor.execute(
                    "SELECT number, extract(epoch FROM start)::bigint, extract(epoch FROM stop)::bigint, moved "
                    "FROM resend WHERE site = %s ORDER BY number LIMIT 1",
                    (self._site,),
                ).fetchone()
            if first is None:
                return
            number, start, stop, was_moved = first
            window = self._next(start, stop)
            if window is not None:
                self._sending.make_room(window[0], min(window[1], stop) - 1)
            with self._sending.batch({}) as cursor:
                if window is not None:
                    self._mend(cursor, *window, was_moved)
                    cursor.execute("UPDATE resend SET start = to_timestamp(%s) WHERE site = %s AND number = %s", (window[1], self._site, number))  # fmt: skip
                else:
                    cursor.execute("DELETE FROM resend WHERE site = %s AND number = %s", (self._site, number))
            self._sending.sent.compared_days += window is not None

    def look_at_a_day(self) -> None:
        """Put the next day of all that was sent among what is to be compared: round and round, a day at a time."""
        place = self._sending.place
        window = self._next(place.compared_until or 0, place.readings_until or 0) or self._next(
            0, place.readings_until or 0
        )
        if window is None:
            return
        with self._sending.batch({"compared_until": window[1]}) as cursor:
            cursor.execute(
                "INSERT INTO resend (site, start, stop, moved) VALUES (%s, to_timestamp(%s), to_timestamp(%s), false)",
                (self._site, *window),
            )

    def differences(self) -> Iterator[Unlike]:
        """Yield what both sides do not hold alike, of everything, and change nothing."""
        at = 0
        self._sending.learn_probes()
        while (window := self._next(at, FOREVER)) is not None:
            with self._sending.link.batch() as cursor:
                yield from self._readings_unlike(cursor, *window)
                for table in TABLES:
                    yield from self._records_unlike(cursor, table, *window)
            at = window[1]

    def _next(self, start: int, stop: int) -> tuple[int, int] | None:
        """Return the first day, or part of one, of [start, stop) of which either side has anything."""
        with self._sending.link.batch() as cursor:
            there = cursor.execute(_NEXT_THERE, {"site": self._site, "at": start}).fetchall()
        begins = [self._onward.next_from(start), self._onward.next_record_from(start)]
        begins += [second for (second,) in there]
        begin = min((second for second in begins if second is not None), default=stop)
        return None if begin >= stop else (begin, min((begin // DAY + 1) * DAY, stop))

    def _mend(self, cursor: psycopg.Cursor[Any], start: int, end: int, was_moved: bool) -> None:
        gone = "moved" if was_moved else "lost"
        unlike = [one.name for one in self._readings_unlike(cursor, start, end)]
        if unlike:
            sent, _ = self._sending.take_in(cursor, [(probe, start, end) for probe in unlike])
            self._sending.sent.readings += sent
            for probe in unlike:
                cursor.execute(_GONE, (gone, self._site, self._sending.probes[probe], start, end))
        for table in TABLES:
            here = {record.identity: record for record in self._records_here(table, start, end)}
            names = [one.name for one in self._records_unlike(cursor, table, start, end)]
            self._sending.put(cursor, table, [here[name] for name in names if name in here])
            cursor.execute(
                f"UPDATE {table} SET gone = %s WHERE site = %s AND id = ANY(%s) AND gone IS NULL",  # noqa: S608
                (gone, self._site, [name for name in names if name not in here]),
            )

    def _readings_unlike(self, cursor: psycopg.Cursor[Any], start: int, end: int) -> list[Unlike]:
        cursor.execute(
            f"SELECT probe, {SPELLED_THERE} FROM reading WHERE site = %s AND time >= to_timestamp(%s) "  # noqa: S608
            "AND time < to_timestamp(%s) AND gone IS NULL GROUP BY probe",
            (self._site, start, end),
        )
        there = {probe: (count, digest) for probe, count, digest in cursor.fetchall()}
        found = []
        for name in self._sending.probes.keys() | self._onward.scales().keys():
            rows = self._onward.rows(name, start, end)
            # Numbers begin at 1: 0 is of none.
            known = there.get(self._sending.probes.get(name, 0), (0, ""))
            # Where neither has any, one side has the digest of nothing and the other none.
            if (len(rows) or known[0]) and spelled_here(rows) != known:
                found.append(Unlike("reading", name, start, end, len(rows), known[0]))
        return found

    def _records_here(self, table: str, start: int, end: int) -> Sequence[Record]:
        ask = {
            "item": self._onward.items_between, "event": self._onward.events_between, "alarm": self._onward.alarms_between
        }  # fmt: skip
        return ask[table](start, end)

    def _records_unlike(self, cursor: psycopg.Cursor[Any], table: str, start: int, end: int) -> list[Unlike]:
        cursor.execute(
            f"SELECT id, what, data FROM {table} WHERE site = %s AND time >= to_timestamp(%s) "  # noqa: S608
            "AND time < to_timestamp(%s) AND gone IS NULL",
            (self._site, start, end),
        )
        there = {name: (what, data) for name, what, data in cursor.fetchall()}
        here = {
            one.identity: (one.kind, json.loads(text_there(one.data))) for one in self._records_here(table, start, end)
        }
        return [
            # A record is there or not: True counts as one.
            Unlike(table, name, start, end, name in here, name in there)
            for name in sorted(here.keys() | there.keys())
            if here.get(name) != there.get(name)
        ]
