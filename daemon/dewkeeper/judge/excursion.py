"""From a side's level to the alarm of its enclosure."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.book import Key
from dewkeeper.judge.cause import advice, cause_of, consequence
from dewkeeper.judge.hold_off import Doubt, decide, words
from dewkeeper.judge.limits import Side
from dewkeeper.judge.state import State, Watch
from dewkeeper.judge.types import Band

RETURN_SECONDS: Final = 600
"""How much longer a suppression lasts, each time, while the air is back inside and only the off-delay is owed."""


def change_level(state: State, watch: Watch, side: Side, level: int, now: int) -> None:
    """A side of a probe went to another level: raise, escalate, ease or clear the alarm of its kind."""
    before = side.level
    key = (watch.place, side.kind)
    if level > before:
        decision = decide(state, watch, side, now)
        if decision.named:
            side.drop(before)
        elif decision.wait:
            side.put_off(decision.wait)
        else:
            side.level = level
            _tell(state, watch, side, decision.doubt, now, escalates=side.kind == "hot" and before == 1)
        return
    side.level = level
    state.book.amend(key, side.measure(before))
    if level == 0:
        state.book.clear(key, now, watch.name)
    elif side.kind != "hot":
        state.book.ease(key, now)


def _tell(state: State, watch: Watch, side: Side, doubt: Doubt | None, now: int, *, escalates: bool) -> None:
    """Raise the alarm of a side at its level, or escalate the one that stands."""
    level, runs = side.level, side.runs()
    danger = side.kind == "hot" and level == 2
    run = runs[-1] if level == 2 else runs[0]
    band: Band = "tolerable" if level == 2 or side.kind == "hot" else "target"
    started = min(r.since for r in (*runs, side.read) if r is not None and r.active)
    cause = cause_of(state, watch, side.kind, started)
    response = advice(state, watch, side.kind, cause, now)
    detail = side.measure(level)
    if danger:
        detail["danger"] = 1
    if doubt is not None:
        said, response, beside = words(state, watch, side, doubt, response, now)
        cause, detail = said or cause, detail | beside
    state.book.raise_(
        (watch.place, side.kind), now, since=started, enclosure=watch.enclosure, probe=watch.name, holder=watch.name,
        band=band, value=round(watch.t if side.thermal else watch.h, 2), limit=side.sign * run.limit,
        cause=cause, consequence=consequence(state, watch, side.kind, now), response=response, detail=detail,
        escalates=danger and escalates,
    )  # fmt: skip
    if side.kind == "dry":
        state.book.clear((watch.place, "dry_soon"), now, why="it is too dry now")


def measures(state: State) -> dict[tuple[str | None, str], dict[str, str | float | int]]:
    """Return time and dose beyond, so far, of every excursion that stands, by enclosure and kind."""
    return {
        (watch.enclosure, side.kind): side.measure(side.level)
        for watch in state.watches.values()
        for side in watch.sides
        if side.level
    }


def may_wait(state: State, about: Key, now: int) -> bool:
    """Return whether a suppressed excursion need not be told yet though its suppression ends.

    It need not while every probe that holds it reads inside the limit that was passed: what is left is off-delay and
    deadband, or a milder band whose own delay still runs. Nor, if it was never told, while its probe is in question.
    """
    holding = [
        (watch, side)
        for watch in state.watches.values()
        if watch.place == about[0] and watch.role == "substrate"
        for side in watch.sides
        if side.kind == about[1] and side.level
    ]
    life = state.book.lives.get(about)
    new = life is not None and not life.told
    return bool(holding) and all(
        _may_wait(state, watch, side, now) or (new and _in_question(state, watch, side, now)) for watch, side in holding
    )


def _may_wait(state: State, watch: Watch, side: Side, now: int) -> bool:
    value = side.sign * (watch.t if side.thermal else watch.h)
    inner, outer = side.runs()[0], side.runs()[-1]
    if value >= inner.limit:
        return True
    if side.level == 2 and value >= outer.limit and inner is not outer:
        if inner.seconds < inner.delay:
            return True
        state.book.ease((watch.place, side.kind), now)
        side.drop(1)  # should it go beyond tolerable again, that escalates as ever
    return False


def _in_question(state: State, watch: Watch, side: Side, now: int) -> bool:
    """Return whether what would be told for the first time now is doubted, as it would be if it were only due now."""
    decision = decide(state, watch, side, now)
    key = (watch.place, side.kind)
    if decision.named:
        side.drop()
        state.book.clear(key, now, watch.name)
    elif decision.doubt is not None:
        cause, response, detail = words(state, watch, side, decision.doubt, "", now)
        state.book.amend(key, detail, cause, response)
    return decision.named or decision.wait != 0
