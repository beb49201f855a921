"""The stored stream, readings and everything else, in the order in which it came; a part in memory at a time.

Keys are in order of time, which is the order of arrival except after the clock was stepped back: those readings stand in
`late` too, with the key they came after. So every reading has a place (largest key so far, number among the late), and
every other item has the place of the reading it came after.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from heapq import merge
from typing import NamedTuple

from dewkeeper.judge.types import Item
from dewkeeper.store import asked, codec
from dewkeeper.store.archive import all_rows, extent, probe_rows
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, Asking
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rows import Row

# More than there ever are late readings after one key.
_LAST = 1 << 60
BEFORE_ALL = -(1 << 62)
"""A number below every item's: those that were imported have negative ones."""
Reader = Callable[[], AbstractContextManager[Asking]]
"""Opens a connection for one short read."""


class StreamPlace(NamedTuple):
    """Where something stands in the stream: after this key, and after this many late readings (0: none)."""

    key: int
    late: int = 0


@dataclass(frozen=True, slots=True)
class Other:
    """An item that is no reading: where it stands and where to find it."""

    place: StreamPlace
    seq: int
    kind: str


def before(second: int) -> StreamPlace:
    """Return the place before every reading of a second that was not late."""
    return StreamPlace((second << PROBE_BITS) - 1, _LAST)


def place_of(connection: Asking, key: int) -> StreamPlace:
    """Return the place of a stored reading."""
    row = connection.row(asked.PLACE_OF_LATE, key=key)
    return StreamPlace(key) if row is None else StreamPlace(*row)


def others(connection: Asking, after_item: int = BEFORE_ALL) -> list[Other]:
    """Return every item that is no reading, or those with a larger number, in order of arrival."""
    rows = connection.rows(asked.ITEMS_AFTER, seq=after_item)
    found = []
    for seq, key, time, kind, anchor, late in rows:
        # Imported ones were never in the stream: they stand where their own time says.
        place = (
            StreamPlace(time << PROBE_BITS)
            if seq < 0
            else StreamPlace(key)
            if late is None
            else StreamPlace(anchor, late)
        )
        if kind == "Calibration":  # one that was dated back stands before the first reading it corrects
            place = min(place, before(time))
        found.append(Other(place, seq, kind))
    return sorted(found, key=lambda other: (other.place, other.seq))


def fetch(connection: Asking, other: Other) -> Sequence[Item]:
    """Return an item, none if it cannot be read."""
    data = connection.value(asked.ITEM, seq=other.seq)
    return list(codec.readable(codec.unpack_item, [(other.kind, data)]))


def arrivals(
    reader: Reader, after: StreamPlace, wanted: Sequence[Other], probes: Collection[str] | None = None
) -> Iterator[Item]:
    """Yield the readings stored after a place, and among them the wanted items, up to what there is at the beginning.

    probes: only the readings of these (None: of all).
    """
    # Of two in one place the reading is first: an item stands after the reading that it came after.
    for _, one in merge(_readings(reader, after, probes), _fetched(reader, wanted), key=_place):
        yield one


_Placed = tuple[StreamPlace, Item]


def _place(placed: _Placed) -> StreamPlace:
    return placed[0]


def _fetched(reader: Reader, wanted: Sequence[Other]) -> Iterator[_Placed]:
    for other in wanted:
        with reader() as connection:
            found = fetch(connection, other)
        for one in found:
            yield other.place, one


def _readings(reader: Reader, after: StreamPlace, probes: Collection[str] | None) -> Iterator[_Placed]:
    """Yield the readings that come after a place, in order of arrival."""
    with reader() as connection:
        first, end = extent(connection)
    at = max(first, after.key >> PROBE_BITS)
    while at < end:
        with reader() as connection:
            at = max(at, _next(connection, at, end))
            part_end = min((at // BLOCK_SECONDS + 1) * BLOCK_SECONDS, end)  # no archived block is opened twice
            decoder = Decoder(connection, at, part_end)
            late = _late_readings(connection, at << PROBE_BITS, part_end << PROBE_BITS, after, probes)
            rows = _rows(connection, decoder, at, part_end, after, probes)
        # Whoever takes them may be slow, and a long read holds up the writer's log: nothing is open meanwhile.
        yield from merge(_decoded(decoder, *rows), late, key=_place)
        at = part_end


def _next(connection: Asking, at: int, end: int) -> int:
    """Return the first second from `at` on that may have a reading, `end` without any: years may be empty."""
    key = at << PROBE_BITS
    found = [connection.value(asked.NEXT_READING, first=key), connection.value(asked.NEXT_LATE, first=key)]
    seconds: list[int] = [key >> PROBE_BITS for key in found if key is not None]
    chunk = connection.value(asked.NEXT_CHUNK, first=at // BLOCK_SECONDS << PROBE_BITS)
    if chunk is not None:
        seconds.append((chunk >> PROBE_BITS) * BLOCK_SECONDS)
    return min([end, *seconds])


def _rows(
    connection: Asking, decoder: Decoder, start: int, end: int, after: StreamPlace, probes: Collection[str] | None
) -> tuple[array[int], array[int]]:
    """Return keys and words of the rows of [start, end) that were not late; -1 for a word that a failed poll lacks.

    As numbers side by side: a block of a large rack is 370,000 rows, as records 50 MB.
    """
    elsewhere = {key for (key,) in connection.rows(asked.LATE_KEYS, first=start << PROBE_BITS, end=end << PROBE_BITS)}
    found: Iterable[Row] = all_rows(connection, start, end)
    if probes is not None:
        numbers = [number for number, name in decoder.names.items() if name in probes]
        found = sorted(
            (row for number in numbers for row in probe_rows(connection, number, start, end)), key=lambda row: row[0]
        )
    keys, words = array("q"), array("i")
    for key, t, h in found:
        if key not in elsewhere and StreamPlace(key) > after:
            keys.append(key)
            words.extend((-1 if t is None else t, -1 if h is None else h))
    return keys, words


def _decoded(decoder: Decoder, keys: array[int], words: array[int]) -> Iterator[_Placed]:
    each = iter(words)
    for key, t, h in zip(keys, each, each, strict=True):
        yield StreamPlace(key), decoder.reading(key, None if t < 0 else t, None if h < 0 else h)


def _late_readings(
    connection: Asking, first: int, last: int, after: StreamPlace, probes: Collection[str] | None
) -> list[_Placed]:
    """Return the late readings that came after keys of a part, in order of arrival."""
    rows = connection.rows(asked.LATE_AFTER, first=first, end=last)
    places = {key: StreamPlace(anchor, seq) for anchor, seq, key in rows if StreamPlace(anchor, seq) > after}
    if not places:
        return []
    start, end = min(places) >> PROBE_BITS, (max(places) >> PROBE_BITS) + 1
    decoder = Decoder(connection, start, end)
    found = [(places[row[0]], decoder.reading(*row)) for row in all_rows(connection, start, end) if row[0] in places]
    return sorted(((place, one) for place, one in found if probes is None or one.probe in probes), key=_place)
