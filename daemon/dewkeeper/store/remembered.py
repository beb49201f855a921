"""Settings and stages of all time, read once and kept: few rows, asked for at every look at the page."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from sqlalchemy import Connection

from dewkeeper.judge.stages import STAGE_WORDS
from dewkeeper.judge.types import Command, Item, JournalEntry, Rebase, Settings
from dewkeeper.store import codec
from dewkeeper.store.in_force import SERVICE_VERBS, InForce

_NEW = "SELECT seq, kind, data FROM lasting WHERE seq > ? ORDER BY seq"
_WORDS = json.dumps([sorted(STAGE_WORDS), sorted(SERVICE_VERBS)])
NOTE = "words that last"
TEXT = "CASE WHEN json_valid(data) THEN data ELSE '{}' END"
"""An item's JSON, in SQL: a bad card garbles text, and one entry must keep nobody from all others."""
_LASTS = f"""
kind = 'Settings'
OR kind = 'Command' AND {TEXT} ->> '$.verb' IN (SELECT value FROM json_each(?))
OR kind = 'JournalEntry'
AND ({TEXT} ->> '$.what' IN (SELECT value FROM json_each(?)) OR {TEXT} ->> '$.replaces' IS NOT NULL)"""  # noqa: S608  our own words


def lasts(item: Item) -> bool:
    """Return whether an item must be known to say what held at any later time."""
    if isinstance(item, JournalEntry):
        return item.what in STAGE_WORDS or item.replaces is not None
    if isinstance(item, Rebase):
        return item.dates_since is not None  # what is known is dated anew
    return isinstance(item, Settings) or (isinstance(item, Command) and item.verb in SERVICE_VERBS)


def keep(connection: Connection, seq: int, item: Item, data: str | bytes) -> None:
    """Put a stored item among those that last, if it does; in the writer's transaction."""
    if lasts(item):
        connection.exec_driver_sql("INSERT INTO lasting VALUES (?, ?, ?)", (seq, type(item).__name__, data))


def gather(connection: Connection) -> None:
    """Find the items that last, if that was not done by the words of this version; in the writer's transaction."""
    done = connection.exec_driver_sql("SELECT value FROM note WHERE name = ?", (NOTE,)).scalar()
    if done != _WORDS:
        words = json.dumps(sorted(SERVICE_VERBS)), json.dumps(sorted(STAGE_WORDS))
        connection.exec_driver_sql(
            "DELETE FROM lasting WHERE kind != 'Rebase'"
        )  # which do not say any more that they dated
        connection.exec_driver_sql(f"INSERT INTO lasting SELECT seq, kind, data FROM item WHERE {_LASTS}", words)  # noqa: S608
        connection.exec_driver_sql("INSERT OR REPLACE INTO note VALUES (?, ?)", (NOTE, _WORDS))


_ALL = -(1 << 62)
"""A number below every other: what was imported has negative ones."""


class Remembered:
    """`in_force` as of the last `bring_up_to_date`. The caller sees to it that one thread at a time comes here."""

    def __init__(self) -> None:
        self._seen: int | None = None
        self._settings: list[Settings] = []
        self._journal: list[JournalEntry] = []
        self._commands: list[Command] = []
        self.in_force = InForce((), ())

    @property
    def replaced(self) -> set[str]:
        """Ids of the journal entries that a correction replaced."""
        return {entry.replaces for entry in self._journal if entry.replaces is not None}

    def bring_up_to_date(self, connection: Connection) -> None:
        """Read what was stored since the last time."""
        newest = connection.exec_driver_sql("SELECT coalesce(max(seq), 0) FROM item").scalar_one()
        if newest == self._seen:
            return
        if self._seen is not None and newest < self._seen:  # another file is in its place
            self._seen, self._settings, self._journal, self._commands = None, [], [], []
        rows = connection.exec_driver_sql(_NEW, (_ALL if self._seen is None else self._seen,)).all()
        if self._seen and any(kind == "Rebase" for _, kind, _ in rows):  # what is known was dated anew
            self._settings, self._journal, self._commands = [], [], []
            rows = connection.exec_driver_sql(_NEW, (_ALL,)).all()
        for item in codec.readable(codec.unpack_item, ((kind, data) for _, kind, data in rows)):
            if isinstance(item, Settings):
                self._settings.append(item)
            elif isinstance(item, Command):
                self._commands.append(item)
            elif isinstance(item, JournalEntry):
                self._journal.append(item)
        self._settings.sort(key=lambda settings: settings.time)
        self._seen = newest
        if rows:
            self.in_force = InForce(tuple(self._settings), self._journal, self._commands)

    def changed(
        self, before: InForce, items: Sequence[Item], end: int
    ) -> Iterator[tuple[Collection[str] | None, int, int]]:
        """Yield what limits these items changed before `end`: probes (None: all), from when, until when (seconds).

        before: what held without them. A correction of the journal takes away a stage that held for weeks.
        """
        begun = [item.time for item in items if isinstance(item, Settings)]
        if before.settings(0) is None or begun:
            yield None, min(begun) if before.settings(0) is not None else 0, end  # the first serve for all before them
        entries = [item for item in items if isinstance(item, JournalEntry)]
        replaced = {entry.replaces for entry in entries}
        for entry in [*entries, *(entry for entry in self._journal if entry.id in replaced)]:
            start = max(entry.time, entry.entered or 0)  # written down late, it did not hold before it was written
            if entry.enclosure is None or start >= end:
                continue
            for place in sorted(before.neighbours(entry.enclosure) | self.in_force.neighbours(entry.enclosure)):
                yield from self._changed_in(place, before, start, end)

    def _changed_in(
        self, enclosure: str, before: InForce, start: int, end: int
    ) -> Iterator[tuple[Collection[str], int, int]]:
        moments = sorted(
            {start, end, *(at for at in [*before.moments(), *self.in_force.moments()] if start < at < end)}
        )
        other = [
            (first, last)
            for first, last in pairwise(moments)
            if before.limits(enclosure, first) != self.in_force.limits(enclosure, first)
        ]
        if other:
            yield self._ever_in(enclosure), other[0][0], other[-1][1]

    def _ever_in(self, enclosure: str) -> set[str]:
        return {
            name
            for settings in self._settings
            for name, facts in settings.probes.items()
            if facts.enclosure == enclosure
        }
