"""Settings and stages of all time, read once and kept: few rows, asked for at every look at the page."""

from __future__ import annotations

from typing import cast

from sqlalchemy import Connection

from dewkeeper.judge.in_force import SERVICE_VERBS, STAGE_WORDS, InForce
from dewkeeper.judge.types import Command, Item, JournalEntry, Settings
from dewkeeper.store import codec

_STAGES = ",".join(f"'{word}'" for word in sorted(STAGE_WORDS))
_SERVICE = ",".join(f"'{verb}'" for verb in sorted(SERVICE_VERBS))
_NEW = f"""
SELECT seq, kind, data FROM item WHERE seq > ? AND (
  kind = 'Settings'
  OR kind = 'Command' AND data ->> '$.verb' IN ({_SERVICE})
  OR kind = 'JournalEntry' AND (data ->> '$.what' IN ({_STAGES}) OR data ->> '$.replaces' IS NOT NULL)
) ORDER BY seq"""  # noqa: S608  the judge's own words


class Remembered:
    """`in_force` as of the last `bring_up_to_date`. The caller sees to it that one thread at a time comes here."""

    def __init__(self) -> None:
        self._seen = 0
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
        if newest < self._seen:  # another file is in its place
            self._seen, self._settings, self._journal, self._commands = 0, [], [], []
        rows = connection.exec_driver_sql(_NEW, (self._seen,)).all()
        for _, kind, data in rows:
            item = codec.unpack_item(kind, data)
            if kind == "Settings":
                self._settings.append(cast("Settings", item))
            elif kind == "Command":
                self._commands.append(cast("Command", item))
            else:
                self._journal.append(cast("JournalEntry", item))
        self._settings.sort(key=lambda settings: settings.time)
        self._seen = newest
        if rows:
            self.in_force = InForce(tuple(self._settings), self._journal, self._commands)


def holds_from(item: Item) -> int:
    """Return from which second on an item holds: written down late, not before it was written."""
    return max(item.time, item.entered or 0) if isinstance(item, JournalEntry) else item.time
