"""The rows the writer hands to the store and the readers get back. Times are integer UTC seconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from dewkeeper.judge.types import Event, Exclusion, Item, Quality, Reading

Delivery = Literal["pending", "sent", "failed", "expired", "collapsed"]
LEARNING_DONE: Final = "done:learning"
"""Name of the stored fact that says when the learning pass last ran: UTC seconds, 0 for that it is due at once."""
FIGURES: Final = "figures:"
"""Beginning of the names of stored facts that are large: nobody reads them who does not ask for them."""
OFF_TIMES: Final = "off times"
"""Name of the stored fact that says when dewkeeper itself was off."""
CAME_LAST: Final = "came last"
"""Name of what is told elsewhere, and stored nowhere here: {"after": second, "last": {probe: second}}; see `Onward.told_of`."""
MOST_DUE: Final = 500
"""Messages read at once of one way to a person: more than weeks without a network make, and little memory."""
LONGEST_QUIET_SECONDS: Final = 25 * 3600
"""No quiet hours last longer, clock change included: a later end was reckoned on a clock that was wrong."""
UNREADABLE: Final = "unreadable"
"""Kind of a stored message that is damaged: nothing but its id is known."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message for one person over one channel: a row of the outbox.

    id: what the receiver sees as event id; the same over all retries. `order` keeps messages of one alarm in sequence.
    title: first line, at most 60 characters. lines: the rest, ready to read. facts: fields for JSON bodies and templates.
    thread: alarm id that mail threads on. not_before, expires: when it may first and last be sent, on the wall clock.
    next_try: what it waits besides, in elapsed time: UTC seconds as they would be had the clock never been stepped.
    """

    id: str
    created: int
    person: str
    channel: str
    title: str
    lines: tuple[str, ...]
    priority: str
    kind: str
    alarm: str | None = None
    event: str | None = None
    thread: str | None = None
    not_before: int = 0
    expires: int | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    state: Delivery = "pending"
    attempts: int = 0
    next_try: int = 0
    last_error: str = ""
    sent: int | None = None


@dataclass(frozen=True, slots=True)
class DeliveryResult:
    """What became of one attempt; written by the writer on behalf of the dispatcher."""

    message: str
    at: int
    state: Delivery
    attempts: int
    next_try: int = 0
    error: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The judge's whole state after everything stored up to `time` with `sequence` stream items."""

    time: int
    sequence: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Batch:
    """What one transaction stores: all of it or nothing.

    readings: with their verdicts, in arrival order. items: the other stream items (journal, commands, settings,
    calibrations, learned, rebases, reports), in arrival order, all of them after the readings of this batch.
    """

    readings: tuple[tuple[Reading, Quality], ...] = ()
    items: tuple[Item, ...] = ()
    events: tuple[Event, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    messages: tuple[Message, ...] = ()
    deliveries: tuple[DeliveryResult, ...] = ()
    snapshot: Snapshot | None = None
    planner_state: str | None = None
    notes: Mapping[str, str] = field(default_factory=dict)  # small named facts: last-done times, serials, boot ids

    def empty(self) -> bool:
        """Whether there is nothing to store."""
        return self == Batch()
