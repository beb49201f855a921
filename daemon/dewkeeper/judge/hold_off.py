"""An excursion is due: tell it, tell it in doubt, name the probe instead, or wait. One decision, by the one table of `beliefs`.

What holds an excursion back is always a named suspicion, asked anew every few minutes, and only for so long: at the bound
of its kind (`limit_alarm.DOUBT_SECONDS`) it is told under its own kind all the same, and the suspicion is named beside it.
"""

from __future__ import annotations

from typing import NamedTuple, cast

from dewkeeper.judge.beliefs import AGAIN_SECONDS, BELOW_ROOM, TABLE, Belief, beliefs
from dewkeeper.judge.checks.impossible import HOLD_HPA, SOON_HOURS, below_room, name_impossible
from dewkeeper.judge.contract import InFault
from dewkeeper.judge.journal_words import BEFORE_SECONDS, LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.limit_alarm import DOUBT_SECONDS, Doubtable, Side
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.rationale import HOUR
from dewkeeper.judge.types import Figures
from dewkeeper.judge.view import View
from dewkeeper.judge.words import KINDS


class Decision(NamedTuple):
    """What becomes of an excursion that is due. wait: seconds, 0 to tell it. found: a probe named instead, this one or its room's. doubt: told beside it."""

    wait: int = 0
    found: tuple[InFault, ...] = ()
    doubt: Belief | None = None

    @property
    def named(self) -> bool:
        """Whether its own probe is named instead."""
        return any(fault.probe is None for fault in self.found)


def decide(view: View, side: Side) -> Decision:
    """Return what becomes of an excursion of this side that is due."""
    held = beliefs(view)
    elsewhere = next((belief for _, belief in held if belief.heat), None) if side.thermal else None
    if side.kind not in DOUBT_SECONDS:
        return Decision(doubt=elsewhere)  # heat is told at once; it may be some other place's
    kind, due = cast("Doubtable", side.kind), side.due
    explained = _explained_until(view, kind, side.beyond_since)
    late = side.read is not None and side.read.active and view.now >= explained + DOUBT_SECONDS[kind]
    from_then = view.now - max(due.since + due.delay, explained)
    for _, belief in held:
        if kind in belief.holds and (late or from_then < belief.holds[kind]):
            return Decision(doubt=belief) if late else Decision(AGAIN_SECONDS)
    for belief in TABLE:
        for ground in belief.grounds:
            over = late or from_then >= ground.most.get(kind, 0)
            if kind not in ground.most or (ground.target and (late or due is side.outer)):
                continue
            if over and not (late or belief.elsewhere):
                continue
            if ground.asks(view, side):  # where it may be other air, that is said though nothing waits for it any more
                found = _named_below_room(view, due.since) if ground is BELOW_ROOM and not over else ()
                return Decision(doubt=belief) if over else Decision(ground.again, found)
    return Decision(doubt=elsewhere)


def words(view: View, side: Side, belief: Belief, usual: str) -> tuple[str, str, Figures]:
    """Return cause (empty: as ever), response and detail of an excursion that is told in doubt; usual: its usual response."""
    own, usual = view.probe.place, usual or KINDS[side.kind].response
    partner = belief.other(view) if belief.other is not None else None
    other = partner.place if partner is not None else "another enclosure"
    detail: Figures = {"doubt": belief.doubt}
    if partner is not None:
        detail["or"] = other
    if side.kind == "hot":
        return "", f"{usual}; {belief.heat.format(other=other)}", detail
    said = {
        "kind": side.kind,
        "either": f"{own} or {other}",
        "percent": f"{view.probe.air.h:.0f}",
        "hours": max(1, round((view.now - side.beyond_since) / HOUR)),
        "usual": usual,
        "other": other,
    }
    return belief.cause.format(**said), belief.response.format(**said), detail


def _explained_until(view: View, kind: Doubtable, since: int) -> int:
    """Return when the last of the keeper's words that the probe is out, said when it began, ends; NEVER for none.

    Only then does a belief that it is out begin to be a doubt.
    """
    ends = [
        at + word.seconds
        for at, word in view.entries(view.now - since + LONGEST_SUPPRESSION_SECONDS)
        if word.long and word.probe and kind in word.suppresses and at - BEFORE_SECONDS <= since < at + word.seconds
    ]
    return max(ends, default=NEVER)


def _named_below_room(view: View, since: int) -> tuple[InFault, ...]:
    """Return which probe is wrong, where the last 20 min say so; it may have come below its room just now."""
    e = view.probe.past.lately(view.now)
    if not below_room(view, e, HOLD_HPA, SOON_HOURS):
        return ()
    return name_impossible(view, since, "fairly" if below_room(view, e) else "somewhat")
