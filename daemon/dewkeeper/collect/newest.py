"""The newest readings of some probes of many sites: one statement for all, told as each site's own `History` tells them."""

from __future__ import annotations

import json
import logging
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

from dewkeeper.collect.queries import LATEST, ServerReader, Ways
from dewkeeper.store import asked
from dewkeeper.store.database import PROBE_BITS
from dewkeeper.store.history import History, Stored
from dewkeeper.store.records import CAME_LAST

log = logging.getLogger(__name__)

_AT = "date_part('epoch', r.time)::bigint"
_HELD = "dewkeeper.reading r WHERE r.site = p.site AND r.probe = p.number AND r.gone IS NULL"
_OF_ALL = (
    f"(SELECT max((SELECT {_AT} FROM {_HELD}{{}} ORDER BY r.time DESC LIMIT 1)) FROM probe p WHERE p.site = s.number)"  # noqa: S608
)
_NEWEST: Final = f"""
WITH last AS MATERIALIZED (
    -- Months before the site's last day are only looked through where nothing is in that.
    SELECT s.number AS site, coalesce({_OF_ALL.format(" AND r.time > s.readings_until - interval '1 day'")}, {_OF_ALL.format("")}) AS at
    FROM site s WHERE s.number = ANY(%(sites)s::smallint[]))
SELECT p.site, p.number::bigint, p.name, p.scale, last.at, came.late, came.at, came.t::bigint, came.h::bigint, came.flag::bigint, coalesce(came.why, ''),
    ARRAY(SELECT i.data::text FROM item i WHERE i.site = p.site AND i.what = 'Calibration' AND i.gone IS NULL
        AND i.data ->> 'probe' = p.name ORDER BY i.time, i.seq)
FROM unnest(%(sites)s::smallint[], %(names)s::text[]) AS wanted (site, name)
JOIN last ON last.site = wanted.site
JOIN probe p ON p.site = wanted.site AND p.name = wanted.name
CROSS JOIN LATERAL (
    (SELECT false AS late, {_AT} AS at, r.t, r.h, r.flag, r.why FROM {_HELD} ORDER BY r.time DESC LIMIT 1)
    UNION ALL
    SELECT true, {_AT}, r.t, r.h, r.flag, r.why FROM unnest(%(late_sites)s::smallint[], %(late_names)s::text[], %(late)s::bigint[],
        %(after)s::bigint[]) AS late (site, name, at, after), {_HELD} AND late.site = p.site AND late.name = p.name
        AND late.after = last.at AND r.time = to_timestamp(late.at)
) came
"""  # noqa: S608  our own names

_LATE: Final = "SELECT site, value FROM note WHERE name = %s AND site = ANY(%s)"


class _Answers(Ways):
    """What was read of a site already, as answers to what `History.latest` asks."""

    def __init__(self, rows: Sequence[Sequence[Any]]) -> None:
        super().__init__()
        probes: dict[int, tuple[int, str, str]] = {}
        newest: dict[bool, list[tuple[int, int | None, int | None]]] = {False: [], True: []}
        verdicts, calibrations = [], dict[int, list[tuple[str, str]]]()
        for _, number, name, scale, _, late, at, t, h, flag, why, corrections in rows:
            # The key that the store would have for it.
            key = at << PROBE_BITS | number
            probes[number] = number, name, scale
            newest[late].append((key, t, h))
            # As the store has it: what passed, and of which nothing is said, has no verdict.
            if flag != 1 or why:
                verdicts.append((key, at, flag, why))
            calibrations[number] = [("Calibration", text) for text in corrections]
        self._newest = newest[False]
        self._of: dict[str, list[Any]] = {
            asked.LAST_KEY: [(rows[0][4] << PROBE_BITS,)],
            asked.PROBE_COUNT: [(len(probes),)],
            asked.PROBES: list(probes.values()),
            asked.NEWEST_LATE: newest[True],
            asked.VERDICTS: sorted(verdicts),
            asked.CALIBRATIONS: [row for each in calibrations.values() for row in each],
            asked.EXCLUSIONS: [],
            asked.LATE: [],
        }

    def execute(self, question: str, given: Any = None, /) -> Iterator[Any]:
        if question == asked.NEWEST:
            return iter([row for row in self._newest if row[0] >= given["first"]])
        return iter(self._of[question])

    @contextmanager
    def question(self) -> Iterator[_Answers]:
        """Give itself: all of it was read in one statement."""
        yield self


def newest_of(reader: ServerReader, wanted: Mapping[int, Collection[str]]) -> dict[int, Mapping[str, Stored]]:
    """Return by site the newest readings of these probes, each with its verdict. Raises StoreUnusable."""
    pairs = [(site, name) for site, names in wanted.items() for name in sorted(names)]
    if not pairs:
        return {}
    sites, names = zip(*pairs, strict=True)
    found: dict[int, list[Sequence[Any]]] = defaultdict(list)
    with reader.asking() as cursor:
        reader.count()
        late = _came_last(cursor.execute(_LATE, (CAME_LAST, list(sites))).fetchall(), set(pairs))
        reader.count()
        given = {"sites": list(sites), "names": list(names), **late}
        for row in cursor.execute(_NEWEST.encode(), given).fetchall():
            found[row[0]].append(row)
    return {site: History(_Answers(rows)).latest() for site, rows in found.items()}


def _came_last(notes: Sequence[tuple[int, str]], wanted: Collection[tuple[int, str]]) -> dict[str, list[Any]]:
    """Return what sites say of readings of these probes that came last with an earlier time.

    What one says that nobody understands is left out: the others are told of all the same.
    """
    found: dict[str, list[Any]] = {"late_sites": [], "late_names": [], "late": [], "after": []}
    for site, text in notes:
        try:
            said = json.loads(text)
            rows = [(site, name, int(at), int(said["after"])) for name, at in said["last"].items()]
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError):  # the last of 1e999, a number of JSON
            log.info("what site %d says came last cannot be read", site)
            continue
        for row in rows:
            if row[:2] in wanted and 0 <= row[2] <= LATEST and 0 <= row[3] <= LATEST:
                for column, value in zip(found.values(), row, strict=True):
                    column.append(value)
    return found
