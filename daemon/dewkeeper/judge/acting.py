"""What follows from a finding: the one place that excludes readings, raises, clears and quiets."""

from __future__ import annotations

from collections.abc import Iterable

from dewkeeper.judge import faults
from dewkeeper.judge.contract import (
    Explained,
    FaultOver,
    Finding,
    InFault,
    OtherAir,
    Over,
    Stands,
    TimedAnew,
    Unexplained,
)
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import Kind
from dewkeeper.judge.view import ProbeView

NEVER_SUPPRESSED: frozenset[Kind] = frozenset({"hot", "heat_stuck_on", "room_heat", "room_frost", "system"})
"""Heat is not argued away, and the room and the service are nobody's misting."""


def act(state: JudgeState, probe: ProbeState, findings: Iterable[Finding], now: int) -> None:
    """Follow what a check or detector found about a probe."""
    for found in findings:
        match found:
            case Stands():
                _raise(state, probe, found, now)
            case Over():
                holder = probe.name if found.holder == "" else found.holder
                state.register.clear((probe.place, found.kind), now, holder, found.why)
            case InFault():
                faults.begin(state, _state_of(state, found.probe, probe), found, now)
            case FaultOver():
                faults.end(state, _state_of(state, found.probe, probe), found.kind, now)
            case Explained():
                if not state.beyond_before(probe.place, found.kind, state.now):
                    suppress(state, (probe.place, found.kind), found.until, state.now)
            case Unexplained():
                if state.register.suppressed.get((probe.place, found.kind)) == found.until:
                    state.register.suppressed[probe.place, found.kind] = state.now
                    state.set_timer(state.now, "suppressed", f"{probe.place}\x1f{found.kind}")
            case TimedAnew():
                _time_anew(probe, found)
            case OtherAir():
                found.probe.past.keep(found.since)


def _state_of(state: JudgeState, about: ProbeView | None, probe: ProbeState) -> ProbeState:
    return probe if about is None else state.probes[about.name]


def _raise(state: JudgeState, looked_at: ProbeState, found: Stands, now: int) -> None:
    probe = found.probe or looked_at
    state.register.raise_(
        (probe.place, found.kind), now, since=found.since, enclosure=probe.enclosure, probe=probe.name,
        holder=found.holder or probe.name, value=found.value, limit=found.limit, cause=found.cause, response=found.response,
        detail=dict(found.detail),
    )  # fmt: skip


def _time_anew(probe: ProbeState, found: TimedAnew) -> None:
    for side in probe.sides:
        if side.kind in found.kinds:
            for run in side.runs():
                if run.seconds >= 0 and run.since >= found.since:
                    run.restart()


def suppress(state: JudgeState, key: tuple[str, Kind], until: int, now: int) -> None:
    """Suppress a kind in a place by design until a time, unless it already is for longer."""
    if until > now and until > state.register.suppressed.get(key, -1):
        state.register.suppressed[key] = until
        state.set_timer(until, "suppressed", f"{key[0]}\x1f{key[1]}")
