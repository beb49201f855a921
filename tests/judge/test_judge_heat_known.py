"""What is known of an enclosure's heat makes the judge surer sooner: heaters that stick or stop, and a room that warms."""

from __future__ import annotations

import math

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper.judge.types import Event, Fact, Learned, Quantity

DAY = 24 * 60
ROOM = [("air", 22.0, 45.0)]


def _of(events: list[Event], kind: str, event: str = "raised") -> list[Event]:
    return [e for e in events if e.kind == kind and e.event == event]


def _cycle(minute: int) -> float:
    """A thermostat's temperature, 28.6 to 30.4 °C every 40 minutes."""
    return 29.5 + 0.9 * math.sin(2 * math.pi * minute / 40)


def _teach(desk: Desk, quantity: Quantity, value: float, enclosure: str = "B1") -> None:
    fact = Fact(quantity, value, value, value, days=7, until=desk.now + 20 * 86400)
    desk.feed(Learned(desk.now, enclosure, (fact,)))


def _stops(*, known: bool) -> tuple[float, float]:
    """Return after how many minutes a heater that stopped was told, and when the tub fell below what it tolerates."""
    desk = Desk(rack(room=True))
    desk.hold(2 * DAY + 10, t=_cycle, others=ROOM)
    if known:
        _teach(desk, "heat_period_minutes", 40.0)
    began = desk.now
    events = desk.hold(300, t=lambda m: 22 + 8.4 * math.exp(-m / 150), others=ROOM)
    told = (_of(events, "heat_lost")[0].time - began) / 60
    return told, 150 * math.log(8.4 / 2)


def test_a_thermostat_that_does_not_come_on_is_told_a_cycle_later() -> None:
    """Known to come on every 40 min: told once it is colder than ever and fell through a whole cycle, well before 24 °C; sooner than unknown."""
    known, cold = _stops(known=True)
    unknown, _ = _stops(known=False)
    assert known <= 55
    assert known < unknown - 20 < cold


def test_a_light_tub_whose_heater_stops_is_told_before_it_is_too_cold() -> None:
    """It falls to 24 °C within half an hour: there is no half an hour to wait."""
    desk = Desk(rack(room=True))
    desk.hold(2 * DAY + 10, t=_cycle, others=ROOM)
    began = desk.now

    def falls(minute: int) -> float:
        return 20 + 10.4 * math.exp(-minute / 30)

    events = desk.hold(60, t=falls, h=lambda m: humidity_at(vapour_hpa(30.4, 65.0), falls(m)), others=ROOM)
    assert (_of(events, "heat_lost")[0].time - began) / 60 <= 30 * math.log(10.4 / 4)


def test_heat_that_is_dangerous_within_half_an_hour_is_told_at_the_first_look() -> None:
    """From 30.4 to 38 °C in 25 minutes: told ten minutes before, though nothing was learned of it."""
    desk = Desk(rack(room=True))
    desk.hold(2 * DAY + 10, t=_cycle, others=ROOM)
    began = desk.now
    events = desk.hold(40, t=lambda m: 30.4 + 7.6 * m / 25, others=ROOM)
    assert (_of(events, "heat_stuck_on")[0].time - began) / 60 <= 15


def _warms(desk: Desk, by_c: float, tubs: dict[str, float], follows: dict[str, float]) -> None:
    """Let a day and most of another pass, the second warmer than the first: the room between 21 and 27 °C, and by so much more; tubs at 24 °C of room."""
    for minute in range(DAY + 18 * 60):
        wave = math.sin(2 * math.pi * (minute % DAY - 540) / DAY)
        room = 24.0 + 3.0 * wave + (by_c * min(1.0, (minute - DAY) / 240) if minute >= DAY else 0.0)
        desk.now += 60
        desk.feed(desk.reading("air", room, 45.0, 0.03))
        for probe, at_24 in tubs.items():
            celsius = max(room, at_24 + follows[probe] * (room - 24.0))
            desk.feed(desk.reading(probe, celsius, 62.0, 0.03))


def test_a_heat_wave_is_told_hours_before_the_enclosure_that_follows_its_room_is_too_hot() -> None:
    """One message of the room, two hours and more before the first tub is too hot; it names the tub, and is over when that is told by its name."""
    desk = Desk(rack(("B1", "B2"), room=True))
    _teach(desk, "room_warmth_share", 0.95)
    _teach(desk, "room_warmth_share", 0.05, "B2")
    _warms(desk, 4.0, {"p1": 29.0, "p2": 29.5}, {"p1": 1.0, "p2": 0.0})
    soon, hot = _of(desk.events, "room_heat_soon"), _of(desk.events, "hot")
    assert len(soon) == 1
    assert soon[0].enclosure is None
    assert (soon[0].detail["room"], soon[0].detail["enclosure"]) == ("room", "B1")
    assert hot[0].time - soon[0].time >= 2 * 3600
    assert [e.enclosure for e in hot] == ["B1"]
    assert _of(desk.events, "room_heat_soon", "cleared")[0].time - hot[0].time <= 600


@pytest.mark.parametrize(("by_c", "share"), [(0.0, 0.95), (4.0, 0.05), (4.0, None)])
def test_a_usual_day_and_a_tub_that_holds_its_warmth_are_no_heat_wave(by_c: float, share: float | None) -> None:
    """The same day again; or four degrees more where a thermostat holds the tub, or where it is not known what does: nothing."""
    desk = Desk(rack(room=True))
    if share is not None:
        _teach(desk, "room_warmth_share", share)
    _warms(desk, by_c, {"p1": 29.0}, {"p1": 1.0 if share == 0.95 else 0.0})
    assert not _of(desk.events, "room_heat_soon")


def test_a_room_that_will_be_hotter_than_any_enclosure_may_be_needs_nothing_learned() -> None:
    """No tub stays colder than its room: on the way to 35 °C the room is told in time by itself."""
    desk = Desk(rack(room=True))
    _warms(desk, 8.5, {"p1": 29.0}, {"p1": 0.0})
    soon = _of(desk.events, "room_heat_soon")
    assert soon
    assert _of(desk.events, "hot")[0].time - soon[0].time >= 2 * 3600


def test_a_room_whose_heating_came_back_does_not_warm_on_for_that() -> None:
    """Two days at 8 °C, then within six hours back to 23 °C and the usual days from there: no warning of heat."""
    desk = Desk(rack(room=True))
    for minute in range(4 * DAY):
        wave = math.sin(2 * math.pi * (minute % DAY - 540) / DAY)
        room = 23.0 + wave - 15.0 * min(1.0, max(0.0, (2 * DAY + 360 - minute) / 360))
        desk.now += 60
        desk.feed(desk.reading("air", room, 45.0, 0.03), desk.reading("p1", max(24.5, room + 4.0), 62.0, 0.03))
    assert not _of(desk.events, "room_heat_soon")
