"""Asking the server what a site's own store is asked: the same questions, over that site's rows.

`History` asks as it asks its file. Each table of the store that a question names stands before the question as what the
server has of it; quarter hours are made of the readings for the question, by the limits it is given.
"""

from __future__ import annotations

import json
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final, NamedTuple

import psycopg
from psycopg import IsolationLevel
from psycopg.types.numeric import IntLoader

from dewkeeper.collect.connection import ServerLink
from dewkeeper.collect.errors import CollectError
from dewkeeper.judge.stages import STAGE_WORDS
from dewkeeper.judge.types import SUSPECT, SUSPECT_WHOLE
from dewkeeper.store import asked, asked_postgresql
from dewkeeper.store.database import LONGEST_READ_SECONDS, PROBE_BITS, Asking
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.history import History
from dewkeeper.store.in_force import SERVICE_VERBS
from dewkeeper.store.quarters import LONGEST_HOLD_SECONDS, QUARTER_SECONDS, Standards
from dewkeeper.store.reading import calibrations
from dewkeeper.store.records import CAME_LAST
from dewkeeper_drivers.contract import scale_of

_QUICKLY: Final = "-c jit=off -c work_mem=32MB"
"""A night's readings are sorted in memory, and nothing is compiled for a question that takes less than the compiling."""
LATEST: Final = 253_402_300_799
"""The last second of the year 9999: what is asked for ever is asked until then."""
_NOTHING: Final = ("EXCLUSIONS", "LATE", "CHUNKS", "CHUNK_KEYS", "CHUNK_KEYS_OF", "BLOCKS")
"""What the server has nothing of: every reading lies there plain, with its verdict, in order of time."""


def _quoted(words: object) -> str:
    return ", ".join(f"'{word}'" for word in sorted(words))  # type: ignore[call-overload]  # our own words, of letters and _


_AT = "date_part('epoch', r.time)::bigint"  # extract's is numeric, and three times as slow
_HELD = "r.site = %(site)s AND r.gone IS NULL"
_RECORD = "FROM dewkeeper.{} r WHERE r.site = %(site)s AND r.gone IS NULL"
_TABLES: Final[Mapping[str, str]] = {
    "probe": "SELECT p.number::bigint AS id, p.name, p.scale FROM dewkeeper.probe p WHERE p.site = %(site)s",
    "item": f"SELECT r.seq, {_AT} AS time, r.what AS kind, "
    "CASE r.what WHEN 'JournalEntry' THEN r.data ->> 'what' WHEN 'Command' THEN r.data ->> 'verb' END AS word, "
    "r.data ->> 'enclosure' AS enclosure, r.data::text AS data, "
    "(CASE r.what WHEN 'Settings' THEN true "
    f"WHEN 'JournalEntry' THEN r.data ->> 'what' IN ({_quoted(STAGE_WORDS)}) OR r.data ->> 'replaces' IS NOT NULL "
    "WHEN 'Rebase' THEN r.data ->> 'dates_since' IS NOT NULL "
    f"WHEN 'Command' THEN r.data ->> 'verb' IN ({_quoted(SERVICE_VERBS)}) ELSE false END)::int AS lasts "
    + _RECORD.format("item"),
    "event": f"SELECT r.seq, {_AT} AS time, r.data ->> 'enclosure' AS enclosure, r.data::text AS data "
    + _RECORD.format("event"),
    "alarm": f"SELECT r.what AS state, {_AT} AS raised, r.data::text AS data " + _RECORD.format("alarm"),
    "note": "SELECT n.name, n.value FROM dewkeeper.note n WHERE n.site = %(site)s",
    "covered": f"SELECT 0::bigint AS rolled, coalesce(max(newest.at) / {QUARTER_SECONDS}, 0)::bigint AS until FROM (SELECT "  # noqa: S608  our own names
    f"(SELECT {_AT} FROM dewkeeper.reading r WHERE {_HELD} AND r.probe = p.number ORDER BY r.time DESC LIMIT 1) AS at "
    "FROM dewkeeper.probe p WHERE p.site = %(site)s) newest",
    "reading": f"SELECT {_AT} << {PROBE_BITS} | r.probe AS key, r.t::bigint AS t, r.h::bigint AS h "  # noqa: S608
    f"FROM dewkeeper.reading r WHERE {_HELD}",
    "verdict": f"SELECT {_AT} << {PROBE_BITS} | r.probe AS key, {_AT} AS stop, r.flag::bigint AS flag, "  # noqa: S608
    f"coalesce(r.why, '') AS tests FROM dewkeeper.reading r WHERE {_HELD} AND (r.flag <> 1 OR r.why IS NOT NULL)",
    # Sums of four-byte numbers: those of longer ones are added up in decimals.
    # Where two things stand in one number, the value that is compared stands above the moment: so the least or greatest
    # of them carries along when it was, without a second pass. As `store.quarters` packs them.
    "recent": f"""WITH measure AS MATERIALIZED (SELECT * FROM json_to_recordset(%(windows)s::json) AS w (number int, since bigint, until bigint,
    hold bigint, dry float8, parched float8, damp float8, wet float8, cold float8, hot float8, t_offset float8, t_span float8,
    h_offset float8, h_span float8, t_more float8, gain float8, h_more float8))
SELECT q.quarter << {PROBE_BITS} | p.number AS key, q.* FROM (SELECT DISTINCT number FROM measure) p CROSS JOIN LATERAL (
SELECT m.at / {QUARTER_SECONDS} AS quarter, count(m.h) AS n,
    coalesce(sum(m.held) FILTER (WHERE m.h IS NOT NULL), 0) AS watched,
    min(m.t)::bigint AS t_min, (max(m.t) - min(m.t))::bigint AS t_range, sum(m.t) - count(*) * min(m.t) AS t_over,
    min(m.h)::bigint AS h_min, (max(m.h) - min(m.h))::bigint AS h_range, sum(m.h) - count(m.h) * min(m.h) AS h_over,
    (min((m.h::bigint << 40) | (m.into << 16) | m.t) & 65535) - min(m.t) AS t_driest,
    (min(m.h << 10 | m.into) & 1023) | ((1023 - (max(m.h << 10 | 1023 - m.into) & 1023)) << 10)::bigint AS h_at,
    (min(m.t << 10 | m.into) & 1023) | ((1023 - (max(m.t << 10 | 1023 - m.into) & 1023)) << 10)::bigint AS t_at,
    coalesce(sum(m.held) FILTER (WHERE m.humidity < m.dry), 0)
        | (coalesce(sum(m.held) FILTER (WHERE m.humidity > m.damp), 0) << 12)
        | (coalesce(sum(m.held) FILTER (WHERE m.humidity < m.parched AND m.humidity < m.dry), 0) << 24)
        | (coalesce(sum(m.held) FILTER (WHERE m.humidity > m.wet AND m.humidity > m.damp), 0) << 36) AS humid,
    coalesce(sum(m.held) FILTER (WHERE m.temperature < m.cold), 0)
        | (coalesce(sum(m.held) FILTER (WHERE m.temperature > m.hot AND NOT m.temperature < m.cold), 0) << 12) AS heat,
    coalesce(round(sum(m.held * CASE WHEN m.humidity < m.dry THEN m.dry - m.humidity ELSE m.humidity - m.damp END)
        FILTER (WHERE m.humidity < m.dry OR m.humidity > m.damp)), 0)::bigint AS dose,
    coalesce(sum(m.held) FILTER (WHERE m.h IS NULL), 0) | (count(*) - count(m.h) << 12) AS t_only
FROM (
    SELECT r.at, mod(r.at, {QUARTER_SECONDS})::int AS into, r.t, b.h,
        least(r.following - r.at, w.hold)::int AS held, w.dry, w.parched, w.damp, w.wet, w.cold, w.hot,
        w.t_offset + w.t_span * r.t / 65535 + w.t_more AS temperature,
        CASE WHEN b.h IS NULL THEN NULL WHEN w.gain IS NULL THEN v.humidity
            ELSE least(100, greatest(0, v.humidity * w.gain + w.h_more)) END AS humidity
    FROM measure w CROSS JOIN LATERAL (
        SELECT {_AT} AS at, r.t, r.h, r.flag, r.why, date_part('epoch', lead(r.time) OVER (ORDER BY r.time))::bigint AS following
        FROM dewkeeper.reading r WHERE {_HELD} AND r.probe = p.number::smallint
            AND r.time >= to_timestamp(least(w.since, {LATEST})) AND r.time < to_timestamp(least(w.until + {LONGEST_HOLD_SECONDS}, {LATEST}))
            -- The same of all of it, so that months it does not reach are not even looked at.
            AND r.time >= to_timestamp(%(first)s::bigint * {QUARTER_SECONDS})
            AND r.time < to_timestamp(least(%(last)s::bigint * {QUARTER_SECONDS} + {LONGEST_HOLD_SECONDS}, {LATEST}))
    ) r
    CROSS JOIN LATERAL (SELECT least(100, greatest(0, w.h_offset + w.h_span * r.h / 65535)) AS humidity) v
    -- Of a reading whose humidity alone is doubted the temperature counts.
    CROSS JOIN LATERAL (SELECT CASE WHEN r.flag IN (1, 2) THEN r.h END AS h) b
    WHERE w.number = p.number AND r.at < w.until AND r.t IS NOT NULL AND r.h IS NOT NULL AND (r.flag IN (1, 2)
        OR r.flag = {SUSPECT} AND split_part(r.why, '+', 1) <> ''
        AND NOT string_to_array(split_part(r.why, '+', 1), ',') && ARRAY[{_quoted(SUSPECT_WHOLE)}])
    OFFSET 0 -- Each value is made once a reading: without this, anew for every sum that is made of it.
) m
GROUP BY m.at / {QUARTER_SECONDS}) q""",  # noqa: S608
}
_NEWEST_OF_EACH = (
    f"SELECT {_AT} << {PROBE_BITS} | r.probe AS key, r.t::bigint, r.h::bigint FROM dewkeeper.probe p CROSS JOIN LATERAL ("  # noqa: S608
    f"SELECT r.time, r.probe, r.t, r.h FROM dewkeeper.reading r WHERE {_HELD} AND r.probe = p.number{{}} "
    "ORDER BY r.time DESC LIMIT 1) r WHERE p.site = %(site)s"
)
_BY_HAND: Final = {
    # The greatest of all keys, or of a span, would have every row of it read.
    "LAST_KEY": f"SELECT max(key) FROM ({_NEWEST_OF_EACH.format('')}) each",  # noqa: S608
    "NEWEST": _NEWEST_OF_EACH.format(
        f" AND r.time >= to_timestamp(%(first)s::bigint >> {PROBE_BITS}) "
        f"AND r.time <= to_timestamp(%(newest)s::bigint >> {PROBE_BITS})"
    ),
    # Of rows in order of time only the site knows which came last; what it said of that holds until something newer comes.
    "NEWEST_LATE": f"SELECT {_AT} << {PROBE_BITS} | r.probe AS key, r.t::bigint, r.h::bigint FROM dewkeeper.note n "  # noqa: S608
    "CROSS JOIN LATERAL jsonb_each_text(n.value::jsonb -> 'last') AS late (probe, at) "
    "JOIN dewkeeper.probe p ON p.site = n.site AND p.name = late.probe "
    f"JOIN dewkeeper.reading r ON {_HELD} AND r.probe = p.number AND r.time = to_timestamp(late.at::bigint) "
    f"WHERE n.site = %(site)s AND n.name = '{CAME_LAST}' "
    f"AND (n.value::jsonb ->> 'after')::bigint = %(newest)s::bigint >> {PROBE_BITS}",
}
_BOUNDS: Final = {
    ("reading", "first"): f" AND r.time >= to_timestamp(%(first)s::bigint >> {PROBE_BITS})",
    ("reading", "end"): f" AND r.time < to_timestamp(least(%(end)s::bigint >> {PROBE_BITS}, {LATEST}))",
    ("reading", "number"): " AND r.probe = %(number)s::smallint",
    ("verdict", "start"): f" AND r.time >= to_timestamp(least(%(start)s::bigint, {LATEST}))",
    ("verdict", "end"): f" AND r.time < to_timestamp(least(%(end)s::bigint >> {PROBE_BITS}, {LATEST}))",
    ("item", "since"): " AND r.time >= to_timestamp(%(since)s::bigint)",
    ("event", "since"): " AND r.time >= to_timestamp(%(since)s::bigint)",
    ("event", "until"): f" AND r.time < to_timestamp(least(%(until)s::bigint, {LATEST}))",
}
"""What a question says of its table again, so that the server's own indexes and partitions serve."""


def _theirs() -> dict[str, str]:
    """Return by each question's text for SQLite what the server is asked."""
    found = {getattr(asked, name): text for name, text in _BY_HAND.items()}
    for name, theirs in vars(asked_postgresql).items():
        if name.isupper():
            found[_ours(name)] = _over_the_server(theirs)
    return found


def _ours(name: str) -> str:
    ours = getattr(asked, name)  # by table: what is rolled up elsewhere is made there for each question
    return str(ours["recent"] if isinstance(ours, dict) else ours)


def _over_the_server(question: str) -> str:
    tables = [name for name in _TABLES if f"FROM {name}" in question or f"JOIN {name} " in question]
    # Few probes, but read for every row of another table if the server may choose.
    kept = {"probe": "MATERIALIZED "}
    each = [f"{name} AS {kept.get(name, '')}({_bounded(name, question)})" for name in tables]
    return "WITH " + ", ".join(each) + "\n" + question


def _bounded(name: str, question: str) -> str:
    text = _TABLES[name]
    for (table, given), bound in _BOUNDS.items():
        if table == name and f"%({given})s" in question:
            text = text.replace(_HELD, _HELD + bound) if _HELD in text else text + bound
    return text


_THEIRS: Final = _theirs()
_EMPTY: Final = frozenset(getattr(asked, name) for name in _NOTHING)
_OF_QUARTERS: Final = frozenset(map(_ours, ("SUMS", "SLICES")))


class Ways(ABC):
    """The ways to ask what `execute` answers."""

    def __init__(self) -> None:
        self.unreadable: set[int] = set()

    @abstractmethod
    def execute(self, question: str, given: Any = None, /) -> Iterator[Any]:
        """Return the rows of a question of `asked`."""

    def rows(self, question: str, **given: object) -> list[Any]:
        """Return every row."""
        return list(self.execute(question, given))

    def row(self, question: str, **given: object) -> Any:
        """Return the first row, None without any."""
        return next(self.execute(question, given), None)

    def value(self, question: str, **given: object) -> Any:
        """Return the first row's first value, None without a row."""
        row = self.row(question, **given)
        return None if row is None else row[0]


class _SiteAsking(Ways):
    """What a question of one site is asked on: within one transaction, so that all of it sees one state."""

    def __init__(self, cursor: psycopg.Cursor[Any], of: _Site) -> None:
        super().__init__()
        self._cursor = cursor
        self._of = of

    def execute(self, question: str, given: Any = None, /) -> Iterator[Any]:
        if question in _EMPTY:
            return iter(())
        if question not in _THEIRS:
            raise StoreUnusable("this is asked of a site's own store, and not of the server")
        values = {**(given or {}), "site": self._of.number}
        if question in _OF_QUARTERS:
            values["windows"] = json.dumps(self._windows(values))
        self._of.server.count()
        # As bytes: of text the library's types take only what stands literally in the source.
        return iter(self._cursor.execute(_THEIRS[question].encode(), values, prepare=False).fetchall())

    def _windows(self, given: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Return by what each probe's readings are measured in the quarters asked for: a row for as long as nothing changes."""
        standards, dated = self._of.standards(self), calibrations(self)
        start, end = given["first"] * QUARTER_SECONDS, given["last"] * QUARTER_SECONDS
        found: list[dict[str, Any]] = []
        for number, name, text in self.execute(asked.PROBES):
            try:
                scale = scale_of(text)
            except ValueError:  # nobody here knows how to read its words
                continue
            if given.get("number") not in (None, number):
                continue
            at = start
            while at < end:
                hold, limits, until = standards.at(name, at)
                calibration = dated.at(name, at)
                until = min([until, end, *(one.time for one in dated.of(name) if one.time > at)])
                row = {
                    "number": number, "hold": hold, "t_offset": scale.temperature_offset_c, "t_span": scale.temperature_span_c,
                    "h_offset": scale.humidity_offset_percent, "h_span": scale.humidity_span_percent, "t_more": 0.0,
                }  # fmt: skip
                if calibration is not None:
                    row |= {
                        "t_more": calibration.temperature_offset_c, "gain": calibration.humidity_gain,
                        "h_more": calibration.humidity_offset_percent,
                    }  # fmt: skip
                if limits is not None:
                    row |= {
                        "dry": limits.humidity_target.low, "parched": limits.humidity_tolerable.low, "damp": limits.humidity_target.high,
                        "wet": limits.humidity_tolerable.high, "cold": limits.temperature_tolerable.low, "hot": limits.temperature_tolerable.high,
                    }  # fmt: skip
                last = found[-1] if found else {}
                if {**last, "since": 0, "until": 0} == {**row, "since": 0, "until": 0}:
                    last["until"] = until
                else:
                    found.append({**row, "since": at, "until": until})
                at = until
        return found


class _Site(NamedTuple):
    """A site as its `History` asks for it. standards: by what it is measured, as of what can be asked."""

    server: ServerReader
    number: int
    standards: Callable[[Asking], Standards]

    @contextmanager
    def question(self) -> Iterator[_SiteAsking]:
        """Give what is asked within one transaction. Raises StoreUnusable."""
        with self.server.asking() as cursor:
            yield _SiteAsking(cursor, self)


class SiteHistory(History):
    """What a server holds of a site, asked as its own store is; from any thread."""

    def __init__(self, server: ServerReader, number: int) -> None:
        super().__init__(_Site(server, number, self._standards))


class ServerReader:
    """Connections to a server in the role of one who reads; opened when they are needed, kept, and used by one thread at a time."""

    def __init__(self, connect: Callable[[], Mapping[str, Any]]) -> None:
        self._connect = connect
        self._lock = threading.Lock()
        self._idle: list[ServerLink] = []
        self.asked = 0
        """So many statements were sent."""

    def count(self) -> None:
        """Count a statement."""
        self.asked += 1

    @contextmanager
    def asking(self) -> Iterator[psycopg.Cursor[Any]]:
        """Give a cursor that reads one state. Raises StoreUnusable."""
        try:
            link = self._take()
            try:
                with link.batch() as cursor:
                    yield cursor
            except BaseException:
                link.close()
                self.close()  # what broke one may have broken them all
                raise
            with self._lock:
                self._idle.append(link)
        except CollectError as error:
            raise StoreUnusable(str(error)) from error

    def rows(self, question: str, given: Sequence[Any] | Mapping[str, Any] = ()) -> list[Any]:
        """Return the rows of a statement about all sites. Raises StoreUnusable."""
        with self.asking() as cursor:
            self.count()
            return cursor.execute(question.encode(), given).fetchall()

    def close(self) -> None:
        """End every connection that nobody uses."""
        with self._lock:
            idle, self._idle = self._idle, []
        for link in idle:
            link.close()

    def _take(self) -> ServerLink:
        with self._lock:
            if self._idle:
                return self._idle.pop()
        given = dict(self._connect())
        given["options"] = f"{given.get('options', '')} {_QUICKLY}"
        link = ServerLink(given, LONGEST_READ_SECONDS)
        link.connection.read_only = True
        link.connection.isolation_level = IsolationLevel.REPEATABLE_READ
        link.connection.adapters.register_loader("numeric", IntLoader)  # sums of whole numbers
        return link
