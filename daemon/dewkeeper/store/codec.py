"""Stream items, events and messages as JSON text and back."""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

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
from dewkeeper_config.plain import from_plain, from_text, to_text

log = logging.getLogger(__name__)

T = TypeVar("T")
_ITEMS: dict[str, type[Any]] = {
    cls.__name__: cls for cls in (Calibration, Command, JournalEntry, Learned, Rebase, Settings, SystemReport)
}
KINDS = frozenset(_ITEMS)
"""Names of the types of items that are stored."""


def pack(value: object) -> str:
    """Return a record as JSON text."""
    return to_text(value)


def pack_item(item: Item) -> str | bytes:
    """Return a stream item as it is stored: JSON, of settings compressed, which every question about a night reads."""
    text = pack(item)
    return zlib.compress(text.encode(), 6) if isinstance(item, Settings) else text


def unpack_item(kind: str, data: str | bytes) -> Item:
    """Return a stream item from its stored kind and data."""
    text = zlib.decompress(data).decode() if isinstance(data, bytes) else data
    item: Item = from_text(_ITEMS[kind], text)
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
    return from_plain(Calibration, described)


def as_facts(described: Sequence[Any]) -> tuple[Fact, ...]:
    """Return learned facts from their JSON values. Raises ValueError."""
    return tuple(from_plain(Fact, one) for one in described)


def unpack_event(text: str) -> Event:
    """Return a stored event."""
    return from_text(Event, text)


def unpack_alarm(text: str) -> Alarm:
    """Return a stored alarm."""
    return from_text(Alarm, text)


def unpack_message(text: str) -> Message:
    """Return a stored message."""
    return from_text(Message, text)
