"""Heaters that stick and heaters that stop: told early, for as long as it is so, and over when the heat is mended."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Event

ROOM = [("air", 22.0, 45.0)]
DAY = 24 * 60


def _cycle(minute: int) -> float:
    """A thermostat's temperature, 28.6 to 30.4 °C every 40 minutes."""
    return 29.5 + 0.9 * math.sin(2 * math.pi * minute / 40)


def _runaway(to_c: float, minutes: float = 60) -> Callable[[int], float]:
    """From the top of a cycle towards where full power leads."""
    return lambda m: to_c + (30.4 - to_c) * math.exp(-m / minutes)


def _of(events: list[Event], kind: str, event: str = "raised") -> list[Event]:
    return [e for e in events if e.kind == kind and e.event == event]


def _known(*, room: bool) -> Desk:
    """Return a desk that knows a thermostat for two days, at the top of its swing."""
    desk = Desk(rack(room=room))
    desk.hold(2 * DAY + 10, t=_cycle, others=ROOM if room else ())
    assert desk.told() == []
    return desk


@pytest.mark.parametrize("room", [True, False])
def test_a_heater_that_sticks_is_told_well_before_danger_with_or_without_a_room_probe(room: bool) -> None:
    """From 30.4 °C towards 45 °C within an hour or two: told ten minutes and more before 38 °C, and before 34 °C."""
    desk = _known(room=room)
    began = desk.now
    events = desk.hold(60, t=_runaway(45.0), others=ROOM if room else ())
    danger = 60 * math.log((45 - 30.4) / (45 - 38))
    told = (_of(events, "heat_stuck_on")[0].time - began) / 60
    assert told <= danger - 10
    assert told <= 60 * math.log((45 - 30.4) / (45 - 34)) + 1


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("to_c", [33.6, 36.7, 41.7])
def test_heat_that_stays_up_is_never_over_by_having_lasted(to_c: float, room: bool) -> None:
    """It levels off and stays for twenty hours, over full hours and a midnight: it is over only when the heat is off."""
    desk = _known(room=room)
    others = ROOM if room else ()
    desk.hold(20 * 60, t=_runaway(to_c, 30), others=others)
    assert len(_of(desk.events, "heat_stuck_on")) == 1
    assert _of(desk.events, "heat_stuck_on", "cleared") == []
    desk.hold(4 * 60, t=lambda m: 24 + (to_c - 24) * math.exp(-m / 60) if m < 60 else _cycle(m), others=others)
    assert len(_of(desk.events, "heat_stuck_on", "cleared")) == 1


def test_what_it_was_like_while_heat_was_stuck_is_not_usual_afterwards() -> None:
    """Mended after ten hours at 36 °C, well for half a day, and stuck again: told again as early as the first time."""
    desk = _known(room=True)
    told = []
    for _ in range(2):
        began = desk.now
        desk.hold(10 * 60, t=_runaway(36.0, 50), others=ROOM)
        told.append(_of(desk.events, "heat_stuck_on")[-1].time - began)
        desk.hold(DAY // 2 + 10, t=_cycle, others=ROOM)
    assert len(_of(desk.events, "heat_stuck_on")) == 2
    assert abs(told[0] - told[1]) <= 300


def test_a_room_that_warms_its_tubs_is_no_stuck_heater() -> None:
    """A heat wave takes room and tub to 33 °C over a day: nothing is said of the heater."""
    desk = _known(room=True)
    for minute in range(DAY):
        room_c = 22 + 11 * minute / DAY
        desk.hold(1, t=max(29.5, room_c), others=[("air", room_c, 45.0)])
    assert _of(desk.events, "heat_stuck_on") == []


def test_a_thermostat_set_higher_and_not_written_down_is_told_once() -> None:
    """Two degrees warmer from now on, within its limits: told, and over after a day of it: this is the usual now."""
    desk = _known(room=True)
    desk.hold(3 * DAY, t=lambda m: _cycle(m) + 2.4 * (1 - math.exp(-(m + 1) / 30)), others=ROOM)
    assert len(_of(desk.events, "heat_stuck_on")) <= 1
    assert len(_of(desk.events, "heat_stuck_on", "cleared")) == len(_of(desk.events, "heat_stuck_on"))


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("hours", [3, 14, 40])
def test_lost_heat_is_over_within_the_hour_of_its_mend(hours: int, room: bool) -> None:
    """Cold for hours, for more than a day even, then the plug is in again: over within the hour, and not before."""
    desk = _known(room=room)
    others = ROOM if room else ()
    desk.hold(hours * 60, t=lambda m: 22.2 + 7.3 * math.exp(-m / 90), others=others)
    cold_c = 22.2 + 7.3 * math.exp(-hours * 60 / 90)
    assert len(_of(desk.events, "heat_lost")) == 1
    assert _of(desk.events, "heat_lost", "cleared") == []
    mended = desk.now
    desk.hold(3 * 60, t=lambda m: min(_cycle(m), 40 - (40 - cold_c) * math.exp(-m / 90)), others=others)
    (over,) = _of(desk.events, "heat_lost", "cleared")
    assert over.time - mended <= 3600


@pytest.mark.parametrize("room", [True, False])
def test_a_power_cut_is_lost_heat_with_one_cause(room: bool) -> None:
    """Six tubs of different mass go cold at once: those cold by then are told in one moment, all with the same cause."""
    names = [f"B{i}" for i in range(1, 7)]
    desk = Desk(rack(names, room=room))

    def tubs(t: Callable[[int], float], minute: int) -> list[tuple[str, float, float]]:
        return [*(ROOM if room else ()), *((f"p{i}", t(i), 65.0) for i in range(2, 7))]

    for minute in range(2 * DAY):
        desk.hold(1, t=_cycle(minute), others=tubs(lambda i: _cycle(minute + 7 * i), minute))  # noqa: B023
    desk.events.clear()
    for minute in range(5 * 60):
        desk.hold(
            1, t=22.2 + 7.3 * math.exp(-minute / 45),
            others=tubs(lambda i: 22.2 + 7.3 * math.exp(-minute / (40 + 10 * i)), minute),  # noqa: B023
        )  # fmt: skip
    lost = _of(desk.events, "heat_lost")
    assert {e.enclosure for e in lost} == set(names)
    assert len({e.detail.get("common") for e in lost}) == 1
    assert all("together" in e.cause for e in lost)
    assert sum(e.time == lost[0].time for e in lost) >= 3


@settings(max_examples=amount(6, 250))
@given(
    st.lists(st.tuples(st.floats(24, 45), st.integers(5, 240)), min_size=2, max_size=8), st.booleans(), st.floats(20, 33),
)  # fmt: skip
def test_no_heat_alarm_is_ever_over_above_its_limit(spells: list[tuple[float, int]], room: bool, room_c: float) -> None:
    """Whatever the temperature does: `hot` and `heat_stuck_on` clear below the limit only, `room_heat` below its own."""
    desk = Desk(rack(room=room))
    desk.hold(26 * 60, t=_cycle, others=[("air", room_c, 45.0)] if room else ())
    t = 29.5
    for goal, minutes in spells:
        start = t
        for minute in range(minutes):
            t = goal + (start - goal) * math.exp(-minute / 30)
            air_c = room_c + (t - 29.5) * 0.6
            events = desk.hold(1, t=t, others=[("air", air_c, 45.0)] if room else ())
            for e in events:
                if e.event == "cleared" and e.kind in ("hot", "heat_stuck_on"):
                    assert t < 34.0, (e.kind, t)
                if e.event == "cleared" and e.kind == "room_heat":
                    assert air_c < 32.0
