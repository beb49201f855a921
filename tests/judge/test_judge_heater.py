"""Heaters that stick and heaters that stop: told early, for as long as it is so, and over when the heat is mended."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.judge.judge_desk import Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper.judge.types import Event
from dewkeeper_config.profiles import BUILT_IN

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


def _relaxes(
    desk: Desk, minutes: int, start_c: float, room_c: Callable[[int], float], *, room: bool, tau: float = 60
) -> float:
    """Let an enclosure without heat follow its room, as Newton's law of cooling has it; return what it comes to."""
    t = start_c
    for minute in range(minutes):
        t += (room_c(minute) - t) / tau
        desk.hold(1, t=t, others=[("air", room_c(minute), 45.0)] if room else ())
    return t


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("rise_c", [2.0, 3.0, 6.0])
def test_lost_heat_is_not_over_because_the_day_warms_the_room(room: bool, rise_c: float) -> None:
    """Stopped in the evening, told early, the room warms by degrees over the next days and cools again: it stands until the heater is mended."""
    desk = _known(room=room)
    cold_c = _relaxes(desk, 2 * DAY + 60, 30.4, lambda m: 22 - rise_c / 2 * math.sin(2 * math.pi * m / DAY), room=room)
    assert [e.event for e in desk.events if e.kind == "heat_lost" and e.event in ("raised", "cleared")] == ["raised"]
    mended = desk.now
    desk.hold(3 * 60, t=lambda m: min(_cycle(m), 40 - (40 - cold_c) * math.exp(-m / 90)), others=ROOM if room else ())
    (over,) = _of(desk.events, "heat_lost", "cleared")
    assert over.time - mended <= 3600


@pytest.mark.parametrize("room", [True, False])
def test_lost_heat_is_not_over_because_a_lid_was_opened_and_closed(room: bool) -> None:
    """Somebody looks in: the air falls to the room's, and comes back from what the floor has kept. No heater did that."""
    desk = _known(room=room)
    others = ROOM if room else ()
    t = _relaxes(desk, 160, 30.4, lambda m: 22.0, room=room, tau=120)
    assert _of(desk.events, "heat_lost")
    vapour = vapour_hpa(t, 65.0)

    def air(minute: int) -> float:
        floor = 22 + (t - 22) * math.exp(-minute / 120)
        return floor - (floor - 22.5) * (1 - math.exp(-min(minute, 12) / 3)) * math.exp(-max(0, minute - 12) / 5)

    def humidity(minute: int) -> float:
        open_share = (1 - math.exp(-min(minute, 12) / 4)) * math.exp(-max(0, minute - 12) / 100)
        return humidity_at(vapour + (vapour_hpa(22.0, 45.0) - vapour) * open_share, air(minute))

    desk.hold(180, t=air, h=humidity, others=others)
    assert not _of(desk.events, "heat_lost", "cleared")


def test_lost_heat_is_over_when_it_stays_warm_while_the_room_cools() -> None:
    """Mended when a hot day had warmed it nearly to the usual: nothing shows that until the evening, and then it is over."""
    desk = _known(room=True)
    t = _relaxes(desk, 10 * 60, 30.4, lambda m: 22.0, room=True)
    t = _relaxes(desk, 5 * 60, t, lambda m: 22 + 7 * m / 300, room=True)
    assert not _of(desk.events, "heat_lost", "cleared")
    for minute in range(12 * 60):
        desk.hold(1, t=_cycle(minute), others=[("air", 29 - 7 * min(1.0, minute / 360), 45.0)])
    assert len(_of(desk.events, "heat_lost", "cleared")) == 1


@pytest.mark.parametrize("room", [True, False])
@pytest.mark.parametrize("lower_c", [1.0, 2.0, 3.0])
def test_a_thermostat_set_lower_and_not_written_down_is_told_once_at_most(lower_c: float, room: bool) -> None:
    """It comes on again by itself each time: what is told early is not told and over with each of its cycles."""
    desk = _known(room=room)
    desk.hold(2 * DAY, t=lambda m: max(_cycle(m) - lower_c, 22 + 8.4 * math.exp(-m / 60)), others=ROOM if room else ())
    assert len(_of(desk.events, "heat_lost")) <= 1


@pytest.mark.parametrize("room", [True, False])
def test_lost_heat_that_came_back_within_minutes_is_over_at_the_usual(room: bool) -> None:
    """A dimmer's tub fell by little more than a degree before its plug was in again: it never warms by two, and is over all the same."""
    desk = Desk(rack(room=room))
    others = ROOM if room else ()
    desk.hold(2 * DAY, t=29.5, others=others)
    fell = 0
    while not _of(desk.events, "heat_lost") and fell < 120:
        desk.hold(1, t=22 + 7.5 * math.exp(-fell / 60), others=others)
        fell += 1
    assert _of(desk.events, "heat_lost")
    desk.hold(90, t=lambda m: min(29.5, 22 + 7.5 * math.exp(-fell / 60) + 0.08 * m), others=others)
    assert len(_of(desk.events, "heat_lost", "cleared")) == 1


def _six(desk: Desk, minutes: int, of: Callable[[int, int], float]) -> None:
    """Let six enclosures read what a function of tub and minute says."""
    for minute in range(minutes):
        desk.hold(1, t=of(1, minute), others=[(f"p{i}", of(i, minute), 65.0) for i in range(2, 7)])


def test_a_hot_day_without_a_room_probe_is_no_stuck_heater() -> None:
    """A room warms its six tubs by ten degrees in seven hours, with a snake at each probe on the way: nothing is said of heaters."""
    desk = Desk(rack([f"B{i}" for i in range(1, 7)]))

    def tub(number: int, minute: int) -> float:
        snake = 0.5 * (1 - math.exp(-max(0, minute - 180 - 25 * number) / 12))
        return 27.5 + 0.1 * number - 5 * math.cos(math.pi * min(1.0, minute / 420)) + 5 + snake

    _six(desk, 2 * DAY, lambda i, _: 27.5 + 0.1 * i)
    _six(desk, 420, tub)
    assert not _of(desk.events, "heat_stuck_on")


def test_a_thermostat_that_sticks_for_a_whole_rack_is_told_without_a_room_probe() -> None:
    """One controller often drives many mats: that all of them climb is no proof that it is the room."""
    desk = Desk(rack([f"B{i}" for i in range(1, 7)]))
    _six(desk, 2 * DAY, lambda i, m: _cycle(m + 7 * i))
    _six(desk, 90, lambda i, m: 42 + (29.5 - 42) * math.exp(-m / (50 + 10 * i)))
    assert {e.enclosure for e in _of(desk.events, "heat_stuck_on")} == {f"B{i}" for i in range(1, 7)}


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
    begun = {i: _cycle(2 * DAY + (7 * i if i > 1 else 0)) for i in range(1, 7)}

    def falls(i: int, minute: int) -> float:
        return 22.2 + (begun[i] - 22.2) * math.exp(-minute / (35 + 10 * i))

    for minute in range(5 * 60):
        desk.hold(1, t=falls(1, minute), others=tubs(lambda i: falls(i, minute), minute))  # noqa: B023
    lost = _of(desk.events, "heat_lost")
    assert {e.enclosure for e in lost} == set(names)
    assert len({e.detail.get("common") for e in lost}) == 1
    assert all("together" in e.cause for e in lost)
    assert sum(e.time == lost[0].time for e in lost) >= 3


def test_a_drop_of_water_on_the_probe_is_no_lost_heat() -> None:
    """Misted: 100 % at once, and the film cools the probe by three degrees for half an hour, as a wet bulb: nothing of the heat."""
    desk = _known(room=True)
    desk.hold(30, t=lambda m: _cycle(m) - 3.4 * (1 - math.exp(-(m + 1) / 5)), h=100.0, others=ROOM)
    desk.hold(
        60, t=lambda m: _cycle(m + 30) - 3.4 * math.exp(-m / 15), h=lambda m: 65 + 30 * math.exp(-m / 20), others=ROOM
    )
    assert _of(desk.events, "heat_lost") == []


def test_rain_in_a_vivarium_is_no_lost_heat() -> None:
    """Sprayed, written down or not: what evaporates cools the air by degrees within minutes, and the heater makes up for it."""
    desk = _known(room=True)
    for _ in range(2):
        desk.hold(25, t=lambda m: _cycle(m + 10) - 2.5 * (1 - math.exp(-m - 1)), h=88.0, others=ROOM)
        desk.hold(DAY - 25, t=lambda m: _cycle(m + 35) - 2.5 * math.exp(-m / 40), others=ROOM)
    assert _of(desk.events, "heat_lost") == []


def test_lost_heat_in_a_box_that_was_all_but_saturated_is_told() -> None:
    """At 93 % its air creeps to 100 % as it cools: that is no film, and the heat is gone."""
    desk = Desk(rack(room=True, limits=BUILT_IN["egg_box"].limits))
    desk.hold(2 * DAY + 10, t=_cycle, h=93.0, others=ROOM)
    desk.hold(3 * 60, t=lambda m: 22.2 + 7.3 * math.exp(-m / 90), h=lambda m: min(100.0, 93.0 + m / 5), others=ROOM)
    assert _of(desk.events, "heat_lost")


def test_a_room_that_turns_cold_is_no_power_cut_for_the_tubs_that_follow_it() -> None:
    """One of four tubs loses its heat while the room falls by three degrees an hour; the others cool far less than their room: their heat is on."""
    desk = Desk(rack([f"B{i}" for i in range(1, 5)], room=True))
    for minute in range(2 * DAY):
        desk.hold(1, t=_cycle(minute), others=[*ROOM, *((f"p{i}", 28.5, 65.0) for i in range(2, 5))])
    unheated_c = _cycle(2 * DAY)
    for minute in range(4 * 60):
        room_c, sags = 22 - 4 * minute / 60, 28.5 - 1.2 * minute / 60
        unheated_c += (room_c - unheated_c) / 45
        desk.hold(1, t=unheated_c, others=[("air", room_c, 45.0), *((f"p{i}", sags, 65.0) for i in range(2, 5))])
    assert {e.enclosure for e in _of(desk.events, "heat_lost")} == {"B1"}


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
