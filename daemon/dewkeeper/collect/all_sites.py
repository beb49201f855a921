"""All sites of a server, for the page that shows them: who they are, when they sent last, how their rooms stand."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from dewkeeper.collect.asking import ServerReader, SiteHistory
from dewkeeper.collect.errors import ServerUnreachable
from dewkeeper.collect.layout import NOTE, layout_config
from dewkeeper.collect.link import parameters
from dewkeeper.collect.there import SiteThere
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Collector, Config

log = logging.getLogger(__name__)

_SITES: Final = (
    "SELECT s.number, s.name, s.program, extract(epoch FROM s.sent_at)::float8, "
    "extract(epoch FROM clock_timestamp() - s.sent_at)::float8, s.installation IS NOT NULL OR s.sent_at IS NULL, md5(n.value) "
    "FROM site s LEFT JOIN note n ON n.site = s.number AND n.name = %s ORDER BY s.name"
)
_LAYOUTS: Final = "SELECT site, value FROM note WHERE name = %s AND site = ANY(%s)"


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
    """What was read of a site's layout when it was `row`, and its past as of then."""

    row: _Row
    config: Config | None
    untold: str
    history: SiteHistory


class AllSites:
    """What `AllThere` asks for, from a server. What a site's questions read of its past is kept until it sends again."""

    def __init__(self, settings: Collector) -> None:
        self._settings = settings
        self.reader = ServerReader(self._how)
        self._lock = threading.Lock()
        self._kept: dict[int, _Kept] = {}

    def sites(self) -> Sequence[SiteThere]:
        """Return all of them by name. Raises StoreUnusable."""
        with self.reader.asking() as cursor:
            self.reader.count()
            rows = [_Row(*row) for row in cursor.execute(_SITES, (NOTE,)).fetchall()]
            with self._lock:
                known = dict(self._kept)
            changed = [row.number for row in rows if _other_layout(known.get(row.number), row)]
            texts: dict[int, str] = {}
            if changed:
                self.reader.count()
                texts = dict(cursor.execute(_LAYOUTS, (NOTE, changed)).fetchall())
        found = {row.number: self._as_of(row, known.get(row.number), texts) for row in rows}
        with self._lock:
            self._kept = found
        return [
            SiteThere(row.number, row.name, row.sent, row.ago, row.expected, *found[row.number][1:]) for row in rows
        ]

    def close(self) -> None:
        """End every connection."""
        self.reader.close()

    def _as_of(self, row: _Row, known: _Kept | None, texts: Mapping[int, str]) -> _Kept:
        if known is None or _other_layout(known, row):
            config, untold = _read(row.name, texts.get(row.number), row.program)
            return _Kept(row, config, untold, SiteHistory(self.reader, row.number))
        past = known.history if known.row.sent == row.sent else SiteHistory(self.reader, row.number)
        return known._replace(row=row, history=past)

    def _how(self) -> dict[str, Any]:
        try:
            return parameters(self._settings.address.read(), self._settings.ca_file)
        except SecretUnavailable as error:
            raise ServerUnreachable(str(error)) from error


def _other_layout(known: _Kept | None, row: _Row) -> bool:
    return known is None or (known.row.digest, known.row.name) != (row.digest, row.name)


def _read(name: str, text: str | None, program: str) -> tuple[Config | None, str]:
    if text is None:
        return None, "it has not said yet how its rooms stand: dewkeeper there must be of this version, and run"
    try:
        config = layout_config(text)
    except ValueError as error:
        log.warning("the layout of %s cannot be read: %s", name, error)
        return None, f"what it says of its rooms is not understood here: it runs version {program or 'unknown'}"
    return config.model_copy(update={"site": config.site.model_copy(update={"name": name})}), ""
