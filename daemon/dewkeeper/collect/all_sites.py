"""All sites of a server, for the page that shows them: who they are, when they sent last, how their rooms stand."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final, NamedTuple, cast

from dewkeeper.collect.connection import parameters
from dewkeeper.collect.errors import ServerUnreachable
from dewkeeper.collect.layout import LINE, NOTE, layout_config
from dewkeeper.collect.newest import newest_of
from dewkeeper.collect.queries import ServerReader, SiteHistory
from dewkeeper.collect.there import SaidThere, SiteRooms, SiteThere
from dewkeeper.judge.types import Alarm, JournalEntry
from dewkeeper.judge.words import WITHDRAWN
from dewkeeper.store import codec
from dewkeeper.store.history import Stored
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Collector

log = logging.getLogger(__name__)

_SITES: Final = (
    "SELECT s.number, s.name, s.program, extract(epoch FROM s.sent_at)::float8, "
    "extract(epoch FROM clock_timestamp() - s.sent_at)::float8, s.installation IS NOT NULL OR s.sent_at IS NULL, md5(n.value) "
    "FROM site s LEFT JOIN note n ON n.site = s.number AND n.name = %s ORDER BY s.name"
)
_NOTES_OF: Final = "SELECT site, value FROM note WHERE name = %s AND site = ANY(%s)"
_NOTES: Final = "SELECT site, value FROM note WHERE name = %s"
_STANDING: Final = "SELECT site, data::text FROM alarm WHERE what <> 'normal' AND gone IS NULL"
_JOURNAL: Final = (
    # With ties: what was written for many tubs at once has one second, by which the next part is asked for.
    "SELECT number, data FROM (SELECT s.number, i.data::text, i.time, i.seq FROM site s CROSS JOIN LATERAL (SELECT j.time, j.seq, j.data FROM item j "
    "WHERE j.site = s.number AND j.what = 'JournalEntry' AND j.gone IS NULL AND j.time >= to_timestamp(%(since)s) "
    "AND j.time < to_timestamp(%(before)s) AND j.data ->> 'what' <> %(withdrawn)s AND NOT EXISTS (SELECT 1 FROM item o "
    "WHERE o.site = j.site AND o.what = 'JournalEntry' AND o.gone IS NULL AND o.data ->> 'replaces' = j.id) "
    "ORDER BY j.time DESC FETCH FIRST %(most)s ROWS WITH TIES) i ORDER BY i.time DESC FETCH FIRST %(most)s ROWS WITH TIES) newest "
    "ORDER BY time DESC, number, seq DESC"
)


class _Row(NamedTuple):
    """A site as the server lists it. sent: Unix time; digest: of its layout, None where it has none."""

    number: int
    name: str
    program: str
    sent: float | None
    ago: float | None
    expected: bool
    digest: str | None


class _Kept(NamedTuple):
    """Of a site when it was `row`: its layout, read by who asks first, and its past as of then."""

    row: _Row
    layout: _LayoutOf
    history: SiteHistory


class _LayoutOf:
    """A site's layout: read from the server when somebody asks first, then kept."""

    def __init__(self, reader: ServerReader, row: _Row) -> None:
        self._reader = reader
        self._row = row
        self._read: SiteRooms | None = None

    def __call__(self) -> SiteRooms:
        if self._read is None:
            _read_all(self._reader, [self])
        return cast("SiteRooms", self._read)

    @property
    def to_read(self) -> int | None:
        """The number of the site whose note is to be read, None of one that is read already or has none."""
        return self._row.number if self._read is None and self._row.digest is not None else None

    def take(self, text: str | None) -> None:
        """Keep what the note says, None for none."""
        self._read = _read(self._row.name, text, self._row.program)


def _read_all(reader: ServerReader, layouts: Sequence[_LayoutOf]) -> None:
    """Read what is not read yet of these, in one statement."""
    numbers = [number for one in layouts if (number := one.to_read) is not None]
    texts = dict(reader.rows(_NOTES_OF, (NOTE, numbers))) if numbers else {}
    for one in layouts:
        # One that has no note is asked for by no number, and so gets no text.
        one.take(texts.get(one.to_read))


class AllSites:
    """What `AllThere` asks for, from a server. What a site's questions read of its past is kept until it sends again."""

    def __init__(self, settings: Collector) -> None:
        self._settings = settings
        self.reader = ServerReader(self._how)
        self._lock = threading.Lock()
        self._kept: dict[int, _Kept] = {}

    def sites(self) -> Sequence[SiteThere]:
        """Return all of them by name. Raises StoreUnusable."""
        rows = [_Row(*row) for row in self.reader.rows(_SITES, (NOTE,))]
        with self._lock:
            known = self._kept
            found = self._kept = {row.number: self._as_of(row, known.get(row.number)) for row in rows}
        return [SiteThere(r.number, r.name, r.sent, r.ago, r.expected, *found[r.number][1:]) for r in rows]

    def read_layouts(self, numbers: Collection[int]) -> None:
        """Read at once how the rooms of these sites stand, where that is not known yet. Raises StoreUnusable."""
        with self._lock:
            unread = [one.layout for number, one in self._kept.items() if number in numbers]
        _read_all(self.reader, [one for one in unread if one.to_read is not None])

    def latest(self, wanted: Mapping[int, Collection[str]]) -> Mapping[int, Mapping[str, Stored]]:
        """Return the newest readings of some probes of each site, by its number, as its own history would. Raises StoreUnusable."""
        return newest_of(self.reader, wanted)

    def said(self) -> Mapping[int, SaidThere]:
        """Return what each says of itself, by its number. Raises StoreUnusable."""
        found = {}
        for number, text in self.reader.rows(_NOTES, (LINE,)):
            try:
                one = json.loads(text)
                found[number] = SaidThere(float(one["told"]), one["said"])
            except (ValueError, KeyError, TypeError):  # another version's
                log.info("what site %d says of itself cannot be read", number)
        return found

    def standing(self) -> Mapping[int, Sequence[Alarm]]:
        """Return the alarms that are not normal, by the number of their site. Raises StoreUnusable."""
        found: dict[int, list[Alarm]] = {}
        for number, text in self.reader.rows(_STANDING):
            found.setdefault(number, []).extend(codec.readable(codec.unpack_alarm, [(text,)]))
        return found

    def journal(self, since: int, before: int, most: int) -> Sequence[tuple[int, JournalEntry]]:
        """Return the newest entries of all journals in [since, before), each with its site's number; of the oldest second all.

        Raises StoreUnusable.
        """
        found = []
        given = {"since": since, "before": before, "most": most, "withdrawn": WITHDRAWN}
        for number, text in self.reader.rows(_JOURNAL, given):
            for entry in codec.readable(codec.unpack_item, [("JournalEntry", text)]):
                if isinstance(entry, JournalEntry):
                    found.append((number, entry))
        return found

    def close(self) -> None:
        """End every connection."""
        self.reader.close()

    def _as_of(self, row: _Row, known: _Kept | None) -> _Kept:
        if known is None or _other_layout(known, row):
            return _Kept(row, _LayoutOf(self.reader, row), SiteHistory(self.reader, row.number))
        # What was read of its past holds until it sends again.
        past = known.history if known.row.sent == row.sent else SiteHistory(self.reader, row.number)
        return _Kept(row, known.layout, past)

    def _how(self) -> dict[str, Any]:
        try:
            return parameters(self._settings.address.read(), self._settings.ca_file)
        except SecretUnavailable as error:
            raise ServerUnreachable(str(error)) from error


def _other_layout(known: _Kept, row: _Row) -> bool:
    # The name, too: it is written into the configuration that is made of the layout.
    return (known.row.digest, known.row.name) != (row.digest, row.name)


def _read(name: str, text: str | None, program: str) -> SiteRooms:
    if text is None:
        return SiteRooms(
            None, "it has not said yet how its rooms stand: dewkeeper there must be of this version, and run"
        )
    try:
        config = layout_config(text)
    except ValueError as error:
        log.warning("the layout of %s cannot be read: %s", name, error)
        return SiteRooms(
            None, f"what it says of its rooms is not understood here: it runs version {program or 'unknown'}"
        )
    return SiteRooms(config.but(site=config.site.but(name=name)), "")
