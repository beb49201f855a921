"""Settings and stages of all time, read once and kept: few rows, asked for at every look at the page."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from dewkeeper.judge.stages import STAGE_WORDS
from dewkeeper.judge.types import Command, Item, JournalEntry, Rebase, Settings
from dewkeeper.store import asked, codec
from dewkeeper.store.arrival import BEFORE_ALL
from dewkeeper.store.coverage import rebuild
from dewkeeper.store.database import Asking, Connection
from dewkeeper.store.event_rows import write_note
from dewkeeper.store.in_force import SERVICE_VERBS, InForce
from dewkeeper.store.quarters import Standards

_WORDS = json.dumps([sorted(STAGE_WORDS), sorted(SERVICE_VERBS)])
NOTE = "words that last"


def lasts(one: Item) -> bool:
    """Return whether an item must be known to say what held at any later time."""
    if isinstance(one, JournalEntry):
        return one.what in STAGE_WORDS or one.replaces is not None
    if isinstance(one, Rebase):
        return one.dates_since is not None  # what is known is dated anew
    return isinstance(one, Settings) or (isinstance(one, Command) and one.verb in SERVICE_VERBS)


def store_item(
    connection: Connection, one: Item, after_key: int, *, came: Item | None = None, seq: int | None = None
) -> None:
    """Store an item after the reading of a key; came: as it came, where it is stored otherwise; seq: its number, None: the next."""
    word = one.what if isinstance(one, JournalEntry) else one.verb if isinstance(one, Command) else None
    if seq is None:  # SQLite would give one that is not above 0 where only history is stored
        seq = max(0, connection.value(asked.NEWEST_ITEM)) + 1
    row = {
        "seq": seq, "after_key": after_key, "time": one.time, "kind": type(one).__name__, "word": word,
        "enclosure": getattr(one, "enclosure", None), "data": codec.pack_item(one), "lasts": int(lasts(came or one)),
    }  # fmt: skip
    connection.execute(asked.ADD_ITEM, row)


def gather(connection: Connection) -> None:
    """Mark the items that last, if that was not done by the words of this version; in the writer's transaction."""
    if connection.value(asked.NOTE, name=NOTE) != _WORDS:
        words = {"verbs": json.dumps(sorted(SERVICE_VERBS)), "stages": json.dumps(sorted(STAGE_WORDS))}
        connection.execute(asked.MARK_LASTING, words)
        write_note(connection, NOTE, _WORDS)


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

    def bring_up_to_date(self, connection: Asking) -> None:
        """Read what was stored since the last time."""
        newest: int = connection.value(asked.NEWEST_ITEM)
        if newest == self._seen:
            return
        if self._seen is not None and newest < self._seen:  # another file is in its place
            self._seen, self._settings, self._journal, self._commands = None, [], [], []
        rows = connection.rows(asked.LASTING, seq=BEFORE_ALL if self._seen is None else self._seen)
        if self._seen and any(kind == "Rebase" for kind, _ in rows):  # what is known was dated anew
            self._settings, self._journal, self._commands = [], [], []
            rows = connection.rows(asked.LASTING, seq=BEFORE_ALL)
        for one in codec.readable(codec.unpack_item, rows):
            if isinstance(one, Settings):
                self._settings.append(one)
            elif isinstance(one, Command):
                self._commands.append(one)
            elif isinstance(one, JournalEntry):
                self._journal.append(one)
        self._settings.sort(key=lambda settings: settings.time)
        self._seen = newest
        # The same object while nothing that lasts has come: the writer tells by it whether to measure anew.
        if rows:
            self.in_force = InForce(tuple(self._settings), self._journal, self._commands)

    def changed(
        self, before: InForce, items: Sequence[Item], end: int
    ) -> Iterator[tuple[Collection[str] | None, int, int]]:
        """Yield what limits these items changed before `end`: probes (None: all), from when, until when (seconds).

        before: what held without them. A correction of the journal takes away a stage that held for weeks. Of an enclosure
        one span at most, however many entries: what a later one changed lies within what the earliest did, or after it.
        """
        begun = [item.time for item in items if isinstance(item, Settings)]
        if before.settings(0) is None or begun:
            yield None, min(begun) if before.settings(0) is not None else 0, end  # the first serve for all before them
        entries = [item for item in items if isinstance(item, JournalEntry)]
        replaced = {entry.replaces for entry in entries}
        starts: dict[str, int] = {}
        for entry in [*entries, *(entry for entry in self._journal if entry.id in replaced)]:
            start = max(entry.time, entry.entered or 0)  # written down late, it did not hold before it was written
            if entry.enclosure is None or start >= end:
                continue
            for place in before.neighbours(entry.enclosure) | self.in_force.neighbours(entry.enclosure):
                starts[place] = min(start, starts.get(place, start))
        for place in sorted(starts):
            yield from self._changed_in(place, before, starts[place], end)

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


def measure_anew(connection: Connection, before: InForce, now: Remembered, items: Sequence[Item], end: int) -> None:
    """Make the quarter hours before `end` (UTC seconds) anew in which these items changed the limits. before: without them."""
    numbers = {name: number for number, name, _ in connection.rows(asked.PROBES)}
    for probes, start, until in now.changed(before, items, end):
        touched = [number for name, number in numbers.items() if probes is None or name in probes]
        rebuild(connection, Standards(now.in_force), touched, start, until)
