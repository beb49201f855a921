"""Stream items, events and messages as JSON text and back."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import TypeAdapter

from dewkeeper.judge.types import (
    Alarm,
    Calibration,
    Command,
    Event,
    Fact,
    Item,
    JournalEntry,
    Learned,
    Rebase,
    Settings,
    SystemReport,
)
from dewkeeper.store.records import Message

log = logging.getLogger(__name__)

T = TypeVar("T")
_ITEMS: dict[str, type[Any]] = {
    cls.__name__: cls for cls in (Calibration, Command, JournalEntry, Learned, Rebase, Settings, SystemReport)
}
KINDS = frozenset(_ITEMS)
"""Names of the types of items that are stored."""
_ADAPTERS: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(cls: type[Any]) -> TypeAdapter[Any]:
    # Built when first needed: pydantic compiles a schema for each, and a command that only reads needs one or two.
    if cls not in _ADAPTERS:
        _ADAPTERS[cls] = TypeAdapter(cls)
    return _ADAPTERS[cls]


def pack(value: object) -> str:
    """Return a record as JSON text."""
    return _adapter(type(value)).dump_json(value).decode()


def pack_item(item: Item) -> str | bytes:
    """Return a stream item as it is stored: JSON, of settings compressed, which every question about a night reads."""
    text = pack(item)
    return zlib.compress(text.encode(), 6) if isinstance(item, Settings) else text


def unpack_item(kind: str, data: str | bytes) -> Item:
    """Return a stream item from its stored kind and data."""
    text = zlib.decompress(data) if isinstance(data, bytes) else data
    item: Item = _adapter(_ITEMS[kind]).validate_json(text)
    return item


def readable(make: Callable[..., T], rows: Iterable[Sequence[Any]]) -> Iterator[T]:
    """Yield what `make` makes of each row; one that it cannot read, damaged or a newer version's, is left out and logged.

    One bad record must keep nobody from all others, least of all the start.
    """
    for row in rows:
        try:
            made = make(*row)
        except (ValueError, KeyError, zlib.error) as error:
            log.warning("a stored record cannot be read and is left out: %s: %s", type(error).__name__, error)
            continue
        yield made


def as_calibration(described: Mapping[str, Any]) -> Calibration:
    """Return a calibration from its JSON values. Raises ValueError."""
    calibration: Calibration = _adapter(Calibration).validate_python(described)
    return calibration


def as_facts(described: Sequence[Any]) -> tuple[Fact, ...]:
    """Return learned facts from their JSON values. Raises ValueError."""
    return tuple(_adapter(Fact).validate_python(one) for one in described)


def unpack_event(text: str) -> Event:
    """Return a stored event."""
    event: Event = _adapter(Event).validate_json(text)
    return event


def unpack_alarm(text: str) -> Alarm:
    """Return a stored alarm."""
    alarm: Alarm = _adapter(Alarm).validate_json(text)
    return alarm


def unpack_message(text: str) -> Message:
    """Return a stored message."""
    message: Message = _adapter(Message).validate_json(text)
    return message
