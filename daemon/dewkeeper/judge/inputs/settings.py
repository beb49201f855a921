"""Settings: probes come and go, limits change, every change is logged."""

from __future__ import annotations

import uuid
from typing import Final

from dewkeeper.judge.changes import changes
from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.faults import let_go
from dewkeeper.judge.limits import sides_for
from dewkeeper.judge.stages import limits_under
from dewkeeper.judge.state import EnclosureState, JudgeState, ProbeState
from dewkeeper.judge.table import MEMORIES
from dewkeeper.judge.types import Event, ProbeFacts, Settings
from dewkeeper.judge.words import KINDS
from dewkeeper_config.models import Limits

_NAMES: Final = uuid.UUID("0b5e9a3c-58b2-5a0e-8a3f-9d6a1c1f7d10")
_ELSEWHERE: Final = "the probe is no longer configured here"


def apply_settings(state: JudgeState, settings: Settings, now: int) -> None:
    """Take new settings: probes come and go, limits change, every change is logged."""
    old = state.configure(settings)
    if old is None:
        state.set_timer(now + 86400, "daily", "")
    else:
        for place, changed in changes(old, settings):
            log(state, now, place, settings.who, settings.why, changed)
    for name in [n for n in state.probes if n not in settings.probes]:
        _gone(state, state.probes.pop(name), now)
    for facts in settings.probes.values():
        _settle_probe(state, facts, now)
    for name in settings.enclosures:
        state.enclosures.setdefault(name, EnclosureState(name))
    for name in [n for n in state.enclosures if n not in settings.enclosures]:
        del state.enclosures[name]
        for key in [k for k in state.register.instances if k[0] == name]:
            state.register.clear(key, now, why="the enclosure is no longer configured")
    for tub in state.enclosures.values():
        apply_limits(state, tub, now)


def _settle_probe(state: JudgeState, facts: ProbeFacts, now: int) -> None:
    """Take what the configuration says of one probe; one that hangs elsewhere now begins anew."""
    known = state.probes.get(facts.name)
    if known is None:
        state.probes[facts.name] = ProbeState(facts, now, MEMORIES)
        state.set_timer(now + missing_after(state.poll), "missing", facts.name)
    elif (known.enclosure, known.role, known.room) != (facts.enclosure, facts.role, facts.room or ""):
        _gone(state, known, now)
        state.probes[facts.name] = ProbeState(facts, now, MEMORIES)
    else:
        known.adopt(facts)


def _gone(state: JudgeState, probe: ProbeState, now: int) -> None:
    """A probe is no longer here: nothing stands because of it."""
    let_go(state, probe, now, _ELSEWHERE)


def limits_now(state: JudgeState, tub: EnclosureState) -> Limits:
    """Return the limits an enclosure is judged by: its stage's, else its own, within its timed band."""
    assert state.settings is not None  # noqa: S101  the judge takes nothing before Settings
    own = state.settings.enclosures[tub.name].limits
    return limits_under(own, state.settings.stage_limits, tub.stage, tub.band)


def apply_limits(state: JudgeState, tub: EnclosureState, now: int) -> None:
    """Give every judged probe of an enclosure the sides of its limits."""
    limits = limits_now(state, tub)
    for probe in state.judged_probes(tub.name):
        probe.limits.sides = sides_for(limits, probe.sides)
        probe.limits.box()


def log(
    state: JudgeState,
    now: int,
    enclosure: str | None,
    who: str,
    why: str,
    detail: dict[str, str | float | int],
) -> None:
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


def realarm_seconds(state: JudgeState, enclosure: str | None) -> int:
    """Return how long an acknowledged alarm may stand before it comes back."""
    tub = state.enclosures.get(enclosure or "")
    return int((limits_now(state, tub).delays.realarm_hours if tub else 12) * 3600)
