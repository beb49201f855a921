"""`room_heat_soon`: the room is warming, and its enclosures will be too hot within hours.

The room's next hours are taken to go as the same ones of the day before, from where it is now, if that day was like this one. An enclosure that nothing holds
goes with its room (`room_warmth_share`, learned), from where it was when the room was as warm as now; and none, however well
it is held, stays colder than its room. Where nothing was learned of an enclosure, only the latter is said of it. Told on
the second hour in a row that says so, for one look ahead cries wolf; over when two say otherwise, when the room or an
enclosure is too hot, which is told by another name, or when it did not come true.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from dewkeeper.judge.contract import Detector, Finding, Over, Stands
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.rationale import HOUR, Rationale
from dewkeeper.judge.types import Kind
from dewkeeper.judge.view import ProbeView, View

AHEAD_HOURS: Final = 8
"""From the morning to the afternoon's peak; common practice, no source."""
_DAY_HOURS: Final = 24
TRUSTED_SHARE: Final = 0.3
"""What is not known to follow its room by more (the lower end of its interval) is held by its thermostat. Well below 1, no source."""
STANDS_SECONDS: Final = 14 * HOUR
"""A forecast that has not come true by then was wrong and is withdrawn."""
_OWN_HEAT: Final[tuple[Kind, ...]] = ("heat_stuck_on", "heat_lost")
"""While these stand its warmth is not its room's doing."""
_ALIKE_C: Final = 10.0
"""A room that is further from the day before has had its heating, a window or a door changed; no weather does that, no source."""
_AGREE: Final = 2
"""Hours in a row that must say the same."""


class _Ahead(NamedTuple):
    """When an enclosure passes its limit: hours from now, and what it comes to, °C."""

    hours: int
    peak_c: float
    limit_c: float
    enclosure: str


@remembered
class RoomHeatSoonMemory(ProbeMemory):
    """hour: number of the hour last looked at. agree: hours in a row that say it will be too hot, below 0 that it will not."""

    hour: int = -1
    agree: int = 0

    def begin_anew(self) -> None:
        self.agree = 0

    let_go = begin_anew


def look(view: View) -> Iterator[Finding]:
    """Every five minutes of a room's probe; looked ahead once an hour."""
    probe, memory, now = view.probe, view.probe.memory(RoomHeatSoonMemory), view.now
    alarm = view.standing("room_heat_soon")
    if alarm is not None and (view.stands("room_heat") or any(view.of(w).stands("hot") for w in view.neighbours)):
        memory.agree = 0
        yield Over("room_heat_soon", "it is too hot now")
        return
    if now // HOUR == memory.hour:
        return
    memory.hour = now // HOUR
    found = None if probe.faults or view.stands("room_heat") else _first_too_hot(view)
    memory.agree = max(1, memory.agree + 1) if found is not None else min(-1, memory.agree - 1)
    if alarm is not None:
        if memory.agree <= -_AGREE:
            yield Over("room_heat_soon", "the room warms no further")
        elif now - alarm.since > STANDS_SECONDS:
            yield Over("room_heat_soon", "the forecast did not come true")
    elif found is not None and memory.agree >= _AGREE and not any(view.of(w).stands("hot") for w in view.neighbours):
        yield Stands(
            "room_heat_soon", now, round(probe.air.t, 1), found.limit_c,
            detail={
                "room": probe.room, "hours": found.hours, "enclosure": found.enclosure, "celsius": round(found.peak_c, 1),
            },
        )  # fmt: skip


def _first_too_hot(view: View) -> _Ahead | None:
    """Return which enclosure passes its limit first within the hours ahead, None for none."""
    rises = _rises(view.probe, view.now // HOUR)
    if rises is None:
        return None
    found = [
        ahead for tub in view.neighbours
        if tub.sides and not tub.faults and not view.of(tub).any_stands(_OWN_HEAT) and (ahead := _too_hot(view, tub, rises)) is not None
    ]  # fmt: skip
    return min(found, default=None)


def _rises(room: ProbeView, hour: int) -> list[float] | None:
    """Return by how much the room will be warmer than its slow mean now, hour by hour: as the day before went on; None where that is not known."""
    before = {h[0]: h[1] for h in room.past.within(hour - 1 - _DAY_HOURS, hour - _DAY_HOURS + AHEAD_HOURS)}
    last = room.past.within(hour - 1, hour)
    if not last or len(before) < AHEAD_HOURS + 1:
        return None
    then = before[hour - 1 - _DAY_HOURS]
    if abs(last[0][1] - then) > _ALIKE_C:
        return None
    return [
        before[hour - 1 - _DAY_HOURS + ahead] - then + last[0][1] - room.air.slow_t
        for ahead in range(1, AHEAD_HOURS + 1)
    ]


def _too_hot(view: View, tub: ProbeView, rises: list[float]) -> _Ahead | None:
    limit = next((side.limit for side in tub.sides if side.kind == "hot"), None)
    share = view.of(tub).fact("room_warmth_share")
    if limit is None or view.now - tub.air.seen > HOUR:
        return None
    follows = 0.0
    if share is not None and share.value is not None and (share.low or 0.0) > TRUSTED_SHARE:
        follows = min(1.0, share.value)
    course = [max(tub.air.slow_t + follows * rise, view.probe.air.slow_t + rise) for rise in rises]
    first = next((hours for hours, celsius in enumerate(course, 1) if celsius > limit), None)
    return None if first is None else _Ahead(first, max(course), limit, tub.enclosure or "")


DETECTOR: Final = Detector(
    "room_heat_soon",
    {
        "room_heat_soon": Rationale(
            "room is warming", "the room is as warm as the day before, or warmer, and warms on",
            "its enclosures go with it and will be too hot within hours; nothing in them can cool them",
            "cool the room before it is hot: shade, air at night, fewer heaters; leave each enclosure its cooler end", 2 * HOUR, "medium",
        ),
    },
    RoomHeatSoonMemory,
    look=look,
    roles=("room",),
)  # fmt: skip
