"""An excursion is due: tell it, name the probe instead, or wait because the probe itself is in question.

Waiting is bounded and asked anew every few minutes; heat never waits. What is waited for is always a named suspicion:
the probe seems to lie in the room's air, to be wet, to have changed places with another, or to be falling to what
cannot be.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.limits import Run, Side
from dewkeeper.judge.neighbours import HOLD_HPA, SOON_HOURS, below_room, heading_below_room, name_impossible
from dewkeeper.judge.signs import (
    DISPLACED_SLOW_SECONDS,
    DISPLACED_SUDDEN_SECONDS,
    room_of,
    tells_from_room,
    usually_apart,
    wetted,
)
from dewkeeper.judge.state import NEVER, State, Watch
from dewkeeper.judge.swaps import cannot_be_cleared, may_be_swapped
from dewkeeper.judge.words import HOUR

NAMED: Final = -1
"""The probe was named as faulty: there is no excursion."""

AGAIN_SECONDS: Final = 60
SWAP_AGAIN_SECONDS: Final = 600
SWAP_WAIT_SECONDS: Final = 12 * HOUR
"""Until a swap is named or not. What is beyond target only may wait twice as long, and until it is cleared of it: it harms over days."""
FALLING_WAIT_SECONDS: Final = 9000
_HEADING_KNOWN_SECONDS: Final = 900
"""A fall known for a quarter of an hour to be none of the air's stays known while it goes on."""


def doubt(state: State, watch: Watch, side: Side, now: int) -> int:
    """Return 0 to tell what is due, seconds to wait, or NAMED."""
    if side.kind == "hot":
        return 0
    due = _due(side)
    since = due.since
    if side.kind in ("dry", "cold") and _in_the_room(state, watch, side, now):
        return AGAIN_SECONDS
    if side.kind == "damp" and wetted(watch, now):
        return AGAIN_SECONDS
    if side.kind == "dry" and below_room(state, watch, now, watch.e, HOLD_HPA, SOON_HOURS):
        e = watch.past.lately(now)
        if not below_room(state, watch, now, e, HOLD_HPA, SOON_HOURS):
            return AGAIN_SECONDS  # it came there just now; if it stays, the last 20 min say so soon
        sure = "fairly" if below_room(state, watch, now, e) else "somewhat"
        name_impossible(state, watch, now, since, sure)
        return NAMED
    falling = side.kind == "dry" and now - since < due.delay + FALLING_WAIT_SECONDS
    if falling and _heads_below(state, watch, now, since):
        return AGAIN_SECONDS
    target_only = due is not side.outer
    if side.thermal or now - since >= SWAP_WAIT_SECONDS * (2 if target_only else 1):
        return 0
    doubtful = cannot_be_cleared(state, watch, now) if target_only else may_be_swapped(state, watch, now)
    if not doubtful:
        return 0
    return SWAP_AGAIN_SECONDS if target_only else AGAIN_SECONDS


def _heads_below(state: State, watch: Watch, now: int, since: int) -> bool:
    """Return whether it falls as no air does, or did for a while and falls on: a thermostat may blur that, not undo it."""
    if heading_below_room(state, watch, now, since):
        if now - watch.heading_last > 3 * AGAIN_SECONDS:
            watch.heading_first = now
        watch.heading_last = now
        return True
    if watch.heading_last < since or watch.heading_last - watch.heading_first < _HEADING_KNOWN_SECONDS:
        return False
    before = [e for at, _, e in watch.past.looks if 1200 < now - at <= 2400]
    return bool(before) and watch.past.lately(now) < sum(before) / len(before)


def _due(side: Side) -> Run:
    """Return the run that is being told: the outer one where both are beyond."""
    return side.outer if side.outer.active or side.inner is None else side.inner


def _in_the_room(state: State, watch: Watch, side: Side, now: int) -> bool:
    """Return whether it fell into the room's air at once, and it is too early to name that.

    Where only a little warmth tells the two apart the name takes longer; dryness, which harms slowly, waits for it.
    """
    if watch.near_since == NEVER or not watch.near_sudden:
        return False
    if usually_apart(watch):
        return now - watch.near_since < DISPLACED_SUDDEN_SECONDS + 600
    room = room_of(state, watch, now)
    longest = DISPLACED_SLOW_SECONDS + 600
    return side.kind == "dry" and room is not None and tells_from_room(watch, room) and now - watch.near_since < longest
