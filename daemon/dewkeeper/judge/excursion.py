"""From a side's level to the alarm of its enclosure."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.cause import advice, cause_of
from dewkeeper.judge.faults import look_elsewhere
from dewkeeper.judge.limits import Side
from dewkeeper.judge.neighbours import doubtful
from dewkeeper.judge.state import State, Watch
from dewkeeper.judge.words import KINDS

RETURN_SECONDS: Final = 600
"""How much longer a suppression lasts, each time, while the air is back inside and only the off-delay is owed."""


def change_level(state: State, watch: Watch, side: Side, level: int, now: int) -> None:
    """A side of a probe went to another level: raise, escalate, ease or clear the alarm of its kind."""
    before = side.level
    key = (watch.place, side.kind)
    if side.kind == "dry" and before == 0 and doubtful(state, watch, now, min(r.since for r in side.runs() if r.active)):
        side.drop()
        return
    side.level = level
    if level == 0:
        state.book.clear(key, now, watch.name)
        return
    if level < before:
        if side.kind != "hot":
            state.book.ease(key, now)
        return
    runs = side.runs()
    danger = side.kind == "hot" and level == 2
    run = runs[-1] if level == 2 else runs[0]
    if side.kind == "hot" and not danger:
        run = runs[0]
    band = "tolerable" if level == 2 or side.kind == "hot" else "target"
    started = min(r.since for r in runs if r.active)
    cause = cause_of(state, watch, side.kind, started)
    response = advice(state, watch, side.kind, cause, now)
    if elsewhere := look_elsewhere(state, watch):
        response = f"{response or KINDS[side.kind].response}; {elsewhere}"
    state.book.raise_(
        key, now, since=started, enclosure=watch.enclosure, probe=watch.name, holder=watch.name,
        band="tolerable" if band == "tolerable" else "target",
        value=round(watch.t if side.thermal else watch.h, 2), limit=side.sign * run.limit,
        cause=cause,
        response=response,
        detail={"danger": 1} if danger else {}, escalates=danger and before == 1,
    )  # fmt: skip


def returning(state: State, place: str, kind: str) -> bool:
    """Return whether every probe that holds this excursion reads inside its limits again.

    At the end of a suppression such an excursion is not told: it is over but for its off-delay and deadband.
    """
    sides = [
        (watch, side)
        for watch in state.watches.values()
        if watch.place == place and watch.role == "substrate"
        for side in watch.sides
        if side.kind == kind and side.level
    ]
    return bool(sides) and all(
        side.sign * (watch.t if side.thermal else watch.h) >= side.runs()[0].limit for watch, side in sides
    )
