"""From a side's level to the alarm of its enclosure."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.account import account_of
from dewkeeper.judge.acting import act
from dewkeeper.judge.cause import advice, cause_of, consequence
from dewkeeper.judge.hold_off import Suspicion, decide, words
from dewkeeper.judge.limits import Side
from dewkeeper.judge.register import Key
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import Band

RETURN_SECONDS: Final = 600
"""How much longer a suppression lasts, each time, while the air is back inside and only the off-delay is owed."""


def change_level(state: JudgeState, probe: ProbeState, side: Side, level: int, now: int) -> None:
    """A side of a probe went to another level: raise, escalate, ease or clear the alarm of its kind."""
    before = side.level
    key = (probe.place, side.kind)
    if level > before:
        decision = decide(state, probe, side, now)
        act(state, probe, decision.found, now)
        if decision.named:
            side.drop(before)
        elif decision.wait:
            side.put_off(decision.wait)
        else:
            side.level = level
            _tell(state, probe, side, decision.doubt, now, escalates=side.kind == "hot" and before == 1)
        return
    side.level = level
    state.register.amend(key, side.measure(before))
    if level == 0:
        state.register.clear(key, now, probe.name)
    elif side.kind != "hot":
        state.register.ease(key, now)


def _tell(
    state: JudgeState, probe: ProbeState, side: Side, doubt: Suspicion | None, now: int, *, escalates: bool
) -> None:
    """Raise the alarm of a side at its level, or escalate the one that stands."""
    level, runs = side.level, side.runs()
    danger = side.kind == "hot" and level == 2
    run = runs[-1] if level == 2 else runs[0]
    band: Band = "tolerable" if level == 2 or side.kind == "hot" else "target"
    started = min(r.since for r in (*runs, side.read) if r is not None and r.active)
    cause = cause_of(state, probe, side.kind, started)
    response = advice(state, probe, side.kind, cause, now)
    detail = side.measure(level)
    parts = None if side.thermal else account_of(state, probe, started)
    if parts is not None:
        detail |= parts.told()
    if danger:
        detail["danger"] = 1
    if doubt is not None:
        said, response, beside = words(state, probe, side, doubt, response, now)
        cause, detail = said or cause, detail | beside
    state.register.raise_(
        (probe.place, side.kind), now, since=started, enclosure=probe.enclosure, probe=probe.name, holder=probe.name,
        band=band, value=round(probe.air.t if side.thermal else probe.air.h, 2), limit=side.sign * run.limit,
        cause=cause, consequence=consequence(state, probe, side.kind, now), response=response, detail=detail,
        escalates=danger and escalates,
    )  # fmt: skip
    if side.kind == "dry":
        state.register.clear((probe.place, "dry_soon"), now, why="it is too dry now")


def measures(state: JudgeState) -> dict[tuple[str | None, str], dict[str, str | float | int]]:
    """Return time and dose beyond, so far, of every excursion that stands, by enclosure and kind."""
    return {
        (probe.enclosure, side.kind): side.measure(side.level)
        for probe in state.probes.values()
        for side in probe.sides
        if side.level
    }


def may_wait(state: JudgeState, about: Key, now: int) -> bool:
    """Return whether a suppressed excursion need not be told yet though its suppression ends.

    It need not while every probe that holds it reads inside the limit that was passed: what is left is off-delay and
    deadband, or a milder band whose own delay still runs. Nor, if it was never told, while its probe is in question.
    """
    holding = [
        (probe, side)
        for probe in state.probes.values()
        if probe.place == about[0] and probe.role == "substrate"
        for side in probe.sides
        if side.kind == about[1] and side.level
    ]
    instance = state.register.instances.get(about)
    new = instance is not None and not instance.told
    return bool(holding) and all(
        _may_wait(state, probe, side, now) or (new and _in_question(state, probe, side, now)) for probe, side in holding
    )


def _may_wait(state: JudgeState, probe: ProbeState, side: Side, now: int) -> bool:
    value = side.sign * (probe.air.t if side.thermal else probe.air.h)
    inner, outer = side.runs()[0], side.runs()[-1]
    if value >= inner.limit:
        return True
    if side.level == 2 and value >= outer.limit and inner is not outer:
        if inner.seconds < inner.delay:
            return True
        state.register.ease((probe.place, side.kind), now)
        side.drop(1)  # should it go beyond tolerable again, that escalates as ever
    return False


def _in_question(state: JudgeState, probe: ProbeState, side: Side, now: int) -> bool:
    """Return whether what would be told for the first time now is doubted, as it would be if it were only due now."""
    decision = decide(state, probe, side, now)
    act(state, probe, decision.found, now)
    key = (probe.place, side.kind)
    if decision.named:
        side.drop()
        state.register.clear(key, now, probe.name)
    elif decision.doubt is not None:
        cause, response, detail = words(state, probe, side, decision.doubt, "", now)
        state.register.amend(key, detail, cause, response)
    return decision.named or decision.wait != 0
