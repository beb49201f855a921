"""`room_heat`, `room_frost`: the room itself, so hot that nothing in it can cool, so cold that heaters struggle, or frost-dry.

One alarm for the room instead of one for every tub in it. Limits are common practice, no source: within 2 °C of what
the most sensitive enclosure tolerates; below 18 °C; below 7 hPa and 30 %RH, which is what heating makes of air from a
hard frost (air of -2 °C holds 5 hPa at most).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import field
from typing import Final

from dewkeeper.air import humidity_at
from dewkeeper.judge.contract import Detector, Finding, Over, Stands
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.limit_alarm import LimitRun
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.probe_past import LOOK_SECONDS
from dewkeeper.judge.rationale import COLD_CAUSE, DRY_CAUSE, HOUR, ROOM_HEATER, Rationale
from dewkeeper.judge.types import Figures, Kind
from dewkeeper.judge.view import View

NEAR_LIMIT_C: Final = 2.0
COLD_C: Final = 18.0
DRY_HPA: Final = 7.0
DRY_PERCENT: Final = 30.0
_PERCENT_A_HPA: Final = 4  # at 22 °C, by which one deadband serves both

_CONDITIONS: Final[tuple[tuple[Kind, str, float, float, float, str, str, str], ...]] = (
    ("room_heat", "hot", 1800.0, 0.5, 1800.0, "the room is nearly as hot as its enclosures may be", "", ""),
    (
        "room_frost", "cold", 3600.0, 0.5, 3600.0, COLD_CAUSE, "every enclosure in it cools",
        f"warm the room; {ROOM_HEATER}; leave the tubs as they are",
    ),
    (
        "room_frost", "dry", 7200.0, 1.0, 21600.0, DRY_CAUSE, "every enclosure in it dries",
        "moisten the room, with a humidifier or wet cloths, away from plugs and leads; leave the tubs as they are",
    ),
)  # fmt: skip
"""Kind, what holds it, on-delay, deadband, off-delay (common practice, no source), cause, consequence and response."""


@remembered
class RoomMemory(ProbeMemory):
    """runs: of a room's probe, how long each of `_CONDITIONS` has been so."""

    runs: list[LimitRun] = field(default_factory=list)

    def let_go(self) -> None:
        self.runs = []


def look(view: View) -> Iterator[Finding]:
    """Every five minutes of a room's probe."""
    probe, memory, looks = view.probe, view.probe.memory(RoomMemory), view.probe.past.looks
    judged = [w for w in view.neighbours if w.sides]
    if not judged or probe.faults:
        return
    gap = looks[-1][0] - looks[-2][0] if len(looks) > 1 else 0
    seconds = gap if gap <= LOOK_SECONDS + view.hold else 0  # a longer gap holds
    if not memory.runs:
        memory.runs = [
            LimitRun(0.0, delay, deadband, off, plain=True) for _, _, delay, deadband, off, *_ in _CONDITIONS
        ]
    air, hottest_c = probe.air, min(w.sides[2].limit for w in judged) - NEAR_LIMIT_C
    percent = humidity_at(air.slow_e, air.slow_t)
    dryness = max(air.slow_e - DRY_HPA, (percent - DRY_PERCENT) / _PERCENT_A_HPA)
    detail: Figures = {"room": probe.room, "hpa": round(air.slow_e, 1), "percent": round(percent, 1)}
    # As a `LimitRun` takes them: below 0 is beyond.
    values = (hottest_c - air.t, air.t - COLD_C, dryness)
    for run, value, (kind, holder, _, _, _, cause, waits, response) in zip(
        memory.runs, values, _CONDITIONS, strict=True
    ):
        change = run.step(value, value, seconds, view.now)
        if change == 1:
            yield Stands(
                kind, run.since, round(air.t, 1), cause=cause, response=response, detail=detail, holder=holder, consequence=waits
            )  # fmt: skip
        elif change == -1:
            yield Over(kind, holder=holder)


DETECTOR: Final = Detector(
    "room",
    {
        "room_heat": Rationale(
            "room too hot", "the room is as hot as an enclosure may be", "no enclosure in it can cool down",
            "cool the room: shade, air, fewer heaters", HOUR, "medium",
        ),
        "room_frost": Rationale(
            "room cold or bone-dry", "cold or frost-dry air in the room", "every enclosure in it dries or cools",
            "warm or moisten the room; leave the tubs as they are", 6 * HOUR, "low",
        ),
    },
    RoomMemory,
    look=look,
    roles=("room",),
)  # fmt: skip
