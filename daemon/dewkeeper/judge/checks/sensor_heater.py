"""`sensor_heater`: the probe warms itself, by its own status bit or by the shape of it."""

from __future__ import annotations

from typing import Final

from dewkeeper.air import saturation_hpa
from dewkeeper.judge.contract import Check, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import Corrected, ProbeMemory
from dewkeeper.judge.rationale import TYPED, fault
from dewkeeper.judge.view import ProbeView, View

OWN_HEAT_C: Final = 1.5
"""By so much at once a probe is warmed by its own heater or by a lamp, °C from poll to poll; data sheet: its heater makes some °C."""
HEATER_LONGEST_SECONDS: Final = 6 * 3600
_TRACE_C: Final = 1.0
_SAME_C, _SAME_VAPOUR, _WARMER_VAPOUR = 0.35, 0.02, 1.05
_POLLS_SECONDS: Final = 200
"""A plateau within so many °C, the vapour within such a share; tuned on bench, seeds 1-9."""


_RESTART: Final = f"restart dewkeeper, {TYPED}: `sudo systemctl restart dewkeeper`"


@remembered
class SensorHeaterMemory(ProbeMemory):
    """from_c: the temperature before the heat began, 0 where it is not known."""

    from_c: float = 0.0

    def correct(self, by: Corrected) -> None:
        self.from_c += by.warmer_c if self.from_c else 0.0

    def fault_over(self, kind: str) -> None:
        if kind == "sensor_heater":
            self.from_c = 0.0


def own_heat(view: View, t: float, e: float) -> tuple[InFault, ...]:
    """Return the fault when this reading looks like the probe's own heater: a step at once, a plateau, the same vapour.

    Air in a tub does not warm so fast and then stay; a probe that heats itself does. So does one over which a lamp was
    switched on: it is a guess about humidity, and its temperature counts all the while.
    """
    trail = view.probe.past.trail
    if len(trail) < 2 or trail[-1][1] - trail[-2][1] < OWN_HEAT_C or view.now - trail[-2][0] > _POLLS_SECONDS:
        return ()
    (_, t0, e0), (at, t1, e1) = trail[-2], trail[-1]
    same = abs(t - t1) <= _SAME_C and abs(e1 - e0) <= _SAME_VAPOUR * e0 and abs(e - e0) <= _SAME_VAPOUR * e0
    if not view.probe.sides or not same or saturation_hpa(t1) <= _WARMER_VAPOUR * saturation_hpa(t0):
        return ()
    view.probe.memory(SensorHeaterMemory).from_c = t0
    found = InFault(
        "sensor_heater", at,
        cause="it got warmer at once and its vapour stayed: its own heater, a lamp over it, or a warmer place",
        response=f"look where the probe lies and what shines on it; if that is not it, {_RESTART}",
    )  # fmt: skip
    return (found,)


def still_warm(probe: ProbeView, now: int, t: float) -> bool:
    """Return whether a reading is still warmer than before its own heat began."""
    from_c = probe.memory(SensorHeaterMemory).from_c
    return bool(from_c) and t > from_c + _TRACE_C and now - probe.faults["sensor_heater"][0] < HEATER_LONGEST_SECONDS


CHECK: Final = Check(
    "sensor_heater",
    {
        "sensor_heater": fault(
            "probe heats itself", "the probe's own heater is on", f"{_RESTART}; replace the probe if it stays",
            "function_check",
        ),
    },
    SensorHeaterMemory,
)  # fmt: skip
