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
from typing import NamedTuple

from dewkeeper.judge.types import Item, Reading
from dewkeeper.store import asked, codec
from dewkeeper.store.archive import all_rows, probe_rows
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, PROBE_MASK, Asking
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rows import Row, first_key, last_key

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
    waiting = list(reversed(wanted))
    with reader() as connection:
        at, end = _span(connection, after)
    while at < end:
        with reader() as connection:
            at = max(at, _next(connection, at, end))
            part_end = min((at // BLOCK_SECONDS + 1) * BLOCK_SECONDS, end)  # no archived block is opened twice
            part = _Part(connection, at, part_end, after, probes)
        # Whoever takes them may be slow, and a long read holds up the writer's log: nothing is open meanwhile.
        for place, reading in part.readings():
            while waiting and waiting[-1].place < place:
                with reader() as connection:
                    found = fetch(connection, waiting.pop())
                yield from found
            yield reading
        at = part_end
    while waiting:
        with reader() as connection:
            found = fetch(connection, waiting.pop())
        yield from found


def _span(connection: Asking, after: StreamPlace) -> tuple[int, int]:
    """Return the first second that may be wanted and the one after the last."""
    first, last = first_key(connection), last_key(connection)
    oldest, newest = connection.row(asked.CHUNK_ENDS)
    begins = [first >> PROBE_BITS] if first is not None else []
    ends = [last >> PROBE_BITS] if last is not None else []
    if oldest is not None:
        begins.append((oldest >> PROBE_BITS) * BLOCK_SECONDS)
        ends.append(((newest >> PROBE_BITS) + 1) * BLOCK_SECONDS)
    return max(min(begins, default=0), after.key >> PROBE_BITS), max(ends, default=-1) + 1


def _next(connection: Asking, at: int, end: int) -> int:
    """Return the first second from `at` on that may have a reading, `end` without any: years may be empty."""
    key = at << PROBE_BITS
    found = [connection.value(asked.NEXT_READING, first=key), connection.value(asked.NEXT_LATE, first=key)]
    seconds: list[int] = [key >> PROBE_BITS for key in found if key is not None]
    chunk = connection.value(asked.NEXT_CHUNK, first=at // BLOCK_SECONDS << PROBE_BITS)
    if chunk is not None:
        seconds.append((chunk >> PROBE_BITS) * BLOCK_SECONDS)
    return min([end, *seconds])


class _Part:
    """The readings of [start, end) that come after a place, read whole; words of failed polls are -1."""

    def __init__(
        self, connection: Asking, start: int, end: int, after: StreamPlace, probes: Collection[str] | None
    ) -> None:
        first, last = start << PROBE_BITS, end << PROBE_BITS
        elsewhere = {key for (key,) in connection.rows(asked.LATE_KEYS, first=first, end=last)}
        self._decoder = decoder = Decoder(connection, start, end)
        self._late = [
            (place, reading)
            for place, reading in _late_readings(connection, first, last, after)
            if probes is None or reading.probe in probes
        ]
        self._keys, self._words = array("q"), array("i")
        numbers = [number for number, name in decoder.names.items() if probes is None or name in probes]
        rows: Iterable[Row] = (
            all_rows(connection, start, end) if probes is None else _rows_of(connection, numbers, start, end)
        )
        for key, t, h in rows:
            if key not in elsewhere and StreamPlace(key) > after:
                self._keys.append(key)
                self._words.extend((-1 if t is None else t, -1 if h is None else h))

    def readings(self) -> Iterator[tuple[StreamPlace, Reading]]:
        """Yield them in order of arrival."""
        decoder, names = self._decoder, self._decoder.names
        scales = {number: decoder.bare(number) for number in names}
        texts = {number: decoder.scale(number) for number in names}
        stepped = list(reversed(self._late))
        words = iter(self._words)
        for key, t, h in zip(self._keys, words, words, strict=True):
            while stepped and stepped[-1][0].key < key:
                yield stepped.pop()
            scale = scales[key & PROBE_MASK]
            if scale is None or t < 0 or h < 0:
                yield StreamPlace(key), decoder.decode(key, None if t < 0 else t, None if h < 0 else h)[0]
            else:
                temperature_c, humidity_percent = scale.decode(t, h)
                name = names[key & PROBE_MASK]
                yield (
                    StreamPlace(key),
                    Reading(
                        key >> PROBE_BITS, name, temperature_c, humidity_percent, t, h, scale=texts[key & PROBE_MASK]
                    ),
                )
        while stepped:
            yield stepped.pop()


def _rows_of(connection: Asking, numbers: Sequence[int], start: int, end: int) -> list[Row]:
    return sorted(
        (row for number in numbers for row in probe_rows(connection, number, start, end)), key=lambda row: row[0]
    )


def _late_readings(connection: Asking, first: int, last: int, after: StreamPlace) -> list[tuple[StreamPlace, Reading]]:
    """Return the late readings that came after keys of a part, in order of arrival."""
    rows = connection.rows(asked.LATE_AFTER, first=first, end=last)
    places = {key: StreamPlace(anchor, seq) for anchor, seq, key in rows if StreamPlace(anchor, seq) > after}
    if not places:
        return []
    start, end = min(places) >> PROBE_BITS, (max(places) >> PROBE_BITS) + 1
    decoder = Decoder(connection, start, end)
    found = [(places[row[0]], decoder.decode(*row)[0]) for row in all_rows(connection, start, end) if row[0] in places]
    return sorted(found, key=lambda pair: pair[0])
