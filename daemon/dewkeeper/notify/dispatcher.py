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
from dewkeeper.notify.channel import Receipt
from dewkeeper.notify.channels import open_channels
from dewkeeper.notify.errors import CertificateRefused, DeadlinePassed, PermanentFailure, SendFailure, TemporaryFailure
from dewkeeper.notify.gather import Parcel, parcels
from dewkeeper.notify.lane import Lane
from dewkeeper.notify.outbox import Losses, Outbox, Reader, Times, Uncounted
from dewkeeper.notify.saying import UNWORDED, Situation
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Delivery, DeliveryResult, Message
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

IDLE_SECONDS = 60.0
"""Rows that come are announced by `wake`, and times are known; this is for what nobody announces."""
PERMANENT_RETRY_SECONDS = 900
PERMANENT_ATTEMPTS = 8
"""A permanent refusal is tried again this far apart and this often, two hours in all: the keeper may put right what is wrong."""
_REAL_WAIT_SECONDS = 1.0
_END_SECONDS = 2.0
_READY_FACTOR = 10.0
_SHORTEST_READY_SECONDS, _LONGEST_READY_SECONDS = 0.05, 1.0
"""What was read of the outbox is good for ten times as long as reading it took, within these."""


class Dispatcher:
    """Runs in a thread of its own. `wake`: set it when rows came.

    `turned`, `worked`: injected monotonic seconds of the last round, and of the last that did its work.

    history_factory: opens the store for reading; may raise, and is tried again. report: where results go (the writer).
    trouble: where the state of channels goes. situation: how things are now. now: UTC seconds as everything is stamped
    with; stepped: by how many seconds the clock was stepped before this start, as the planner remembers it.
    """

    def __init__(
        self,
        config: Config,
        history_factory: Callable[[], Reader],
        clock: Clock,
        report: Callable[[DeliveryResult], None],
        trouble: Callable[[SystemReport], None],
        situation: Callable[[], Situation] = Situation,
        now: Callable[[], int] | None = None,
        stepped: int = 0,
        losses: Losses | None = None,
    ) -> None:
        self._clock = clock
        self._now = now or (lambda: int(clock.wall()))
        # Rows wait in elapsed time, which outlives a restart as UTC less all steps; the monotonic clock does not. So
        # the difference is taken once.
        self._elapsed_less_monotonic = self._now() - stepped - clock.monotonic()
        self._report = report
        self._trouble = trouble
        self._situation = situation
        self._losses = losses or Uncounted()
        self._wording = Wording.of(config.site)
        self._outbox = Outbox(history_factory, self._wording, self._losses)
        self._lanes = {channel.name: Lane(channel, clock.monotonic()) for channel in open_channels(config, clock.wall)}
        self.wake = threading.Event()
        self.turned = self.worked = clock.monotonic()
        self._unworded: set[str] = set()

    def hand_over(self, messages: Iterable[Message]) -> None:
        """Take rows the store refused: they are sent from memory under their final ids."""
        self._outbox.hand_over(messages)
        self.wake.set()

    def run(self, stop: threading.Event) -> None:
        """Send what is due until `stop` is set (and `wake` with it)."""
        while not stop.is_set():
            # Before the round, not after it: what comes meanwhile wakes the next one.
            self.wake.clear()
            try:
                seconds = self._round()
                self.worked = self._clock.monotonic()
            except Exception:
                # Nothing may silence everybody for good; that no round succeeds is told by whoever watches `worked`.
                log.exception("dispatcher: a round failed")
                seconds = IDLE_SECONDS
            self.turned = self._clock.monotonic()
            if stop.is_set():
                break
            busy = [lane.ends for lane in self._lanes.values() if lane.at_work]
            if busy:
                # Sockets live in real time, and a manual clock must not move while one is waited for.
                self.wake.wait(min(_REAL_WAIT_SECONDS, max(0.0, min(busy) - time.monotonic())))
            else:
                self._clock.wait(self.wake, seconds)
        self._end()

    def _times(self) -> Times:
        monotonic = self._clock.monotonic()
        return Times(self._now(), int(monotonic + self._elapsed_less_monotonic), monotonic)

    def _round(self) -> float:
        """Take in what ended, start what is due; return after how many seconds there may be more to do."""
        at = self._times()
        for lane in self._lanes.values():
            self._collect(lane)
            self._collect_probe(lane, at)
        waits = [IDLE_SECONDS]
        hungry = []
        for lane in self._lanes.values():
            waits.append(self._probe(lane, at.monotonic))
            if lane.busy:
                continue
            if lane.breaker.rests(at.monotonic):
                waits.append(lane.breaker.resting_until - at.monotonic)
            elif lane.stuck():
                self._say(lane, True, "sends hang for good; the system's name look-up does not answer", at.now)
            elif not self._start(lane, at.monotonic):
                hungry.append(lane)
        # Nothing lies ready for these; the outbox is read once for all of them.
        if hungry:
            self._fill(hungry, at)
            waits += [
                lane.allowance(at.monotonic) or IDLE_SECONDS for lane in hungry if not self._start(lane, at.monotonic)
            ]
        return max(0.0, min(*waits, self._outbox.seconds_to_next(at)))

    def _probe(self, lane: Lane, monotonic: float) -> float:
        """Start a probe of the way if one is due; return in how many seconds the next is."""
        wait = lane.probe.wait(monotonic, trouble=lane.reported is True)
        if wait <= 0:
            lane.probe.start(monotonic, self.wake.set)
            wait = lane.probe.wait(monotonic, trouble=lane.reported is True)
        return wait

    def _collect_probe(self, lane: Lane, at: Times, *, give_up: bool = False) -> None:
        found = lane.probe.take(at.monotonic, give_up=give_up)
        if isinstance(found, SendFailure):
            log.info("the way over %s is not open: %s", lane.channel.name, found)
            if not give_up and lane.probe.worth_saying(found, at.monotonic):
                self._say(lane, True, str(found), at.now)
        elif found:
            lane.breaker.succeeded()
            self._outbox.release(lane.channel.name)
            self._say(lane, False, "", at.now)

    def _start(self, lane: Lane, monotonic: float) -> bool:
        """Start the first parcel that lies ready and that the channel's rate allows; return whether there was one."""
        parcel = lane.next_ready(monotonic)
        while parcel is not None and any(self._outbox.ended(row.id) for row in parcel.carries):
            parcel = lane.next_ready(monotonic)  # another channel was faster meanwhile
        if parcel is not None:
            lane.start(parcel, monotonic, self.wake.set)
        return parcel is not None

    def _fill(self, lanes: Sequence[Lane], at: Times) -> None:
        """Read the outbox once and lay ready what these channels may send, people taking turns.

        A large backlog is so not read anew for every message, and yet a new urgent row waits less than a second.
        """
        reopening = [lane.channel.name for lane in lanes if lane.breaker.opened]
        due = self._outbox.due([lane.channel.name for lane in lanes], at, reopening)
        for identity in self._outbox.unreadable:
            self._losses.set_aside("dispatcher", f"message {identity}", "its row in the database cannot be read")
            self._settle_id(identity, "failed", "it cannot be read")
        situation = self._situation()
        for lane in lanes:
            mine = {person: rows for (channel, person), rows in due.items() if channel == lane.channel.name}
            turns = [
                self._parcels([row for row in mine[person] if not self._expired(row, at.now)], situation, at.now)
                # Whoever was sent to longest ago comes first; the name only settles ties, so that two runs are alike.
                for person in sorted(mine, key=lambda name: (lane.last_person.get(name, float("-inf")), name))
            ]
            lane.ready.extend(parcel for turn in zip_longest(*turns) for parcel in turn if parcel is not None)
        found = self._clock.monotonic()
        good_seconds = min(_LONGEST_READY_SECONDS, max(_SHORTEST_READY_SECONDS, _READY_FACTOR * (found - at.monotonic)))
        for lane in lanes:
            lane.ready_until = found + good_seconds

    def _parcels(self, rows: Sequence[Message], situation: Situation, now: int) -> list[Parcel]:
        made = parcels(rows, self._wording, now, situation)
        for parcel in made:
            if parcel.message.facts.get(UNWORDED) and parcel.message.id not in self._unworded:
                self._unworded.add(parcel.message.id)
                self._losses.set_aside("dispatcher", f"the words of message {parcel.message.id}", "it was told plainly")
        return made

    def _expired(self, row: Message, now: int) -> bool:
        if row.expires is None or row.expires > now:
            return False
        self._settle(row, "expired", row.attempts, error="no longer of use")
        self._losses.count("messages of no use any more when they could be sent")
        return True

    def _collect(self, lane: Lane, *, give_up: bool = False) -> None:
        outcome = lane.take(give_up=give_up)
        parcel = lane.parcel
        if outcome is None or parcel is None:
            return
        lane.parcel = None
        at = self._times()
        try:
            receipt = outcome()
        except PermanentFailure as error:
            lane.probe.deep = True
            self._refused(lane, parcel, error, at)
        except TemporaryFailure as error:
            self._failed(lane, parcel, error, at)
        except Exception as error:
            log.exception("channel %s broke its contract", lane.channel.name)
            self._failed(lane, parcel, TemporaryFailure(f"{type(error).__name__}: {error}"), at)
        else:
            self._accepted(lane, parcel, receipt, at)
        # A try to send says more about the way than a probe of it would, so the next one is put off.
        lane.probe.touched(at.monotonic, well=lane.breaker.failures == 0)

    def _accepted(self, lane: Lane, parcel: Parcel, receipt: Receipt, at: Times) -> None:
        if lane.breaker.failures:
            self._outbox.release(lane.channel.name)
        lane.breaker.succeeded()
        lane.count(at.monotonic)
        self._say(lane, False, "", at.now)
        self._say_left_out(lane, receipt, at.now)
        if left_off := int(parcel.message.facts.get("left_off", 0)):
            self._losses.count("messages of which a list too long named only the number", left_off)
        for row in parcel.carries:
            self._settle(row, "sent" if row.id == parcel.message.id else "collapsed", row.attempts + 1)
        for identity in _siblings(parcel):
            self._settle_id(identity, "collapsed", "another channel was faster")

    def _failed(self, lane: Lane, parcel: Parcel, error: TemporaryFailure, at: Times) -> None:
        lane.breaker.failed(at.monotonic, error.retry_after_seconds, slow=error.slow)
        if isinstance(error, DeadlinePassed):
            self._losses.count("sends given up at their deadline and tried again")
        row = _main_row(parcel)
        wait = delay_seconds(row.id, row.attempts + 1, slow=error.slow)
        if error.retry_after_seconds is not None:
            # A service may ask for more patience than ours, never for less.
            wait = max(wait, error.retry_after_seconds)
        self._postpone(lane, parcel, row, wait, str(error), at)
        # A certificate does not mend by itself.
        if lane.breaker.in_trouble(at.monotonic) or isinstance(error, CertificateRefused):
            self._say(lane, True, str(error), at.now)

    def _refused(self, lane: Lane, parcel: Parcel, error: PermanentFailure, at: Times) -> None:
        lane.breaker.failed(at.monotonic)
        row = _main_row(parcel)
        self._say(lane, True, str(error), at.now)
        for identity in _siblings(parcel):
            # Who stands in need not wait to do so: this way takes nothing.
            self._outbox_result(DeliveryResult(identity, at.now, "pending", 0, at.elapsed, "the first channel refused"))
        if row.attempts + 1 >= PERMANENT_ATTEMPTS:
            for carried in parcel.carries:
                self._settle(carried, "failed", carried.attempts + 1, error=str(error))
                self._losses.set_aside("dispatcher", f"the message {carried.title!r} over {row.channel}", str(error))
            return
        self._postpone(lane, parcel, row, PERMANENT_RETRY_SECONDS, str(error), at, refused=True)

    def _postpone(
        self, lane: Lane, parcel: Parcel, row: Message, wait: float, error: str, at: Times, *, refused: bool = False
    ) -> None:
        log.info("not delivered over %s, again in %.0f s: %s", row.channel, wait, error)
        whole_seconds = math.ceil(wait)  # store and memory must let it go in the same second, or it is overtaken
        place = (row.channel, row.person)
        self._outbox.defer(place, parcel.carries, at.monotonic + whole_seconds, refused=refused)
        lane.hold_back(parcel.alarms)
        self._settle(row, "pending", row.attempts + 1, next_try=at.elapsed + whole_seconds, error=error)

    def _settle(self, row: Message, state: Delivery, attempts: int, *, next_try: int = 0, error: str = "") -> None:
        self._outbox_result(DeliveryResult(row.id, self._now(), state, attempts, next_try, error))

    def _settle_id(self, identity: str, state: Delivery, error: str) -> None:
        self._outbox_result(DeliveryResult(identity, self._now(), state, 0, 0, error))

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
        report = SystemReport(
            now, f"channel {name}", trouble, text, response="see to what is named; then press “Send everybody a test message” on the page, under Health",
            consequence="it still watches and records; over this way nobody is told",
        )  # fmt: skip
        self._trouble(report)

    def _say_left_out(self, lane: Lane, receipt: Receipt, now: int) -> None:
        """Tell of recipients that the service does not take while others get the message, or of the end of that, once."""
        trouble = bool(receipt.left_out)
        if trouble:
            log.warning("%s took a message, but not for %s", lane.channel.name, receipt.left_out)
        if lane.left_out == trouble or not (trouble or lane.channel.many_recipients):
            return
        lane.left_out = trouble
        text = f"{lane.channel.name} does not reach {receipt.left_out}; the others get their messages"
        self._trouble(SystemReport(now, f"{lane.channel.name} for some", trouble, text))

    def _end(self) -> None:
        """Give what is under way a moment, then end it: it stays in the outbox and goes out after the next start."""
        give_up = time.monotonic() + _END_SECONDS
        for lane in self._lanes.values():
            while lane.busy and time.monotonic() < give_up:
                self.wake.wait(0.05)
                self.wake.clear()
                self._collect(lane)
            self._collect(lane, give_up=True)
            self._collect_probe(lane, self._times(), give_up=True)
            lane.wait_for_end(_REAL_WAIT_SECONDS)
        self._outbox.close()


def _main_row(parcel: Parcel) -> Message:
    return next(row for row in parcel.carries if row.id == parcel.message.id)


def _siblings(parcel: Parcel) -> list[str]:
    return [identity for row in parcel.carries for identity in row.facts.get("siblings", ())]
