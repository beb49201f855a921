"""The dispatcher's view of the outbox: what the store says is due, corrected by what it does not know yet."""

from __future__ import annotations

import logging
import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final, Protocol

from dewkeeper.errors import DewkeeperError
from dewkeeper.notify.backoff import RETRY_AFTER_LONGEST_SECONDS
from dewkeeper.notify.gather import alarms_of
from dewkeeper.store.records import DeliveryResult, Message

log = logging.getLogger(__name__)

MOST_UNRECORDED: Final = 2000
_MOST_REMEMBERED: Final = 5_000


class Reader(Protocol):
    """What is read of the store."""

    def messages_due(self, now: int, channels: Sequence[str] | None = None) -> Sequence[Message]:
        """Return pending rows whose time has come, over these channels or (None) all, oldest first."""
        ...

    def next_due(self, now: int) -> int | None:
        """Return when the next pending row that waits for its time may go, UTC seconds; None for none."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


class Outbox:
    """Rows that wait. All but `hand_over` are for the dispatcher's thread.

    Results travel to the store through the writer, so the store lags behind: what was settled here is remembered
    until it can no longer come up again. Rows the store refused are kept here, bounded, least pressing dropped first.
    """

    def __init__(self, open_reader: Callable[[], Reader]) -> None:
        self._open_reader = open_reader
        self._reader: Reader | None = None
        self._lock = threading.Lock()
        self._unrecorded: dict[str, Message] = {}
        self._results: OrderedDict[str, DeliveryResult] = OrderedDict()
        self._deferred: dict[str, tuple[Message, float]] = {}
        self._released: dict[str, Message] = {}  # free again, though the store has them wait
        self.dropped = 0

    def hand_over(self, messages: Iterable[Message]) -> None:
        """Take rows the store refused. May be called from any thread."""
        with self._lock:
            for message in messages:
                self._unrecorded[message.id] = message
            while len(self._unrecorded) > MOST_UNRECORDED:
                least = min(self._unrecorded.values(), key=lambda m: (m.priority == "urgent", m.created))
                del self._unrecorded[least.id]
                self.dropped += 1

    def due(self, channels: Sequence[str], now: int, monotonic: float) -> dict[tuple[str, str], list[Message]]:
        """Return what may be sent now over these, by (channel, person), oldest first; nothing that overtakes its own alarm."""
        with self._lock:
            rows = {message.id: message for message in self._unrecorded.values() if _ripe(message, now)}
        for row in [*self._stored(channels, now, monotonic), *self._released.values()]:
            rows.setdefault(row.id, row)
        self._deferred = {i: held for i, held in self._deferred.items() if held[1] > monotonic}
        blocked: dict[tuple[str, str], set[str]] = {}
        for row, _ in self._deferred.values():
            blocked.setdefault((row.channel, row.person), set()).update(alarms_of(row))
        found: dict[tuple[str, str], list[Message]] = {}
        for row in rows.values():
            current = self._as_known(row)
            if current is None or row.id in self._deferred or row.channel not in channels:
                continue
            place = (row.channel, row.person)
            if not blocked.get(place, set()) & alarms_of(row):
                found.setdefault(place, []).append(current)
        for waiting in found.values():
            waiting.sort(key=lambda m: m.created)
        return found

    def settle(self, result: DeliveryResult) -> bool:
        """Remember a result until the store has it; return False if the row had come to its end before."""
        before = self._results.get(result.message)
        if before is not None and before.state != "pending":
            return False
        self._released.pop(result.message, None)
        if result.state != "pending":
            self._deferred.pop(result.message, None)  # another channel was faster: it holds nothing back any more
        self._results[result.message] = result
        self._results.move_to_end(result.message)
        while len(self._results) > _MOST_REMEMBERED:
            self._results.popitem(last=False)
        with self._lock:
            kept = self._unrecorded.get(result.message)
            if kept is not None and result.state != "pending":
                del self._unrecorded[result.message]
            elif kept is not None:
                self._unrecorded[kept.id] = replace(kept, attempts=result.attempts, next_try=result.next_try)
        return True

    def ended(self, identity: str) -> bool:
        """Whether a row is known to have come to its end."""
        result = self._results.get(identity)
        return result is not None and result.state != "pending"

    def defer(self, rows: Iterable[Message], until: float) -> None:
        """Hold rows back, and all that would overtake them, until then on the injected monotonic clock."""
        for row in rows:
            self._deferred[row.id] = (row, until)
            self._released.pop(row.id, None)

    def release(self, channel: str) -> None:
        """Let go of everything held back for a channel: its way is open again."""
        freed = [row for row, _ in self._deferred.values() if row.channel == channel]
        for row in freed:
            del self._deferred[row.id]
            self._released[row.id] = row

    def close(self) -> None:
        """Let go of the store."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def seconds_to_next(self, now: int, monotonic: float) -> float:
        """Return in how many seconds a row that waits for its time may go; infinity for none."""
        held = [until - monotonic for _, until in self._deferred.values() if until > monotonic]
        with self._lock:
            kept = [max(m.not_before, m.next_try) - now for m in self._unrecorded.values() if not _ripe(m, now)]
        stored = []
        if self._reader is not None:
            try:
                at = self._reader.next_due(now)
            except (DewkeeperError, OSError) as error:
                log.warning("outbox not readable: %s", error)
                self.close()
            else:
                stored = [] if at is None else [at - now]
        return float(min([*held, *kept, *stored], default=math.inf))

    def _as_known(self, row: Message) -> Message | None:
        result = self._results.get(row.id)
        if result is None or result.attempts < row.attempts:
            return row
        if result.state != "pending":
            return None
        return replace(row, attempts=result.attempts, next_try=result.next_try)

    def _recall(self, reader: Reader, now: int, monotonic: float) -> None:
        """Hold back again what waited for another attempt before a restart, so that nothing overtakes it."""
        for row in reader.messages_due(now + round(RETRY_AFTER_LONGEST_SECONDS)):
            if row.attempts and row.next_try > now:
                self._deferred.setdefault(row.id, (row, monotonic + row.next_try - now))

    def _stored(self, channels: Sequence[str], now: int, monotonic: float) -> Sequence[Message]:
        try:
            if self._reader is None:
                self._reader = self._open_reader()
                self._recall(self._reader, now, monotonic)
            return self._reader.messages_due(now, channels)
        except (DewkeeperError, OSError) as error:
            # Without a database what was handed over is still sent.
            log.warning("outbox not readable: %s", error)
            self.close()
            return ()


def _ripe(message: Message, now: int) -> bool:
    return max(message.not_before, message.next_try) <= now
