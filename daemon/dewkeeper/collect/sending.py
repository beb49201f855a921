"""One pass: everything the server lacks, in batches, each a transaction with the cursor it moves.

Items, events with their alarms, readings, in the order of the store; then what of the past was changed. A batch that was
cut off was not stored, or it was and the cursor says so: nothing is lost, and every row has a key, so nothing is doubled.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from typing import Any, Final

import psycopg
from psycopg.copy import LibpqWriter

from dewkeeper.collect.connection import ServerLink
from dewkeeper.collect.copy_rows import COPY, HEAD, INCOMING, TAIL, packed
from dewkeeper.collect.layout import LINE, NOTE, layout_text, tell
from dewkeeper.collect.place import Cursor, move, moved
from dewkeeper.store.onward import Onward, Record
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import Scale, scale_of

DAY: Final = 86400
FOREVER: Final = 1 << 40
_MOST = 500
_ESCAPE = re.compile(r"\\(?:(u0000)|u[dD][89abAB]..\\u[dD][c-fC-F]..|(u[dD][89a-fA-F]..)|.)")
"""Any escape of JSON; in a group what PostgreSQL refuses: the character NUL, and half of a surrogate pair."""
_NEW = (
    "INSERT INTO reading (site, probe, time, t, h, flag, why) SELECT %s, probe, time, t, h, flag, why "
    "FROM pg_temp.incoming WHERE time > to_timestamp(%s)"
)
"""Of what cannot be there yet: looking for each key first costs the server more than storing it."""
_BEYOND = (
    "SELECT EXISTS (SELECT 1 FROM probe p WHERE p.site = %s AND EXISTS (SELECT 1 FROM reading r "
    "WHERE r.site = p.site AND r.probe = p.number AND r.time > to_timestamp(%s) AND r.time <= to_timestamp(%s)))"
)
_TAKE_IN = (
    "INSERT INTO reading AS r (site, probe, time, t, h, flag, why) SELECT %s, probe, time, t, h, flag, why "
    "FROM pg_temp.incoming WHERE time <= to_timestamp(%s) ON CONFLICT (site, probe, time) DO UPDATE SET t = excluded.t, h = excluded.h, "
    "flag = excluded.flag, why = excluded.why, gone = NULL WHERE (r.t, r.h, r.flag, r.why, r.gone) "
    "IS DISTINCT FROM (excluded.t, excluded.h, excluded.flag, excluded.why, NULL)"
)
_RECORDS = {
    table: f"INSERT INTO {table} AS r (site, id, seq, time, what, data) "  # noqa: S608  our own names
    "SELECT %s, id, seq, to_timestamp(time), what, data::jsonb FROM "
    "unnest(%s::text[], %s::bigint[], %s::bigint[], %s::text[], %s::text[]) AS given (id, seq, time, what, data) "
    "ON CONFLICT (site, id) DO UPDATE SET seq = excluded.seq, time = excluded.time, what = excluded.what, "
    "data = excluded.data, gone = NULL WHERE (r.time, r.what, r.data, r.gone) "
    "IS DISTINCT FROM (excluded.time, excluded.what, excluded.data, NULL)"
    for table in ("item", "event", "alarm")
}


@dataclass(slots=True)
class Sent:
    """What a pass sent."""

    readings: int = 0
    records: int = 0
    compared_days: int = 0


class Pass:
    """place: the site's cursor, which this pass moves. stopped: asked between two batches."""

    def __init__(
        self, link: ServerLink, onward: Onward, place: Cursor, stopped: Callable[[], bool] = lambda: False
    ) -> None:
        self.link = link
        self.onward = onward
        self.place = place
        self.stopped = stopped
        self.sent = Sent()
        self.probes: dict[str, int] = {}
        self._scales: dict[str, str] = {}

    def send(self) -> None:
        """Send what is new. Raises CollectError, StoreUnusable; what was sent before stays sent."""
        self._note_altered()
        self._name_probes()
        self._records()
        self._readings()

    @contextmanager
    def batch(self, to: Mapping[str, Any]) -> Iterator[psycopg.Cursor[Any]]:
        """One transaction that at its end moves the cursor too, to where `to` then says."""
        with self.link.batch() as cursor:
            yield cursor
            move(cursor, self.place, to)
        moved(self.place, to)

    def take_in(
        self, cursor: psycopg.Cursor[Any], parts: Iterable[tuple[str, int, int]], known_until: int = FOREVER
    ) -> tuple[int, tuple[int, str, int | None, int | None] | None]:
        """Copy the readings of these (probe, start, end) and store them under their keys.

        known_until: UTC seconds after which the server holds none of these keys. Returns how many they were, and time, probe and words of the newest.
        """
        cursor.execute(INCOMING)
        sent = 0
        last: tuple[int, str, int | None, int | None] | None = None
        unkept = LibpqWriter(cursor, flush_threshold=0)  # else libpq keeps what a slow line does not take yet
        with cursor.copy(COPY, writer=unkept) as copy:
            copy.write(HEAD)
            for probe, start, end in parts:
                rows = self.onward.rows(probe, start, end)
                sent += len(rows)
                if rows and (last is None or rows[-1][0] > last[0]):
                    time, t, h, _, _ = rows[-1]
                    last = (time, probe, t, h)
                copy.write(b"".join(packed(self.probes[probe], rows)))
            copy.write(TAIL)
        if known_until < FOREVER:
            cursor.execute(_NEW, (self.place.number, known_until))
        cursor.execute(_TAKE_IN, (self.place.number, known_until))
        return sent, last

    def put(self, cursor: psycopg.Cursor[Any], table: str, records: Sequence[Record]) -> None:
        """Store records under their identities; of two that say the same, one."""
        # ON CONFLICT touches no row twice in one statement.
        once = list({record.identity: record for record in records}.values())
        columns = [[getattr(one, name) for one in once] for name in ("identity", "seq", "time", "kind")]
        cursor.execute(_RECORDS[table], (self.place.number, *columns, [text_there(one.data) for one in once]))

    def make_room(self, start: int, end: int) -> None:
        """Have the partitions of [start, end] seconds made, in a transaction of their own: it locks more than rows."""
        with self.link.batch() as cursor:
            cursor.execute("SELECT make_room(to_timestamp(%s), to_timestamp(%s))", (start, end))

    def _note_altered(self) -> None:
        """Put what of the past was changed, or all of it when the store is another than before, among what is to be resent."""
        altered = self.onward.altered()
        newest = altered[-1].number if altered else 0
        spans = [(one.start, one.end, one.moved) for one in altered if one.number > self.place.altered_until]
        if newest < self.place.altered_until or not self._as_marked([span for span in spans if span[2]]):
            # An older copy was brought back, or it is another store: nobody knows what changed, so all is compared.
            spans = [(0, FOREVER, False)]
            # The marks are made anew by what is sent from now on, from the store as it is.
            reach = self.onward.reach()
            back = {"mark": "", "items_from": 0, "items_until": 0, "events_until": 0}
            if self.place.readings_until is not None:
                back["readings_until"] = min(self.place.readings_until, reach[1] if reach else 0)
        elif spans:
            back = {}
        else:
            return
        with self.batch({"altered_until": newest, **back}) as cursor:
            for start, end, was_moved in spans:
                cursor.execute(
                    "INSERT INTO resend (site, start, stop, moved) VALUES (%s, to_timestamp(%s), to_timestamp(%s), %s)",
                    (self.place.number, start, end, was_moved),
                )

    def _as_marked(self, dated: Sequence[tuple[int, int, bool]]) -> bool:
        """Return whether the store holds what was sent last: an older copy of it, or another, does not.

        What lies in a span that was dated anew says nothing: it stands elsewhere now.
        """

        def says(time: int) -> bool:
            return not any(start <= time < end for start, end, _ in dated)

        mark = self.place.marked()
        if "reading" in mark and says(mark["reading"][0]):
            time, probe, t, h = mark["reading"]
            if [row[1:3] for row in self.onward.rows(probe, time, time + 1)] != [(t, h)]:
                return False
        for kind in ("item", "event"):
            if kind in mark and says(mark[kind][2]):
                seq, identity, _ = mark[kind]
                after = seq - 1
                found = (
                    self.onward.items_beyond(-FOREVER, after, 1)
                    if kind == "item"
                    else self.onward.events_beyond(after, 1)
                )
                if [(one.seq, one.identity) for one in found] != [(seq, identity)]:
                    return False
        return True

    def learn_probes(self) -> None:
        """Ask the server which probes it knows, and by which numbers."""
        with self.link.batch() as cursor:
            rows = cursor.execute(
                "SELECT name, number, scale FROM probe WHERE site = %s", (self.place.number,)
            ).fetchall()
        self.probes = {name: number for name, number, _ in rows}
        self._scales = {name: scale for name, _, scale in rows}

    def _name_probes(self) -> None:
        """Bring the table of probes up to date: names, scales."""
        scales = self.onward.scales()
        self.learn_probes()
        with self.batch({}) as cursor:
            # No number is given twice: readings lie under it for good.
            free = count(max(self.probes.values(), default=0) + 1)
            for name, scale in scales.items():
                if self._scales.get(name) == scale:
                    continue
                self.probes.setdefault(name, next(free))
                cursor.execute(
                    "INSERT INTO probe (site, number, name, scale, temperature_offset_c, temperature_span_c, "
                    "humidity_offset_percent, humidity_span_percent) VALUES (%s, %s, %s, %s, %s, %s, %s, %s) "
                    "ON CONFLICT (site, name) DO UPDATE SET scale = excluded.scale, "
                    "temperature_offset_c = excluded.temperature_offset_c, temperature_span_c = excluded.temperature_span_c, "
                    "humidity_offset_percent = excluded.humidity_offset_percent, "
                    "humidity_span_percent = excluded.humidity_span_percent",
                    (self.place.number, self.probes[name], name, scale, *_numbers(scale)),
                )

    def _records(self) -> None:
        while not self.stopped():
            items = self.onward.items_beyond(self.place.items_from, self.place.items_until, _MOST)
            if not items:
                break
            to: dict[str, Any] = {
                "items_from": min([self.place.items_from, *(one.seq for one in items)]),
                "items_until": max([self.place.items_until, *(one.seq for one in items)]),
            }
            newest = items[-1]
            if newest.seq == to["items_until"]:
                to["mark"] = self._mark("item", [newest.seq, newest.identity, newest.time])
            with self.batch(to) as cursor:
                self.put(cursor, "item", items)
            self.sent.records += len(items)
        while not self.stopped():
            events = self.onward.events_beyond(self.place.events_until, _MOST)
            if not events:
                break
            newest = events[-1]
            names = sorted({str(json.loads(one.data).get("alarm")) for one in events})
            mark = self._mark("event", [newest.seq, newest.identity, newest.time])
            with self.batch({"events_until": newest.seq, "mark": mark}) as cursor:
                self.put(cursor, "event", events)
                self.put(cursor, "alarm", self.onward.alarms_of(names))
            self.sent.records += len(events)

    def _readings(self) -> None:
        while not self.stopped():
            reach = self.onward.reach()
            if reach is None:
                break
            if self.onward.scales().keys() - self.probes.keys():  # one that was stored since
                self._name_probes()
            # From the last second sent on: a second's readings may come in two commits, and a key is never doubled.
            start = self.onward.next_from(self.place.readings_until or 0)
            if start is None:
                break
            end = min(((start + 1) // DAY + 1) * DAY - 1, reach[1])  # always further than it was
            self.make_room(start, end)
            to: dict[str, Any] = {"readings_until": end}
            if self.place.readings_since is None:
                to["readings_since"] = start
            with self.batch(to) as cursor:
                known = self.place.readings_until or 0
                beyond = cursor.execute(_BEYOND, (self.place.number, known, end)).fetchone()
                parts = [(probe, start, end + 1) for probe in self.probes]
                # After an older copy was brought back the server holds what is sent once more.
                sent, last = self.take_in(cursor, parts, FOREVER if beyond is None or beyond[0] else known)
                if last is not None:
                    to["mark"] = self._mark("reading", last)
            self.sent.readings += sent
            if end >= reach[1]:
                break

    def _mark(self, kind: str, what: Sequence[Any]) -> str:
        return json.dumps({**self.place.marked(), kind: list(what)}, separators=(",", ":"))


def text_there(data: str) -> str:
    """Return JSON text as the server can hold it: with U+FFFD for each character that its jsonb does not know.

    Escapes are read one after the other: in `\\\\u0000` the second backslash is the escaped one, and the rest is plain text.
    """
    return _ESCAPE.sub(lambda found: "\\ufffd" if found.lastindex else found[0], data)


def describe(
    link: ServerLink,
    place: Cursor,
    config: Config,
    program: str,
    notes: Mapping[str, str] | None = None,
    said: Mapping[str, Any] | None = None,
) -> None:
    """Say on the server what a person wants to know of the site: its hours, its version, where its probes are now, its notes.

    said: its morning in a few lines, as of now; None for none. It counts as sent at that moment, by the server's clock.
    """
    site = config.site
    rooms = {
        enclosure.name: rack.room
        for rack in config.rack
        for enclosure in config.enclosure
        if enclosure.rack == rack.name
    }
    with link.batch() as cursor:
        # Only of a zone it does not have yet is it asked whether the server knows it: it reads a file of each zone for that.
        cursor.execute(
            "UPDATE site SET timezone = %s WHERE number = %s AND CASE WHEN timezone <> %s "
            "THEN EXISTS (SELECT 1 FROM pg_timezone_names WHERE name = %s) ELSE false END",
            (site.timezone, place.number, site.timezone, site.timezone),
        )
        cursor.execute(
            "UPDATE site SET night_start = %s, night_end = %s, program = %s WHERE number = %s "
            "AND (night_start, night_end, program) IS DISTINCT FROM (%s, %s, %s)",
            (site.night_start, site.night_end, program, place.number, site.night_start, site.night_end, program),
        )
        each = [(p.name, p.enclosure, p.role, p.room or rooms.get(p.enclosure or "")) for p in config.probe]
        cursor.execute(
            "UPDATE probe SET enclosure = now.enclosure, role = now.role, room = now.room "
            "FROM unnest(%s::text[], %s::text[], %s::text[], %s::text[]) AS now (name, enclosure, role, room) "
            "WHERE site = %s AND probe.name = now.name "
            "AND (probe.enclosure, probe.role, probe.room) IS DISTINCT FROM (now.enclosure, now.role, now.room)",
            (*([one[column] for one in each] for column in range(4)), place.number),
        )
        told = {**(notes or {}), NOTE: layout_text(config)}
        if said is not None:
            move(cursor, place, {})
            row = cursor.execute(
                "SELECT extract(epoch FROM sent_at)::float8 FROM site WHERE number = %s", (place.number,)
            ).fetchone()
            if row is not None:
                told[LINE] = json.dumps({"told": row[0], "said": said}, separators=(",", ":"))
        tell(cursor, place.number, told)


def _numbers(text: str) -> Sequence[float | None]:
    try:
        scale: Scale = scale_of(text)
    except ValueError:  # a newer version's: its words are kept, and have no values
        return (None, None, None, None)
    return (
        scale.temperature_offset_c, scale.temperature_span_c, scale.humidity_offset_percent, scale.humidity_span_percent
    )  # fmt: skip
