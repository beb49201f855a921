"""Settings: probes come and go, limits change, every change is logged."""

from __future__ import annotations

import uuid
from typing import Final

from dewkeeper.judge.acting import act, let_go
from dewkeeper.judge.changes import Changed, changes
from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.contract import Over
from dewkeeper.judge.state import EnclosureState, JudgeState
from dewkeeper.judge.table import MEMORIES
from dewkeeper.judge.types import Event, ProbeFacts, Settings
from dewkeeper.judge.words import ENCLOSURE_GONE, KINDS, PROBE_ELSEWHERE

# Ids follow from it and from what came in, so a replay names the same thing alike: it never changes.
_NAMES: Final = uuid.UUID("0b5e9a3c-58b2-5a0e-8a3f-9d6a1c1f7d10")


def apply_settings(state: JudgeState, settings: Settings, now: int) -> None:
    """Take new settings: probes come and go, limits change, every change is logged."""
    old = state.configure(settings)
    if old is None:
        state.set_timer(now + 86400, "daily", "")
    else:
        for place, changed in changes(old, settings):
            log(state, now, place, settings.who, settings.why, changed)
    for name in [n for n in state.probes if n not in settings.probes]:
        let_go(state, state.probes[name], now, PROBE_ELSEWHERE)
        state.drop(name)
    for facts in settings.probes.values():
        _settle_probe(state, facts, now)
    for name in state.keep_enclosures(settings.enclosures):
        gone = [Over(kind, ENCLOSURE_GONE, None, name) for place, kind in state.register.instances if place == name]
        act(state, None, gone, now)
    # Last: sides are given to the probes that are in them by now.
    for tub in state.enclosures.values():
        apply_limits(state, tub, now)


def _settle_probe(state: JudgeState, facts: ProbeFacts, now: int) -> None:
    """Take what the configuration says of one probe; one that hangs elsewhere now begins anew."""
    known = state.probes.get(facts.name)
    if known is None:
        state.settle(facts, MEMORIES)
        state.set_timer(now + missing_after(state.poll), "missing", facts.name)
    elif (known.enclosure, known.role, known.room) != (facts.enclosure, facts.role, facts.room or ""):
        let_go(state, known, now, PROBE_ELSEWHERE)
        state.settle(facts, MEMORIES)
    else:
        known.adopt(facts)


def apply_limits(state: JudgeState, tub: EnclosureState, now: int) -> None:
    """Give every judged probe of an enclosure the sides of its limits."""
    limits = state.limits(tub)
    for probe in state.judged_probes(tub.name):
        probe.limits.judge_by(limits)


def log(state: JudgeState, now: int, enclosure: str | None, who: str, why: str, detail: Changed) -> None:
    """Record a change that is no alarm: kind `system`, event `annotated`, state `normal`."""
    row = KINDS["system"]
    at = state.register.wall(now)
    change = str(uuid.uuid5(_NAMES, f"{state.count_change()}|{enclosure}|{now}|{at}|{sorted(detail.items())}"))
    state.register.events.append(
        Event(
            id=change, alarm=change, time=at, event="annotated", kind="system", enclosure=enclosure, probe=None,
            band=None, priority="low", state="normal", since=at, cause="settings changed", consequence=row.consequence,
            response="nothing, if you meant it", within_seconds=row.within_seconds, who=who, why=why, detail=detail,
        )
    )  # fmt: skip
