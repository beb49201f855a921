"""The room itself: so hot that nothing in it can cool, so cold that heaters struggle, or frost-dry.

One alarm for the room instead of one for every tub in it. Limits are common practice, no source: within 2 °C of what
the most sensitive enclosure tolerates; below 18 °C; below 7 hPa and 30 %RH, which is what heating makes of air from a
hard frost (air of -2 °C holds 5 hPa at most).
"""

from __future__ import annotations

from typing import Final

from dewkeeper.air import humidity_at
from dewkeeper.judge.limits import Run
from dewkeeper.judge.state import State, Watch
from dewkeeper.judge.types import Kind

NEAR_LIMIT_C: Final = 2.0
COLD_C: Final = 18.0
DRY_HPA: Final = 7.0
DRY_PERCENT: Final = 30.0

_HEAT_SECONDS, _COLD_SECONDS, _DRY_SECONDS = 1800.0, 3600.0, 7200.0


def look_at_room(state: State, watch: Watch, seconds: int, now: int) -> None:
    """Every five minutes of a room probe's readings, `seconds` after the look before (0: hold)."""
    judged = [w for w in state.watches.values() if w.room == watch.room and w.role == "substrate" and w.sides]
    if not judged or watch.faults:
        return
    hottest_c = min(-w.sides[2].runs()[0].limit for w in judged) - NEAR_LIMIT_C
    if not watch.room_runs:
        watch.room_runs = [
            Run(0.0, delay, deadband, off, plain=True, slack=0.0)
            for delay, deadband, off in (
                (_HEAT_SECONDS, 0.5, _HEAT_SECONDS),
                (_COLD_SECONDS, 0.5, _COLD_SECONDS),
                (_DRY_SECONDS, 1.0, 3 * _DRY_SECONDS),
            )
        ]
    percent = humidity_at(watch.slow_e, watch.slow_t)
    heat, cold, dry = watch.room_runs
    place = watch.place
    conditions: tuple[tuple[Run, float, Kind, str, str], ...] = (
        (heat, hottest_c - watch.t, "room_heat", "hot", "the room is nearly as hot as its enclosures may be"),
        (cold, watch.t - COLD_C, "room_frost", "cold", "the room is cold"),
        (
            dry,
            max(watch.slow_e - DRY_HPA, (percent - DRY_PERCENT) / 4),
            "room_frost",
            "dry",
            "the room's air is frost-dry",
        ),
    )
    for run, value, kind, holder, cause in conditions:
        change = run.step(value, value, seconds, now)
        if change == 1:
            state.book.raise_(
                (place, kind), now, since=run.since, enclosure=None,
                probe=watch.name, holder=holder, value=round(watch.t, 1), cause=cause,
                detail={"room": watch.room, "hpa": round(watch.slow_e, 1), "percent": round(percent, 1)},
            )  # fmt: skip
        elif change == -1:
            state.book.clear((place, kind), now, holder)
