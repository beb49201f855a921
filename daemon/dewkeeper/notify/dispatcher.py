"""The dispatcher: takes what is due from the outbox to the channels. A dead channel or person delays no other."""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from itertools import zip_longest

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport
from dewkeeper.notify.backoff import delay_seconds
from dewkeeper.notify.channels import open_channels
from dewkeeper.notify.errors import PermanentFailure, TemporaryFailure
from dewkeeper.notify.gather import Parcel, parcels
from dewkeeper.notify.lane import Lane
from dewkeeper.notify.outbox import Outbox, Reader
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Delivery, DeliveryResult, Message
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

IDLE_SECONDS = 60.0
"""Rows that come are announced by `wake`, and times are known; this is for what nobody announces."""
PERMANENT_RETRY_SECONDS = 900
PERMANENT_ATTEMPTS = 8
"""A permanent refusal is tried again this far apart and this often, for the keeper may put right what is wrong."""
_REAL_WAIT_SECONDS = 1.0
_END_SECONDS = 2.0
_READY_FACTOR = 10.0
_SHORTEST_READY_SECONDS, _LONGEST_READY_SECONDS = 0.05, 1.0
"""What was read of the outbox is good for ten times as long as reading it took, within these."""


class Dispatcher:
    """Runs in a thread of its own. `heartbeat`: injected monotonic second of the last round; `wake`: set it when rows came.

    history_factory: opens the store for reading; may raise, and is tried again. report: where results go (the writer).
    trouble: where the state of channels goes.
    """

    def __init__(
        self,
        config: Config,
        history_factory: Callable[[], Reader],
        clock: Clock,
        report: Callable[[DeliveryResult], None],
        trouble: Callable[[SystemReport], None],
    ) -> None:
        self._clock = clock
        self._report = report
        self._trouble = trouble
        self._wording = Wording.of(config.site)
        self._outbox = Outbox(history_factory)
        self._lanes = {channel.name: Lane(channel) for channel in open_channels(config, clock.wall)}
        self.wake = threading.Event()
        self.heartbeat = clock.monotonic()

    def hand_over(self, messages: Iterable[Message]) -> None:
        """Take rows the store refused: they are sent from memory under their final ids."""
        self._outbox.hand_over(messages)
        self.wake.set()

    def run(self, stop: threading.Event) -> None:
        """Send what is due until `stop` is set (and `wake` with it)."""
        while not stop.is_set():
            self.wake.clear()
            try:
                seconds = self._round()
            except Exception:
                # One malformed row must not silence everybody for good.
                log.exception("dispatcher: a round failed")
                seconds = IDLE_SECONDS
            self.heartbeat = self._clock.monotonic()
            if stop.is_set():
                break
            busy = [lane.ends for lane in self._lanes.values() if lane.busy]
            if busy:
                # Sockets live in real time, and a manual clock must not move while one is waited for.
                self.wake.wait(min(_REAL_WAIT_SECONDS, max(0.0, min(busy) - time.monotonic())))
            else:
                self._clock.wait(self.wake, seconds)
        self._end()

    def _round(self) -> float:
        """Take in what ended, start what is due; return after how many seconds there may be more to do."""
        for lane in self._lanes.values():
            self._collect(lane)
        now, monotonic = int(self._clock.wall()), self._clock.monotonic()
        waits = [IDLE_SECONDS]
        hungry = []
        for lane in self._lanes.values():
            if lane.busy:
                continue
            if lane.breaker.rests(monotonic):
                waits.append(lane.breaker.resting_until - monotonic)
            elif lane.stuck():
                self._say(lane, True, "sends hang for good; the system's name look-up does not answer", now)
            elif not self._start(lane, monotonic):
                hungry.append(lane)
        if hungry:
            self._fill(hungry, now, monotonic)
            waits += [lane.allowance(monotonic) or IDLE_SECONDS for lane in hungry if not self._start(lane, monotonic)]
        return max(0.0, min(*waits, self._outbox.seconds_to_next(now, monotonic)))

    def _start(self, lane: Lane, monotonic: float) -> bool:
        """Start the first parcel that lies ready and that the channel's rate allows; return whether there was one."""
        parcel = lane.next_ready(monotonic)
        while parcel is not None and any(self._outbox.ended(row.id) for row in parcel.carries):
            parcel = lane.next_ready(monotonic)  # another channel was faster meanwhile
        if parcel is not None:
            lane.start(parcel, monotonic, self.wake.set)
        return parcel is not None

    def _fill(self, lanes: Sequence[Lane], now: int, monotonic: float) -> None:
        """Read the outbox once and lay ready what these channels may send, people taking turns.

        A large backlog is so not read anew for every message, and yet a new urgent row waits less than a second.
        """
        reopening = [lane.channel.name for lane in lanes if lane.breaker.opened]
        due = self._outbox.due([lane.channel.name for lane in lanes], now, monotonic, reopening)
        for lane in lanes:
            mine = {person: rows for (channel, person), rows in due.items() if channel == lane.channel.name}
            turns = [
                parcels([row for row in mine[person] if not self._expired(row, now)], self._wording, now)
                for person in sorted(mine, key=lambda name: (lane.last_person.get(name, float("-inf")), name))
            ]
            lane.ready.extend(parcel for turn in zip_longest(*turns) for parcel in turn if parcel is not None)
        found = self._clock.monotonic()
        good_seconds = min(_LONGEST_READY_SECONDS, max(_SHORTEST_READY_SECONDS, _READY_FACTOR * (found - monotonic)))
        for lane in lanes:
            lane.ready_until = found + good_seconds

    def _expired(self, row: Message, now: int) -> bool:
        if row.expires is None or row.expires > now:
            return False
        self._settle(row, "expired", row.attempts, error="no longer of use")
        return True

    def _collect(self, lane: Lane, *, give_up: bool = False) -> None:
        outcome = lane.take(give_up=give_up)
        parcel = lane.parcel
        if outcome is None or parcel is None:
            return
        lane.parcel = None
        now, monotonic = int(self._clock.wall()), self._clock.monotonic()
        try:
            outcome()
        except PermanentFailure as error:
            self._refused(lane, parcel, error, now, monotonic)
        except TemporaryFailure as error:
            self._failed(lane, parcel, error, now, monotonic)
        except Exception as error:
            log.exception("channel %s broke its contract", lane.channel.name)
            self._failed(lane, parcel, TemporaryFailure(f"{type(error).__name__}: {error}"), now, monotonic)
        else:
            self._accepted(lane, parcel, now, monotonic)

    def _accepted(self, lane: Lane, parcel: Parcel, now: int, monotonic: float) -> None:
        if lane.breaker.failures:
            self._outbox.release(lane.channel.name)
        lane.breaker.succeeded()
        lane.count(monotonic)
        self._say(lane, False, "", now)
        for row in parcel.carries:
            self._settle(row, "sent" if row.id == parcel.message.id else "collapsed", row.attempts + 1)
        for identity in _siblings(parcel):
            self._settle_id(identity, "collapsed", "another channel was faster")

    def _failed(self, lane: Lane, parcel: Parcel, error: TemporaryFailure, now: int, monotonic: float) -> None:
        lane.breaker.failed(monotonic, error.retry_after_seconds, slow=error.slow)
        row = _main_row(parcel)
        wait = delay_seconds(row.id, row.attempts + 1, slow=error.slow)
        if error.retry_after_seconds is not None:
            wait = max(wait, error.retry_after_seconds)
        self._postpone(lane, parcel, row, wait, str(error), now, monotonic)
        if lane.breaker.in_trouble(monotonic):
            self._say(lane, True, str(error), now)

    def _refused(self, lane: Lane, parcel: Parcel, error: PermanentFailure, now: int, monotonic: float) -> None:
        lane.breaker.failed(monotonic)
        row = _main_row(parcel)
        self._say(lane, True, str(error), now)
        for identity in _siblings(parcel):
            self._outbox_result(DeliveryResult(identity, now, "pending", 0, now, "the first channel refused"))
        if row.attempts + 1 >= PERMANENT_ATTEMPTS:
            for carried in parcel.carries:
                self._settle(carried, "failed", carried.attempts + 1, error=str(error))
            return
        self._postpone(lane, parcel, row, PERMANENT_RETRY_SECONDS, str(error), now, monotonic, refused=True)

    def _postpone(
        self,
        lane: Lane,
        parcel: Parcel,
        row: Message,
        wait: float,
        error: str,
        now: int,
        monotonic: float,
        *,
        refused: bool = False,
    ) -> None:
        log.info("not delivered over %s, again in %.0f s: %s", row.channel, wait, error)
        whole_seconds = math.ceil(wait)  # store and memory must let it go in the same second, or it is overtaken
        place = (row.channel, row.person)
        self._outbox.defer(place, parcel.carries, monotonic + whole_seconds, refused=refused)
        lane.hold_back(parcel.alarms)
        self._settle(row, "pending", row.attempts + 1, next_try=now + whole_seconds, error=error)

    def _settle(self, row: Message, state: Delivery, attempts: int, *, next_try: int = 0, error: str = "") -> None:
        self._outbox_result(DeliveryResult(row.id, int(self._clock.wall()), state, attempts, next_try, error))

    def _settle_id(self, identity: str, state: Delivery, error: str) -> None:
        self._outbox_result(DeliveryResult(identity, int(self._clock.wall()), state, 0, 0, error))

    def _outbox_result(self, result: DeliveryResult) -> None:
        if self._outbox.settle(result):
            self._report(result)

    def _say(self, lane: Lane, trouble: bool, why: str, now: int) -> None:
        """Tell of a channel's trouble, or of its end, once."""
        if lane.reported == trouble:
            return
        lane.reported = trouble
        name = lane.channel.name
        text = f"messages over {name} do not arrive: {why}" if trouble else f"{name} delivers"
        self._trouble(SystemReport(now, f"channel {name}", trouble, text))

    def _end(self) -> None:
        """Give what is under way a moment, then end it: it stays in the outbox and goes out after the next start."""
        give_up = time.monotonic() + _END_SECONDS
        for lane in self._lanes.values():
            while lane.busy and time.monotonic() < give_up:
                self.wake.wait(0.05)
                self.wake.clear()
                self._collect(lane)
            self._collect(lane, give_up=True)
            lane.wait_for_end(_REAL_WAIT_SECONDS)
        self._outbox.close()
        if hasattr(self._clock, "leave"):
            self._clock.leave()


def _main_row(parcel: Parcel) -> Message:
    return next(row for row in parcel.carries if row.id == parcel.message.id)


def _siblings(parcel: Parcel) -> list[str]:
    return [identity for row in parcel.carries for identity in row.facts.get("siblings", ())]
