"""Probe faults: begun and ended in one way, whatever found them. Only the pipeline calls this.

What a fault takes away from the readings of its probe is in `beliefs`. While it takes something away the enclosure is
unwatched and says so. A fault found late carries `since`: what was read from then on is excluded. A fault is over after
five minutes of readings that show no trace of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from dewkeeper.judge.beliefs import INFERRED, belief, beliefs
from dewkeeper.judge.checks.crc import CrcMemory
from dewkeeper.judge.checks.gross_range import RUBBISH_POLLS, GrossRangeMemory, rare
from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.contract import InFault
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import FAIL, SUSPECT, Exclusion, Kind
from dewkeeper.judge.view import View

RECOVERY_SECONDS: Final = 300
SLOW_RECOVERY: Final[Mapping[str, int]] = {"brownout": 3600, "crc": 1800}
"""What comes and goes: a sagging supply resets a probe every few minutes for hours, and that is one alarm."""
RETURNING: Final = frozenset({"saturated", "flat_line"})
RETURNED_SECONDS: Final = 4 * 3600
RETURNS_BORNE: Final = 2
RETURNED_RECOVERY: Final = 3600
"""One of these that was back within four hours of its end, and again, and again, is over after an hour only: a
chattering alarm (ISA-18.2) is damped by its off-delay. Water on a sensor comes and goes with the thermostat; a plug is
somebody's doing, and over when it is in."""


def begin(state: JudgeState, probe: ProbeState, found: InFault, now: int) -> None:
    """A probe is in a fault; what it is in already stands on."""
    kind, since, fault = found.kind, found.since, probe.fault
    spell = fault.standing.get(kind)
    if spell is not None:
        spell[1] = -1
        if found.stated:
            spell[2] = now
        return
    fault.standing[kind] = [since, -1, now if found.stated else NEVER]
    returned = since - fault.ended.get(kind, NEVER) < RETURNED_SECONDS
    fault.returns[kind] = fault.returns.get(kind, 0) + 1 if returned else 0
    for memory in probe.kept():
        memory.in_fault(kind)
    held = belief(View(state, probe, now), kind)
    if held is not None:
        _disbelieve(state, probe, kind, now, whole="temperature" in held.takes)
        if since < now and kind != "gross_range":
            wall = state.register.wall
            flag = FAIL if held.stated else SUSPECT
            state.exclude(Exclusion(probe.name, wall(since), wall(now), (kind,), flag))
    if found.place:
        fault.places[kind] = found.place
    shared = bool(found.place)
    state.register.raise_(
        (found.place or probe.place, kind), now, since=since if found.began is None else found.began,
        enclosure=None if shared else probe.enclosure, probe=None if shared else probe.name, holder=probe.name,
        cause=found.cause, response=found.response, detail=dict(found.detail),
    )  # fmt: skip


def _disbelieve(state: JudgeState, probe: ProbeState, kind: str, now: int, *, whole: bool) -> None:
    """What was timed on humidity, of `whole` on temperature too, is timed anew; what stands is annotated.

    What was withheld and never told rests on readings nobody believes now, and is not told: heat apart.
    """
    for side in probe.sides:
        if side.thermal and not whole:
            continue
        for run in side.runs():
            run.restart()
        instance = state.register.instances.get((probe.place, side.kind))
        if side.level and side.kind != "hot" and instance is not None and instance.stands and not instance.told:
            side.drop()
            state.register.clear((probe.place, side.kind), now, probe.name)
        elif side.level and instance is not None:
            state.register.annotate((probe.place, side.kind), now, f"{probe.name} is now known as faulty: {kind}")
    for memory in probe.kept():
        memory.disbelieved()


def end(state: JudgeState, probe: ProbeState, kind: Kind, now: int) -> None:
    """A probe is out of a fault."""
    if probe.fault.standing.pop(kind, None) is None:
        return
    probe.fault.ended[kind] = now
    state.register.clear((probe.fault.places.pop(kind, probe.place), kind), now, probe.name)
    for memory in probe.kept():
        memory.fault_over(kind)
    held = INFERRED.get(kind)
    if held is not None and kind not in ("gross_range", "flat_line"):
        probe.air.mean_anew(thermal=held.elsewhere)
    if kind in ("missing", "crc"):
        state.set_timer(now + missing_after(state.poll), "missing", probe.name)


def end_all(state: JudgeState, probe: ProbeState, now: int) -> None:
    """A probe is out of every fault."""
    for kind in list(probe.faults):
        end(state, probe, kind, now)


def let_go(state: JudgeState, probe: ProbeState, now: int, why: str) -> None:
    """A probe is believed no more or is gone: whatever it held where it was is over, forecasts and its room's alarms too."""
    end_all(state, probe, now)
    for key, instance in list(state.register.instances.items()):
        if key[0] == probe.place and (probe.role == "room" or probe.name in instance.holders):
            state.register.clear(key, now, None if probe.role == "room" else probe.name, why)
    probe.let_go()


def recover(state: JudgeState, probe: ProbeState, now: int, traces: frozenset[str] | set[str]) -> None:
    """A reading came that shows only `traces` of faults; end those not seen for long enough."""
    for kind, spell in list(probe.faults.items()):
        if kind in traces:
            spell[1] = -1
        elif spell[1] < 0:
            spell[1] = now
        elif now - spell[1] >= _recovery(View(state, probe, now), kind, probe.fault.returns):
            end(state, probe, kind, now)


def _recovery(view: View, kind: str, returns: Mapping[str, int]) -> int:
    if kind in RETURNING and returns.get(kind, 0) > RETURNS_BORNE:
        return RETURNED_RECOVERY
    if kind == "gross_range" and rare(view):
        return RUBBISH_POLLS * view.poll  # what came every ten minutes is not over after five
    return SLOW_RECOVERY.get(kind, RECOVERY_SECONDS)


def unwatched(state: JudgeState) -> dict[str, tuple[str, int]]:
    """Return enclosure -> (why, since in elapsed seconds) of what nobody sees."""
    found: dict[str, tuple[str, int]] = {}
    for name in state.settings.enclosures if state.settings is not None else ():
        probes = state.judged_probes(name)
        reasons = [reason for probe in probes if (reason := _blind(state, probe)) is not None]
        if len(reasons) == len(probes):
            found[name] = min(reasons, key=lambda r: r[1]) if reasons else ("no probe", state.started)
    return found


def _blind(state: JudgeState, probe: ProbeState) -> tuple[str, int] | None:
    """Return why, and since when, a probe sees nothing; None when it does."""
    if probe.retired != NEVER:
        return "probe retired", probe.retired
    faults = [(kind, probe.faults[kind][0]) for kind, _ in beliefs(View(state, probe, state.now))]
    if faults:
        return min(faults, key=lambda f: f[1])
    if state.now - probe.air.seen <= state.hold:
        return None
    rubbish = probe.memory(GrossRangeMemory).rubbish
    if probe.memory(CrcMemory).score:
        why = "crc"
    else:
        why = "gross_range" if rubbish and state.now - rubbish[-1] <= state.hold else "missing"
    return why, max(probe.air.seen, state.started)
