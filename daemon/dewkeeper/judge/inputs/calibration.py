"""What the judge remembers of a probe when its correction changes.

The reading after a correction differs from the one before by what was corrected, and no air did that. So all that is
remembered of the probe is put as if it had always been corrected so: no jump, no opening, no swap is seen in it.
"""

from __future__ import annotations

from dewkeeper.judge.changes import Changed
from dewkeeper.judge.inputs.settings import log
from dewkeeper.judge.memory import NEVER, UNCORRECTED, Corrected, ReadingCorrection
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import Calibration


def recalibrate(state: JudgeState, item: Calibration, now: int) -> None:
    """Take a calibration: log what it changes, and correct what is remembered of the probe, if it holds from now on."""
    probe = state.probes.get(item.probe)
    start = item.time - state.shift
    old = state.corrections.get(item.probe, UNCORRECTED)
    new = (start, item.temperature_offset_c, item.humidity_offset_percent, item.humidity_gain)
    where = probe.enclosure if probe is not None else None
    log(state, now, where, item.who or "calibration", item.note, _changed(item, old, new))
    if start < old[0]:
        return  # another one began later, and holds still
    state.corrected(item.probe, new)
    if probe is not None and probe.air.seen != NEVER and old[1:] != new[1:]:
        _correct(state, probe, old, new)


def _correct(state: JudgeState, probe: ProbeState, old: ReadingCorrection, new: ReadingCorrection) -> None:
    by = Corrected(old, new, probe.air.t)
    # As it was before: the tubs of its room are put right by the difference.
    slow_e = probe.air.slow_e
    for memory in probe.kept():
        memory.correct(by)
    probe.past.correct(by.vapour)
    if state.rooms.get(probe.room) == probe.name:
        for other in state.probes.values():
            if other.room == probe.room and other is not probe:
                other.past.apart(-by.warmer_c, slow_e - probe.air.slow_e)
                for memory in other.kept():
                    memory.correct_room(by.warmer_c)


def _changed(item: Calibration, old: ReadingCorrection, new: ReadingCorrection) -> Changed:
    changed: Changed = {}
    if old[2:] != new[2:]:
        changed[f"{item.probe} humidity"] = f"{_humidity(*old[2:])} -> {_humidity(*new[2:])}"
    if old[1] != new[1]:
        changed[f"{item.probe} temperature"] = f"{old[1]:+.2f} -> {new[1]:+.2f} °C"
    return changed or {f"{item.probe} checked": "its correction stays"}


def _humidity(offset_percent: float, gain: float) -> str:
    return f"{offset_percent:+.1f} %RH" if gain == 1.0 else f"x {gain:.3f} {offset_percent:+.1f} %RH"
