"""`saturated`: pinned at 100 % because the sensor itself is wet: it reads the film, not the air."""

from __future__ import annotations

from statistics import median
from typing import Final

from dewkeeper.air import humidity_at, saturation_hpa
from dewkeeper.judge.contract import Check, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.view import ProbeView, View

SATURATED_PERCENT: Final = 99.0
"""Pinned from here on, and till 2 % below; data sheet: ±2 %RH, typical."""
SATURATED_SECONDS: Final = 2700
"""So long at 100 % is no air, but a wet probe: to be told within the hour (goal)."""
TOUCHED_SECONDS: Final = 3600
"""So long a probe may read what a hand did to it; as `journal_words.SOON_BACK_SECONDS`."""
_CREEPS_PERCENT: Final = 90.0
"""No air that only cools comes from below this to 100 % within minutes: it would be two degrees."""
_PSYCHROMETER: Final = 0.66
"""hPa/°C at 1000 hPa: the psychrometer's constant."""
_TWO_PROBES_C: Final = 0.6
"""By which two good probes may differ: ±0.3 °C each (data sheet, typical)."""


@remembered
class SaturatedMemory(ProbeMemory):
    """since: when it came to 100 %, NEVER while it is not there."""

    since: int = NEVER


def pinned(view: View, h: float) -> tuple[bool, tuple[InFault, ...]]:
    """Return whether a humidity is a trace of a wet probe, and the fault when it is one."""
    probe, memory = view.probe, view.probe.memory(SaturatedMemory)
    if h < SATURATED_PERCENT - 2:
        memory.since = NEVER
        return False, ()
    if memory.since == NEVER:
        memory.since = view.now
    known, facts = "saturated" in probe.faults, view.facts
    moist = facts is not None and (facts.egg_box or facts.limits.humidity_target.high >= 99)
    if not known and moist and not _reads_wet_bulb(probe, memory.since):
        return False, ()  # an egg box may well be at 99 %
    if not known and view.wiped(memory.since - TOUCHED_SECONDS):
        return False, ()  # dried, put back, and as wet again within the hour: it is the air
    if view.now - memory.since >= SATURATED_SECONDS:
        return True, (InFault("saturated", memory.since),)
    return known, ()


def wetted(probe: ProbeView) -> bool:
    """Return whether the probe is at 100 % and came there at once: a film of water cools it. Air that cools creeps there."""
    since = probe.memory(SaturatedMemory).since
    if since == NEVER:
        return False
    before = [humidity_at(e, t) for at, t, e in probe.past.looks if since - 1200 <= at < since - 480]
    return bool(before) and max(before) < _CREEPS_PERCENT


def _reads_wet_bulb(probe: ProbeView, wet_since: int) -> bool:
    """Return whether the pinned probe is cooler than its air was: water evaporates from it, as from a wet bulb.

    The air must have been drier before, else there is nothing to tell the film from it.
    """
    before = [look for look in probe.past.looks if wet_since - 5400 <= look[0] < wet_since - 480]
    since = [look for look in probe.past.looks if look[0] >= wet_since]
    if len(before) < 6 or len(since) < 6:
        return False
    t_before, t_since = median(t for _, t, _ in before), median(t for _, t, _ in since)
    h_before = max(humidity_at(e, t) for _, t, e in before[-2:])  # it jumped; a cooling box creeps up
    spread = max(t for _, t, _ in before) - min(t for _, t, _ in before)
    usual = median(hour[1] for hour in probe.past.hours) if probe.past.learned else t_before
    falling = since[-1][1] < since[0][1] - 0.4  # a box that goes on cooling has lost its heat, and is wet in truth
    cooler = min(t_before, usual) - t_since
    vapour = median(e for _, _, e in before)
    return h_before < 98.0 and not falling and max(0.2, 0.5 * spread) < cooler < _coolest_film(t_before, vapour)


def _coolest_film(t: float, e: float) -> float:
    """Return by how many °C at most a film of water is cooler than air of t °C and e hPa; what is cooler still was opened.

    The wet bulb's depression, linear from the air's own temperature, twice over: humidity itself is known to some per cent only.
    """
    slope = saturation_hpa(t + 0.5) - saturation_hpa(t - 0.5)
    return 2 * max(0.0, saturation_hpa(t) - e) / (_PSYCHROMETER + slope) + _TWO_PROBES_C


CHECK: Final = Check(
    "saturated",
    {
        "saturated": fault(
            "wet probe", "water on the sensor: the film is read, not the air", "take it out, let it dry, place it higher",
            "out_of_specification",
        ),
    },
    SaturatedMemory,
)  # fmt: skip
