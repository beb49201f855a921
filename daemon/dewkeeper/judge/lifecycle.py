"""The life of an alarm: the states of ISA-18.2, moved by one table.

    normal ──raise──▶ unacknowledged ──acknowledge──▶ acknowledged ──clear──▶ normal
                          │    ▲                           │
                        clear  └──────── realarm ──────────┘
                          ▼
               returned_unacknowledged ──acknowledge──▶ normal

Shelved, suppressed and out of service are *withheld*: the condition is followed, nothing is told, and what still stands
when the withholding ends is told then. What was never told is never reported as cleared. Times here are elapsed
seconds; the judge turns them into stored time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Final

from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.types import Alarm, Band, Figures, Happening, Kind, Priority, State

if TYPE_CHECKING:
    from dewkeeper.judge.contract import Stands

ADOPTED_NUMBERS: Final = 1000
"""Events of an alarm that is taken over are numbered on from so far beyond those stored, of which some may be under way."""

WITHHELD: Final = frozenset({"shelved", "suppressed", "out_of_service"})

TABLE: Final[dict[tuple[State, str], tuple[State, Happening | None]]] = {
    ("normal", "raise"): ("unacknowledged", "raised"),
    ("unacknowledged", "acknowledge"): ("acknowledged", "acknowledged"),
    ("unacknowledged", "clear"): ("returned_unacknowledged", "cleared"),
    ("unacknowledged", "shelve"): ("shelved", "shelved"),
    ("unacknowledged", "suppress"): ("suppressed", "suppressed"),
    ("unacknowledged", "remove"): ("out_of_service", "out_of_service"),
    ("acknowledged", "clear"): ("normal", "cleared"),
    ("acknowledged", "realarm"): ("unacknowledged", "reminded"),
    ("acknowledged", "shelve"): ("shelved", "shelved"),
    ("acknowledged", "suppress"): ("suppressed", "suppressed"),
    ("acknowledged", "remove"): ("out_of_service", "out_of_service"),
    ("returned_unacknowledged", "acknowledge"): ("normal", "acknowledged"),
    ("returned_unacknowledged", "forget"): ("normal", "annotated"),
    ("normal", "shelve"): ("shelved", "shelved"),
    ("normal", "suppress"): ("suppressed", "suppressed"),
    ("normal", "remove"): ("out_of_service", "out_of_service"),
    ("shelved", "acknowledge"): ("shelved", "acknowledged"),
    ("shelved", "release"): ("unacknowledged", "unshelved"),
    ("shelved", "clear"): ("normal", "cleared"),
    ("shelved", "remove"): ("out_of_service", "out_of_service"),
    ("suppressed", "acknowledge"): ("suppressed", "acknowledged"),
    ("suppressed", "release"): ("unacknowledged", "unsuppressed"),
    ("suppressed", "clear"): ("normal", "cleared"),
    ("suppressed", "shelve"): ("shelved", "shelved"),
    ("suppressed", "remove"): ("out_of_service", "out_of_service"),
    ("out_of_service", "acknowledge"): ("out_of_service", "acknowledged"),
    ("out_of_service", "release"): ("unacknowledged", "in_service"),
    ("out_of_service", "clear"): ("normal", "cleared"),
}
"""(state, trigger) -> (next state, what is told). A pair that is not here changes nothing."""

WITHHOLD: Final[dict[State, str]] = {"shelved": "shelve", "suppressed": "suppress", "out_of_service": "remove"}
"""Withheld state -> the trigger that leads there."""


@remembered
class AlarmInstance:
    """One alarm of one kind in one place.

    told: whether `raised` was told. asked: when it was last told as new or as worse. acked: acknowledged and not returned since. stands: the condition holds.
    holders: the probes by which it holds. number: events so far, for their ids. latched: shown until seen.
    """

    id: str
    kind: Kind
    place: str
    enclosure: str | None
    probe: str | None
    band: Band | None
    since: int
    priority: Priority = "low"
    state: State = "normal"
    raised: int = NEVER
    asked: int = NEVER
    returned: int = 0
    acked: bool = False
    acked_at: int = 0
    told: bool = False
    stands: bool = True
    latched: bool = False
    holders: set[str] = field(default_factory=set)
    number: int = 0
    value: float | None = None
    limit: float | None = None
    cause: str = ""
    consequence: str = ""
    response: str = ""
    within: int = 0
    detail: Figures = field(default_factory=dict)

    def say(self, row: Rationale, found: Stands) -> None:
        """Say what is so: empty words are the kind's own."""
        self.band = found.band
        self.priority = found.priority or row.priority_for(found.band)
        self.value, self.limit = found.value, found.limit
        self.cause = found.cause or row.cause
        self.consequence = found.consequence or row.consequence
        self.response = found.response or row.response
        self.within = row.within_for(found.band)
        self.detail = dict(found.detail)

    def ease(self, row: Rationale, limit: float) -> None:
        """It is beyond target only, no more beyond tolerable."""
        self.limit = limit
        self.band, self.priority, self.within = "target", row.priority_for("target"), row.within_for("target")

    def amend(self, cause: str, response: str, detail: Mapping[str, str | float | int] | None = None) -> None:
        """Bring words, where they are not empty, and figures up to date."""
        self.cause, self.response = cause or self.cause, response or self.response
        self.detail |= detail or {}

    def ask(self, now: int) -> None:
        """It is told as new or as worse: the time to respond counts from now."""
        self.asked = now

    def count(self) -> int:
        """Return the number of one more event about it."""
        self.number += 1
        return self.number

    def begin(self, holder: str, now: int, *, latched: bool) -> None:
        """Its condition holds from now on."""
        self.raised, self.asked, self.latched = now, self.since, latched
        self.hold(holder)

    def hold(self, holder: str) -> None:
        """Its condition holds for one more."""
        self.holders.add(holder)

    def held_without(self, holder: str | None) -> bool:
        """Its condition is over for one holder (None: for all); return whether it holds for others still."""
        self.holders = set() if holder is None else self.holders - {holder}
        return bool(self.holders)

    def withhold_as(self, state: State) -> None:
        """It is withheld for another reason than before; nothing is told of that."""
        self.state = state

    def adopt(self, alarm: Alarm, shift: int, events: int | None) -> None:
        """Take over what was stored of it: its name, its times, whether it was told and seen. events: so many are numbered already, None: it was never told."""
        self.id, self.number = alarm.alarm, (events or 0) + ADOPTED_NUMBERS
        self.since, self.raised = alarm.since - shift, alarm.raised - shift
        self.asked = (alarm.asked or alarm.raised) - shift
        self.told = events is not None
        self.acked = alarm.state == "acknowledged"

    def adopt_words(self, alarm: Alarm) -> None:
        """Take over what was stored that it says."""
        self.priority, self.latched = alarm.priority, alarm.latched
        self.value, self.limit, self.cause, self.consequence = alarm.value, alarm.limit, alarm.cause, alarm.consequence
        self.response, self.within = alarm.response, alarm.within_seconds

    def resume(self, state: State, now: int) -> None:
        """Be in a state again in which it was stored."""
        self.state = state
        if state == "acknowledged":
            self.acked_at = now
        elif state == "returned_unacknowledged":
            self.stands, self.returned = False, now

    def apply(self, trigger: str, now: int) -> Happening | None:
        """Move by the table and return what is to be told, if anything."""
        found = TABLE.get((self.state, trigger))
        if found is None:
            return None
        before = self.state
        self.state, happening = found
        if trigger == "acknowledge":
            self.acked, self.acked_at = True, now
        elif trigger == "realarm":
            self.acked = False
        elif trigger == "release":
            if not self.told:
                happening = "raised"
            # Seen before it was withheld: it is not to be seen anew.
            elif self.acked:
                self.state = "acknowledged"
        elif trigger == "clear":
            self.stands, self.returned = False, now
            # A withheld alarm that was told and never seen is still owed a look once it has returned.
            if before in WITHHELD and self.told and not self.acked:
                self.state = "returned_unacknowledged"
            if not self.told:
                # Never told, it is not told as over either: only its withholding has an end on record.
                happening = "unsuppressed" if before in WITHHELD else None
                self.state = "normal"
        if happening == "raised":
            self.told = True
            self.raised = now
        return happening
