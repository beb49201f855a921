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

from typing import Final

from dewkeeper.judge.codec import remembered
from dewkeeper.judge.types import Band, Happening, Kind, Priority, State

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

WITHHOLD: Final[dict[State, str]] = {
    "shelved": "shelve",
    "suppressed": "suppress",
    "out_of_service": "remove",
}
"""Withheld state -> the trigger that leads there."""


@remembered
class Life:
    """One alarm of one kind in one place.

    told: whether `raised` was told. acked: acknowledged and not returned since. stands: the condition holds.
    holders: the probes by which it holds. number: events so far, for their ids. latched: shown until seen.
    """

    __slots__ = (
        "acked", "acked_at", "band", "cause", "consequence", "detail", "enclosure", "escalated", "holders", "id", "kind",
        "latched", "limit", "number", "place", "priority", "probe", "raised", "response", "returned", "since",
        "stands", "state", "told", "value", "within",
    )  # fmt: skip

    def __init__(
        self,
        alarm: str,
        kind: Kind,
        place: str,
        enclosure: str | None,
        probe: str | None,
        band: Band | None,
        now: int,
    ) -> None:
        self.id = alarm
        self.kind: Kind = kind
        self.place = place
        self.enclosure = enclosure
        self.probe = probe
        self.band: Band | None = band
        self.priority: Priority = "low"
        self.state: State = "normal"
        self.since = now
        self.raised = now
        self.returned = 0
        self.acked = False
        self.acked_at = 0
        self.told = False
        self.stands = True
        self.latched = False
        self.escalated = False
        self.holders: set[str] = set()
        self.number = 0
        self.value: float | None = None
        self.limit: float | None = None
        self.cause = ""
        self.consequence = ""
        self.response = ""
        self.within = 0
        self.detail: dict[str, str | float | int] = {}

    def apply(self, trigger: str, now: int) -> Happening | None:
        """Move by the table and return what is to be told, if anything."""
        found = TABLE.get((self.state, trigger))
        if found is None:
            return None
        before = self.state
        self.state, happening = found
        if trigger == "acknowledge":
            self.acked, self.acked_at = True, now
        elif trigger in ("realarm",):
            self.acked = False
        elif trigger == "release":
            if not self.told:
                happening = "raised"
            elif self.acked:
                self.state = "acknowledged"
        elif trigger == "clear":
            self.stands, self.returned = False, now
            # A withheld alarm that was told and never seen is still owed a look once it has returned.
            if before in WITHHELD and self.told and not self.acked:
                self.state = "returned_unacknowledged"
            if not self.told:
                happening = "unsuppressed" if before in WITHHELD else None
                self.state = "normal"
        if happening == "raised":
            self.told = True
            self.raised = now
        return happening
