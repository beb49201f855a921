"""The dispatcher's view of the outbox: what the store says is due, corrected by what it does not know yet."""

from __future__ import annotations

import logging
import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from dewkeeper.errors import DewkeeperError
from dewkeeper.notify.backoff import RETRY_AFTER_LONGEST_SECONDS
from dewkeeper.notify.gather import alarms_of
from dewkeeper.notify.saying import plainly
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import LONGEST_QUIET_SECONDS, UNREADABLE, DeliveryResult, Message

log = logging.getLogger(__name__)

MOST_UNRECORDED: Final = 2000
_MOST_REMEMBERED: Final = 5_000
_PATIENCE_UNTRIED, _PATIENCE_TRIED = 1, 40
"""So many failures of what is older a row lets pass before it is tried without it, for that one may be at fault itself;
after its own failure, which says that it is rather the way, about an hour of them."""

Place = tuple[str, str]
"""Channel and person."""


class Reader(Protocol):
    """What is read of the store; `elapsed` as in `Times`."""

    def messages_due(
        self, now: int, channels: Sequence[str] | None = None, elapsed: int | None = None
    ) -> Sequence[Message]:
        """Return pending rows whose time has come, over these channels or (None) all, oldest first."""
        ...

    def seconds_to_due(self, now: int, elapsed: int | None = None) -> int | None:
        """Return in how many seconds the next pending row that waits for its time may go; None for none."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...


class Losses(Protocol):
    """Where it is counted what is given up, so that somebody hears of it."""

    def set_aside(self, part: str, what: str, why: str) -> None:
        """Note one thing that a part could not take in."""
        ...

    def drop(self, what: str, count: int = 1) -> None:
        """Count things of a kind, in words for people, that fell out of bounded memory."""
        ...

    def count(self, what: str, count: int = 1) -> None:
        """Count what is no loss and yet good to know."""
        ...


class Uncounted(Losses):
    """For whoever does not want to know."""

    def set_aside(self, part: str, what: str, why: str) -> None:
        """Log it."""
        log.error("%s: set aside %s: %s", part, what, why)

    def drop(self, what: str, count: int = 1) -> None:
        """Log it."""
        log.error("dropped: %d %s", count, what)

    def count(self, what: str, count: int = 1) -> None:
        """Forget it."""


@dataclass(frozen=True, slots=True)
class Times:
    """One moment by every clock.

    now: UTC seconds as the rest of the daemon stamps. elapsed: the same had the clock never been stepped, which is what
    rows wait by. monotonic: of this process.
    """

    now: int
    elapsed: int
    monotonic: float


@dataclass(frozen=True, slots=True)
class _Held:
    """A row that waits for another attempt."""

    row: Message
    until: float  # injected monotonic second
    refused: bool  # for what it is, and not because the way was closed


class Outbox:
    """Rows that wait. All but `hand_over` are for the dispatcher's thread.

    Results travel to the store through the writer, so the store lags behind: what was settled here is remembered
    until it can no longer come up again. Rows the store refused are kept here, bounded, least pressing dropped first.
    """

    def __init__(
        self, open_reader: Callable[[], Reader], wording: Wording | None = None, losses: Losses | None = None
    ) -> None:
        self._open_reader = open_reader
        self._wording = wording or Wording(ZoneInfo("UTC"))
        self._losses = losses or Uncounted()
        self._reader: Reader | None = None
        self._lock = threading.Lock()
        self._unrecorded: dict[str, Message] = {}
        self._results: OrderedDict[str, DeliveryResult] = OrderedDict()
        self._deferred: dict[str, _Held] = {}
        self._failures: dict[Place, int] = {}
        self._failures_seen: dict[str, int] = {}  # of the row's place, when it was last tried or first due
        self._released: dict[str, Message] = {}  # free again, though the store has them wait
        self.unreadable: list[str] = []  # damaged rows that came up; whoever asks for what is due ends them

    def hand_over(self, messages: Iterable[Message]) -> None:
        """Take rows the store refused. May be called from any thread."""
        with self._lock:
            for message in messages:
                self._unrecorded[message.id] = message
            while len(self._unrecorded) > MOST_UNRECORDED:
                least = min(self._unrecorded.values(), key=lambda m: (m.priority == "urgent", m.created))
                del self._unrecorded[least.id]
                self._losses.drop("messages that wait unrecorded")

    def due(self, channels: Collection[str], at: Times, reopening: Collection[str] = ()) -> dict[Place, list[Message]]:
        """Return what may be sent now over these, oldest first; nothing that overtakes its own alarm.

        reopening: channels that try their way anew; what failed over them comes along with what is due, so that the
        older is told first.
        """
        with self._lock:
            rows = {message.id: message for message in self._unrecorded.values() if _wait(message, at) <= 0}
        for row in [*self._stored(channels, at), *self._released.values()]:
            rows.setdefault(row.id, row)
        rows = {identity: self._sound(row, at.now) for identity, row in rows.items() if row.kind != UNREADABLE}
        self._deferred = {i: held for i, held in self._deferred.items() if held.until > at.monotonic}
        held_back: dict[Place, list[_Held]] = {}
        for held in self._deferred.values():
            held_back.setdefault((held.row.channel, held.row.person), []).append(held)
        found: dict[Place, list[Message]] = {}
        for row in rows.values():
            current = self._as_known(row)
            if current is not None and row.id not in self._deferred and row.channel in channels:
                found.setdefault((row.channel, row.person), []).append(current)
        for place, waiting in found.items():
            held_here = held_back.get(place, [])
            patient = self._patient(place, waiting)
            if patient and place[0] in reopening:
                along = [self._as_known(held.row) for held in held_here if not held.refused]
                waiting += [row for row in along if row is not None]
                held_here = [held for held in held_here if held.refused]
            blocked = {alarm for held in held_here for alarm in alarms_of(held.row)}
            waiting[:] = sorted((row for row in waiting if not blocked & alarms_of(row)), key=lambda m: m.created)
        return found

    def settle(self, result: DeliveryResult) -> bool:
        """Remember a result until the store has it; return False if the row had come to its end before."""
        before = self._results.get(result.message)
        if before is not None and before.state != "pending":
            return False
        self._released.pop(result.message, None)
        if result.state != "pending":
            self._deferred.pop(result.message, None)  # another channel was faster: it holds nothing back any more
            self._failures_seen.pop(result.message, None)
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

    def defer(self, place: Place, rows: Iterable[Message], until: float, *, refused: bool = False) -> None:
        """Hold rows of a failed attempt back, and news of their alarms, until then on the injected monotonic clock."""
        self._failures[place] = self._failures.get(place, 0) + 1
        for row in rows:
            self._deferred[row.id] = _Held(row, until, refused)
            self._released.pop(row.id, None)
            self._failures_seen[row.id] = self._failures[place]

    def release(self, channel: str) -> None:
        """Let go of everything held back for a channel: its way is open again."""
        freed = [held.row for held in self._deferred.values() if held.row.channel == channel]
        for row in freed:
            del self._deferred[row.id]
            self._released[row.id] = row

    def close(self) -> None:
        """Let go of the store."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def seconds_to_next(self, at: Times) -> float:
        """Return in how many seconds a row that waits for its time may go; infinity for none."""
        held = [one.until - at.monotonic for one in self._deferred.values() if one.until > at.monotonic]
        with self._lock:
            kept = [wait for m in self._unrecorded.values() if (wait := _wait(m, at)) > 0]
        stored = []
        if self._reader is not None:
            try:
                found = self._reader.seconds_to_due(at.now, at.elapsed)
            except (DewkeeperError, OSError) as error:
                log.warning("outbox not readable: %s", error)
                self.close()
            else:
                stored = [] if found is None else [found]
        return float(min([*held, *kept, *stored], default=math.inf))

    def _sound(self, row: Message, now: int) -> Message:
        """Return the row, or what can be told of one whose facts are not what anything ever stored."""
        try:
            alarms_of(row), list(row.facts.get("siblings", ()))
        except (TypeError, AttributeError) as error:
            self._losses.set_aside("dispatcher", f"facts of message {row.id}", str(error))
            return plainly(replace(row, facts={}), self._wording, now)
        return row

    def _as_known(self, row: Message) -> Message | None:
        result = self._results.get(row.id)
        if result is None or result.attempts < row.attempts:
            return row
        if result.state != "pending":
            return None
        return replace(row, attempts=result.attempts, next_try=result.next_try)

    def _patient(self, place: Place, waiting: Sequence[Message]) -> bool:
        """Whether all of these can still let what is older go before them."""
        failures = self._failures.get(place, 0)
        if len(self._failures_seen) > _MOST_REMEMBERED:
            self._failures_seen.clear()
        passed = [failures - self._failures_seen.setdefault(row.id, failures) for row in waiting]
        limits = [_PATIENCE_TRIED if row.attempts else _PATIENCE_UNTRIED for row in waiting]
        return all(n < limit for n, limit in zip(passed, limits, strict=True))

    def _recall(self, reader: Reader, at: Times) -> None:
        """After a start all is tried anew, also what was to wait longer: so the older is told first."""
        for row in reader.messages_due(at.now, None, at.elapsed + round(RETRY_AFTER_LONGEST_SECONDS)):
            if row.attempts and row.next_try > at.elapsed and row.kind != UNREADABLE:
                self._released.setdefault(row.id, row)

    def _stored(self, channels: Collection[str], at: Times) -> Sequence[Message]:
        try:
            if self._reader is None:
                self._reader = self._open_reader()
                self._recall(self._reader, at)
            rows = self._reader.messages_due(at.now, list(channels), at.elapsed)
        except (DewkeeperError, OSError) as error:
            # Without a database what was handed over is still sent.
            log.warning("outbox not readable: %s", error)
            self.close()
            return ()
        self.unreadable = [row.id for row in rows if row.kind == UNREADABLE and not self.ended(row.id)]
        return rows


def _wait(message: Message, at: Times) -> int:
    """Return for how many seconds a row must still wait; zero or less for none."""
    quiet = message.not_before - at.now
    return max(0 if quiet > LONGEST_QUIET_SECONDS else quiet, message.next_try - at.elapsed)
