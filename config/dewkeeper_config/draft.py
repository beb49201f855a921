"""A file as far as it could be read: what the checks across tables work on."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import TypeAdapter, ValidationError

from dewkeeper_config.errors import Problem
from dewkeeper_config.models import (
    Bus,
    Channel,
    Enclosure,
    Person,
    ProbeConfig,
    Profile,
    Rack,
    Site,
    Storage,
    Web,
)
from dewkeeper_config.problems import key_path, show

T = TypeVar("T")

_LISTS: Mapping[str, TypeAdapter[Any]] = {
    "bus": TypeAdapter(Bus),
    "profile": TypeAdapter(Profile),
    "rack": TypeAdapter(Rack),
    "enclosure": TypeAdapter(Enclosure),
    "probe": TypeAdapter(ProbeConfig),
    "channel": TypeAdapter(Channel),
    "person": TypeAdapter(Person),
}
_TABLES: Mapping[str, TypeAdapter[Any]] = {
    "site": TypeAdapter(Site),
    "storage": TypeAdapter(Storage),
    "web": TypeAdapter(Web),
}


@dataclass(frozen=True, slots=True)
class Entry(Generic[T]):
    """One table that was read, and the key path under which a problem names it."""

    key: str
    model: T

    def problem(self, field: str, given: object, allowed: str) -> Problem:
        """Return a problem of one field of this entry."""
        return Problem(
            f"{self.key} .{field}" if self.key.endswith('"') else f"{self.key}.{field}", show(given), allowed
        )


@dataclass(frozen=True, slots=True)
class Draft:
    """Every entry that stands for itself, and every name in the file, read or not."""

    bus: list[Entry[Bus]]
    profile: list[Entry[Profile]]
    rack: list[Entry[Rack]]
    enclosure: list[Entry[Enclosure]]
    probe: list[Entry[ProbeConfig]]
    channel: list[Entry[Channel]]
    person: list[Entry[Person]]
    site: Entry[Site] | None
    storage: Entry[Storage] | None
    web: Entry[Web] | None
    names: Mapping[str, list[tuple[str, str]]]
    """Table name -> (name, key path) of each of its entries."""
    rooms: frozenset[str]

    @classmethod
    def of(cls, raw: Mapping[str, Any]) -> Draft:
        """Read every entry by itself, leaving out those that are refused."""
        parts: dict[str, Any] = {table: _entries(raw, table, adapter) for table, adapter in _LISTS.items()}
        parts |= {name: _table(raw, name, adapter) for name, adapter in _TABLES.items()}
        rooms = frozenset(
            unicodedata.normalize("NFC", room)
            for rack in _raw_entries(raw, "rack")
            if isinstance(room := rack.get("room", "room"), str)
        )
        return cls(**parts, names={table: list(_names(raw, table)) for table in _LISTS}, rooms=rooms)

    def known(self, table: str) -> list[str]:
        """Return the names in one table, each once, in the order of the file."""
        return list(dict.fromkeys(name for name, _ in self.names[table]))


def _entries(raw: Mapping[str, Any], table: str, adapter: TypeAdapter[Any]) -> list[Entry[Any]]:
    found = []
    for index, entry in enumerate(_list(raw, table)):
        try:
            found.append(Entry(key_path(raw, (table, index)), adapter.validate_python(entry)))
        except ValidationError:
            continue  # already reported by the reading of the whole file
    return found


def _table(raw: Mapping[str, Any], name: str, adapter: TypeAdapter[Any]) -> Entry[Any] | None:
    try:
        return Entry(name, adapter.validate_python(raw.get(name, {})))
    except ValidationError:
        return None  # already reported by the reading of the whole file


def _list(raw: Mapping[str, Any], table: str) -> list[Any]:
    found = raw.get(table, [])
    return found if isinstance(found, list) else []


def _raw_entries(raw: Mapping[str, Any], table: str) -> list[Mapping[str, Any]]:
    return [entry for entry in _list(raw, table) if isinstance(entry, Mapping)]


def _names(raw: Mapping[str, Any], table: str) -> Iterator[tuple[str, str]]:
    for index, entry in enumerate(_list(raw, table)):
        name = entry.get("name") if isinstance(entry, Mapping) else None
        if isinstance(name, str):
            yield unicodedata.normalize("NFC", name), key_path(raw, (table, index))
