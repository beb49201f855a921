"""A file as far as it could be read: what the checks across tables work on."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from dewkeeper_config.errors import Problem
from dewkeeper_config.models import (
    BusConfig,
    Channel,
    Collect,
    Collector,
    Enclosure,
    Neighbour,
    Notify,
    Person,
    ProbeConfig,
    Profile,
    Rack,
    Site,
    Storage,
    Web,
)
from dewkeeper_config.tolerance import tolerant
from dewkeeper_config.tree import Tree, show

T = TypeVar("T")

_LISTS: Mapping[str, Any] = {
    "bus": BusConfig,
    "profile": Profile,
    "rack": Rack,
    "enclosure": Enclosure,
    "probe": ProbeConfig,
    "channel": Channel,
    "person": Person,
}
_TABLES: Mapping[str, Any] = {
    "site": Site,
    "storage": Storage,
    "web": Web,
    "notify": Notify,
    "collect": Collect,
    "collector": Collector,
    "neighbour": Neighbour,
}


@dataclass(frozen=True, slots=True)
class FileEntry(Generic[T]):
    """One table that was read, and the key path under which a problem names it.

    lost: keys whose values were refused, which are read as if they were left out. What follows from them is no news.
    """

    key: str
    model: T
    lost: frozenset[str] = frozenset()

    def problem(self, field: str, given: object, allowed: str) -> Problem:
        """Return a problem of one field of this entry."""
        return self.worded(field, show(given), allowed)

    def worded(self, field: str, given: str, allowed: str) -> Problem:
        """Return a problem of one field of this entry, what was given in words."""
        return Problem(f"{self.key} .{field}" if self.key.endswith('"') else f"{self.key}.{field}", given, allowed)


@dataclass(frozen=True, slots=True)
class FileEntries:
    """Every entry, as far as it could be read, and every name in the file, read or not."""

    bus: list[FileEntry[BusConfig]]
    profile: list[FileEntry[Profile]]
    rack: list[FileEntry[Rack]]
    enclosure: list[FileEntry[Enclosure]]
    probe: list[FileEntry[ProbeConfig]]
    channel: list[FileEntry[Channel]]
    person: list[FileEntry[Person]]
    site: FileEntry[Site] | None
    storage: FileEntry[Storage] | None
    web: FileEntry[Web] | None
    notify: FileEntry[Notify] | None
    collect: FileEntry[Collect] | None
    collector: FileEntry[Collector] | None
    neighbour: FileEntry[Neighbour] | None
    names: Mapping[str, list[tuple[str, str]]]
    """Table name -> (name, key path) of each of its entries."""
    rooms: frozenset[str]

    @classmethod
    def of(cls, tree: Tree) -> FileEntries:
        """Read every entry by itself, without the values that are refused; the reading of the whole file tells them."""
        parts: dict[str, Any] = {
            table: [
                read
                for index, entry in enumerate(_list(tree, table))
                if (read := _read(model, entry, tree.key((table, index)))) is not None
            ]
            for table, model in _LISTS.items()
        }
        # A table that is left out is read as its defaults; one that must say something, as `collect`, is then None.
        parts |= {name: _read(model, tree.raw.get(name, {}), name) for name, model in _TABLES.items()}
        rooms = frozenset(
            # As `check_name` makes of it, for it is compared with checked names; without `room`, `Rack`'s default.
            unicodedata.normalize("NFC", room)
            for rack in _list(tree, "rack")
            if isinstance(rack, Mapping) and isinstance(room := rack.get("room", "room"), str)
        )
        return cls(**parts, names={table: list(_names(tree, table)) for table in _LISTS}, rooms=rooms)

    def known(self, table: str) -> list[str]:
        """Return the names in one table, each once, in the order of the file."""
        return list(dict.fromkeys(name for name, _ in self.names[table]))


def _read(model: Any, entry: Any, key: str) -> FileEntry[Any] | None:
    read, _, refused = tolerant(model, entry)
    # The whole way to it: with `quiet_hours.end` refused nothing follows from `quiet_hours` either.
    lost = frozenset(str(part) for error in refused for part in error["loc"])
    return None if read is None else FileEntry(key, read, lost)


def _list(tree: Tree, table: str) -> list[Any]:
    found = tree.raw.get(table, [])
    return found if isinstance(found, list) else []


def _names(tree: Tree, table: str) -> Iterator[tuple[str, str]]:
    for index, entry in enumerate(_list(tree, table)):
        name = entry.get("name") if isinstance(entry, Mapping) else None
        if isinstance(name, str):
            # As `check_name` makes of it.
            yield unicodedata.normalize("NFC", name), tree.key((table, index))
