"""When a probe is out of a fault, and which enclosure nobody sees. A fault is over after readings that show no trace of it for as long as its check asks, five minutes mostly."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.judge.beliefs import beliefs
from dewkeeper.judge.checks.crc import CrcMemory
from dewkeeper.judge.checks.gross_range import GrossRangeMemory
from dewkeeper.judge.contract import FaultOver, TimedAnew
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.state import FaultMemory, JudgeState, ProbeState
from dewkeeper.judge.table import TABLE
from dewkeeper.judge.view import View

_CHECKS: Final = {str(kind): row for row in TABLE for kind in row.words}


def recover(view: View, fault: FaultMemory, traces: frozenset[str] | set[str]) -> Iterator[FaultOver | TimedAnew]:
    """A reading came that shows only `traces` of faults; find those over that were not seen for long enough."""
    for kind, spell in list(fault.standing.items()):
        if kind in traces:
            if _CHECKS[kind].timed_meanwhile and spell[1] >= 0:
                yield TimedAnew(("dry", "damp"), spell[1])
            spell[1] = -1
        elif spell[1] < 0:
            spell[1] = view.now
        elif view.now - spell[1] >= _CHECKS[kind].recovery(view):
            yield FaultOver(kind)


def reads_well_again(fault: FaultMemory) -> bool:
    """Return whether all that is wrong with a probe are faults whose readings are timed meanwhile, and show no trace now."""
    return all(_CHECKS[kind].timed_meanwhile and spell[1] >= 0 for kind, spell in fault.standing.items())


def unwatched(state: JudgeState) -> dict[str, tuple[str, int]]:
    """Return enclosure -> (why, since in elapsed seconds) of what nobody sees."""
    found: dict[str, tuple[str, int]] = {}
    for name in state.settings.enclosures if state.settings is not None else ():
        probes = state.judged_probes(name)
        reasons = [reason for probe in probes if (reason := _blind(state, probe)) is not None]
        # One probe that is believed is enough.
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
