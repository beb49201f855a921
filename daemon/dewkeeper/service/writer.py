"""The writer: the one thread that judges, plans messages and commits.

Whatever happens comes through its mailbox in one order; that order is what is stored, and running it again gives
the same events.
"""

from __future__ import annotations

import logging
import threading
from collections import defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from dewkeeper.clock import Clock
from dewkeeper.judge import Judge
from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import (
    Alarm,
    Calibration,
    Command,
    Event,
    Exclusion,
    Item,
    JournalEntry,
    Quality,
    Reading,
    Rebase,
    Tick,
    Verdict,
)
from dewkeeper.judge.words import WITHDRAWN
from dewkeeper.notify.people import Draft
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.sampling.mailbox import Mailbox
from dewkeeper.sampling.sampler import Cycle
from dewkeeper.service.ledger import Ledger
from dewkeeper.service.losses import LossCounts
from dewkeeper.store.records import Batch, DeliveryResult, Message, Snapshot

log = logging.getLogger(__name__)

_RECENT_ENTRIES = 5
"""Journal entries an enclosure's messages may quote."""


@dataclass(slots=True)
class Submission:
    """A stream item from a person or a part of the service, with a way to say it is stored."""

    item: Item
    done: threading.Event = field(default_factory=threading.Event)
    error: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """A small named fact to store, with no meaning to the judge."""

    name: str
    value: str


@dataclass(slots=True)
class Chore:
    """Work on the store that only the writer may do: compaction, backup. Runs between two cycles."""

    name: str
    work: Callable[[], None]
    done: threading.Event = field(default_factory=threading.Event)
    error: str = ""


@dataclass(frozen=True, slots=True)
class Deliveries:
    """Results that came one after the other: a digest settles thousands of rows, which must not be as many syncs."""

    results: tuple[DeliveryResult, ...]


@dataclass(frozen=True, slots=True)
class Announcement:
    """Something to tell people that is no alarm. at: UTC second."""

    draft: Draft
    at: int


Post = Cycle | Submission | DeliveryResult | Note | Chore | Announcement


class Writer:
    """Consumes the mailbox. `heartbeat` is the monotonic second of the last round."""

    def __init__(
        self,
        clock: Clock,
        judge: Judge,
        planner: Planner,
        ledger: Ledger,
        context: Callable[[bool], Context],
        on_messages: Callable[[Sequence[Message], bool], None],
        idle_seconds: float,
        losses: LossCounts,
    ) -> None:
        self._clock = clock
        self._losses = losses
        self.judge = judge
        self._planner = planner
        self._ledger = ledger
        self._context = context
        self._on_messages = on_messages
        self._idle_seconds = idle_seconds
        self.mailbox: Mailbox[Post] = Mailbox(clock, on_drop=self._dropped)
        self.heartbeat = clock.monotonic()
        self.last_time = 0
        self.alarms: tuple[Alarm, ...] = judge.alarms()
        self.newest: dict[str, tuple[Reading, Quality]] = {}  # of each probe, for the words of messages
        self.entries: dict[str | None, deque[JournalEntry]] = defaultdict(lambda: deque(maxlen=_RECENT_ENTRIES))
        self.calibrations = Calibrations()
        self._stopped = False
        self.thread = threading.Thread(target=self._run, name="writer", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self.thread.start()

    def stop(self, patience_seconds: float = 8.0) -> None:
        """Let the thread finish what is in the mailbox, store a snapshot and end."""
        self._stopped = True
        self.mailbox.wake()
        self.thread.join(patience_seconds)

    def submit(self, item: Item, patience_seconds: float = 15.0) -> str:
        """Hand in one item and wait until it is stored; return why it is not, or an empty string."""
        submission = Submission(item)
        self.mailbox.put(submission)
        if not submission.done.wait(patience_seconds):
            return "the writer is busy; it will still be taken in"
        return submission.error

    def _run(self) -> None:
        while True:
            posts = self.mailbox.take(self._idle_seconds)
            for post in _together(posts):
                try:
                    self._take(post)
                except Exception as error:
                    log.exception("writer: %s was not taken in", type(post).__name__)
                    self._set_aside(post, error)
            self._guarded("commit", self._ledger.retry)
            if posts:  # the judge changes by nothing else
                self.alarms = self.judge.alarms()
            self.heartbeat = self._clock.monotonic()
            if self._stopped and not posts:  # what came since the end was asked for is taken in first
                break
        self._guarded("last commit", lambda: self._ledger.close(self.judge))

    def _guarded(self, what: str, work: Callable[[], None]) -> None:
        """Do a piece of work whose failure must not end the thread."""
        try:
            work()
        except Exception as error:
            log.exception("writer: the %s failed", what)
            self._losses.set_aside("writer", f"a {what}", f"{type(error).__name__}: {error}")

    def _set_aside(self, post: Post | Deliveries, error: Exception) -> None:
        """Give up what could not be taken in, and say so to whoever waits for it."""
        why = f"{type(error).__name__}: {ascii(str(error))[1:-1]}"
        self._losses.set_aside(
            "writer", ascii(post.item if isinstance(post, Submission) else type(post).__name__)[:160], why
        )
        if isinstance(post, Submission | Chore):
            post.error = why
            post.done.set()

    def _dropped(self, post: Post) -> None:
        """Count what fell out of a full mailbox, and say so to whoever waits for it."""
        if isinstance(post, Cycle):
            self._losses.drop("readings", len(post.readings))
        else:
            self._losses.drop("entries, commands and results of sending")
        if isinstance(post, Submission | Chore):
            post.error = "too much waits for the writer; this was dropped"
            post.done.set()

    def _take(self, post: Post | Deliveries) -> None:
        match post:
            case Cycle():
                self._take_cycle(post)
            case Submission():
                self._take_item(post.item)
                post.error = self._ledger.refused or self._ledger.poisoned
                post.done.set()
            case Deliveries():
                # At once: a message whose acceptance is not stored goes out again after a restart.
                self._ledger.add(Batch(deliveries=post.results), urgent=True)
            case Note():
                # With the next commit, which spares the card a sync: notes are read at a start only.
                self._ledger.add(Batch(notes={post.name: post.value}), urgent=False)
            case Chore():
                self._do(post)
            case Announcement():
                self._planner.announce(post.draft)
                self._record(Batch(), post.at, tick=True)

    def _take_cycle(self, cycle: Cycle) -> None:
        if cycle.rebase is not None:
            self._take_item(cycle.rebase)
        quality: list[tuple[Reading, Quality]] = []
        events: list[Event] = []
        exclusions: list[Exclusion] = []
        for polled in self._ledger.in_stored_order(cycle.readings):
            reading = self._corrected(polled)
            try:
                verdict = self.judge.feed(reading)
            except Exception as error:  # one probe's reading must not cost those of all others
                log.exception("writer: a reading of %s was not judged", reading.probe)
                self._losses.set_aside("writer", ascii(reading), f"{type(error).__name__}: {error}")
                continue
            quality.extend((reading, q) for q in verdict.quality[:1])
            events += verdict.events
            exclusions += verdict.exclusions
        # What time alone makes due is found in this poll, also where no probe answered.
        verdict = self.judge.feed(Tick(cycle.time))
        events += verdict.events
        exclusions += verdict.exclusions
        self.newest |= {reading.probe: (reading, q) for reading, q in quality}
        self.last_time = max(self.last_time, cycle.time)
        batch = Batch(readings=tuple(quality), events=tuple(events), exclusions=tuple(exclusions))
        self._record(batch, cycle.time, tick=True)

    def _corrected(self, reading: Reading) -> Reading:
        """Return a reading by the calibrations that came before it: as the stored words will be read."""
        calibration = self.calibrations.at(reading.probe, reading.time)
        if calibration is None or reading.temperature_c is None or reading.humidity_percent is None:
            return reading
        t, h = calibration.corrected(reading.temperature_c, reading.humidity_percent)
        return replace(reading, temperature_c=t, humidity_percent=h)

    def remember(self, entry: JournalEntry) -> None:
        """Keep an entry for the messages about its enclosure to quote; one it corrects is forgotten."""
        kept = self.entries[entry.enclosure]
        for old in [old for old in kept if old.id == entry.replaces]:
            kept.remove(old)
        if entry.what != WITHDRAWN:
            kept.append(entry)

    def _take_item(self, item: Item) -> None:
        verdict: Verdict = self.judge.feed(item)
        at = (item.entered or item.time) if isinstance(item, JournalEntry) else item.time
        if isinstance(item, JournalEntry):
            self.remember(item)
        if isinstance(item, Command):
            self._planner.heed(item)
        if isinstance(item, Calibration):
            self.calibrations.add(item)
        if isinstance(item, Rebase):
            self._planner.rebased(item.step_seconds)
        if isinstance(item, Rebase) and item.dates_since is not None:
            self.calibrations = self.calibrations.stepped(item.dates_since, item.step_seconds)
        snapshot = None
        if isinstance(item, Rebase | Calibration):
            # In one transaction: what was stored before is dated, or read, anew, and an older snapshot knows nothing of that.
            snapshot = Snapshot(item.time, 0, self.judge.dump())
        batch = Batch(items=(item,), events=verdict.events, exclusions=verdict.exclusions, snapshot=snapshot)
        self._record(batch, at, tick=False)

    def _record(self, batch: Batch, at: int, *, tick: bool) -> None:
        """Plan the messages of these events and store everything in one transaction."""
        self.alarms = alarms = self.judge.alarms()  # before anybody is told: words are made from what stands
        context = self._context(not self._ledger.refused)
        messages = self._planner.plan(batch.events, alarms, at, context)
        if tick:
            messages += self._planner.tick(alarms, at, context)
        # What a person did, or is to be told, goes to disk at once; plain readings wait, which spares the card.
        urgent = bool(batch.items or batch.events or batch.exclusions or messages)
        whole = Batch(
            readings=batch.readings,
            items=batch.items,
            events=batch.events,
            exclusions=batch.exclusions,
            messages=tuple(messages),
            planner_state=self._planner.state(),
            snapshot=batch.snapshot,
        )
        stored = self._ledger.add(whole, urgent=urgent, judge=self.judge, at=at)
        if messages:
            self._on_messages(messages, stored)

    def _do(self, chore: Chore) -> None:
        try:
            chore.work()
        except Exception as error:
            log.exception("writer: %s failed", chore.name)
            chore.error = str(error)
        finally:
            chore.done.set()


def _together(posts: Sequence[Post]) -> list[Post | Deliveries]:
    """Return the posts in their order, neighbouring delivery results as one."""
    made: list[Post | Deliveries] = []
    for post in posts:
        last = made[-1] if made else None
        if isinstance(post, DeliveryResult):
            if isinstance(last, Deliveries):
                made[-1] = Deliveries((*last.results, post))
            else:
                made.append(Deliveries((post,)))
        else:
            made.append(post)
    return made
