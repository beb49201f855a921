"""What the room does to all, and what will be too dry within hours."""

from __future__ import annotations

import math

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Command, JournalEntry


def _told(desk: Desk, kind: str) -> list[str]:
    return [e.event for e in desk.events if e.kind == kind and e.event in ("raised", "cleared")]


def test_a_hot_room_is_one_alarm_of_the_room() -> None:
    """Two degrees under what an enclosure tolerates, for half an hour: `room_heat`, named for the room, until it cools."""
    desk = Desk(rack(("B1", "B2", "B3"), room=True))
    others = [("p2", 32.5, 60.0), ("p3", 32.5, 60.0)]
    desk.hold(120, t=30, others=[*others, ("air", 27.0, 50.0)])
    desk.hold(60, t=33, others=[*others, ("air", 32.6, 45.0)])
    assert _told(desk, "room_heat") == ["raised"]
    assert next(e for e in desk.events if e.kind == "room_heat").enclosure is None
    desk.hold(90, t=32, others=[*others, ("air", 29.0, 50.0)])
    assert _told(desk, "room_heat") == ["raised", "cleared"]


@pytest.mark.parametrize(("t", "h"), [(16.5, 55.0), (21.5, 20.0)])
def test_a_cold_or_frost_dry_room_is_told_once(t: float, h: float) -> None:
    """16.5 °C, or the 20 %RH that a hard frost makes of warmed air, for hours: one `room_frost`, low, with its cause, its step and what waits."""
    desk = Desk(rack(room=True))
    desk.hold(60, others=[("air", 22.0, 45.0)])
    desk.hold(6 * 60, others=[("air", t, h)])
    assert _told(desk, "room_frost") == ["raised"]
    told = next(e for e in desk.events if e.kind == "room_frost")
    assert told.priority == "low"
    said = (told.cause, told.response.partition(";")[0].partition(",")[0], told.consequence)
    if t < 18:
        assert said == ("the room is cold", "warm the room", "every enclosure in it cools")
    else:
        assert said == ("the room's air is frost-dry", "moisten the room", "every enclosure in it dries")


def test_an_ordinary_room_is_never_told_of() -> None:
    """Three days between 19 and 26 °C and 35 and 60 %RH are nothing."""
    desk = Desk(rack(room=True))
    for minute in range(3 * 1440):
        wave = math.sin(2 * math.pi * minute / 1440)
        desk.now += 60
        desk.feed(
            desk.reading("air", 22.5 + 3.5 * wave, 47.5 - 12.5 * wave, 0.03), desk.reading("p1", 29.0, 65.0, 0.03)
        )
    assert desk.events == []


def test_steady_drying_is_foreseen_hours_before() -> None:
    """Two points an hour for three hours, below anything of the last day: `dry_soon` hours before `dry`, and it ends with it."""
    desk = Desk(rack())
    desk.hold(16 * 60, h=67.0)
    desk.hold(9 * 60, h=lambda m: 67 - m / 30)
    soon = next(e for e in desk.events if e.kind == "dry_soon")
    dry = next(e for e in desk.events if e.kind == "dry" and e.band == "tolerable")
    assert soon.event == "raised"
    assert soon.priority == "low"
    assert float(soon.detail["hours"]) <= 4.0
    assert dry.time - soon.time > 2 * 3600
    assert [a.kind for a in desk.judge.alarms()] == ["dry"], "a forecast that came true needs no look of its own"
    assert _told(desk, "dry_soon") == ["raised", "cleared"]


def test_dry_takes_the_place_of_its_forecast() -> None:
    """When `dry` is raised, at whichever band, `dry_soon` is cleared with it and nothing of it is left or told again."""
    desk = Desk(rack())
    desk.hold(16 * 60, h=67.0)
    desk.hold(6 * 60, h=lambda m: 67 - m / 30)
    assert [a.kind for a in desk.judge.alarms()] == ["dry_soon"]
    desk.hold(6 * 60, h=lambda m: 55 - m / 120)
    told = [(e.kind, e.event, e.band) for e in desk.events if e.event in ("raised", "escalated", "cleared")]
    assert told == [
        ("dry_soon", "raised", None), ("dry", "raised", "target"), ("dry_soon", "cleared", None),
        ("dry", "escalated", "tolerable"),
    ]  # fmt: skip
    raised, cleared = (
        next(e for e in desk.events if (e.kind, e.event) == what)
        for what in (("dry", "raised"), ("dry_soon", "cleared"))
    )
    assert raised.time == cleared.time
    assert [a.kind for a in desk.judge.alarms()] == ["dry"]


def test_nothing_is_foreseen_by_a_retired_probe() -> None:
    """A forecast, like whatever else a probe held, is over when the keeper wants nothing of it believed."""
    desk = Desk(rack())
    desk.hold(16 * 60, h=67.0)
    desk.hold(6 * 60, h=lambda m: 67 - m / 30)
    assert [a.kind for a in desk.judge.alarms()] == ["dry_soon"]
    desk.feed(Command("c", desk.now, "retire", "keeper", probe="p1"))
    assert desk.judge.alarms() == ()
    assert _told(desk, "dry_soon") == ["raised", "cleared"]


def test_a_forecast_that_fails_is_withdrawn() -> None:
    """The bowl is refilled in time: the humidity rises, and `dry_soon` is cleared without a `dry`."""
    desk = Desk(rack())
    desk.hold(16 * 60, h=67.0)
    desk.hold(5 * 60 + 30, h=lambda m: 67 - m / 30)
    assert _told(desk, "dry_soon") == ["raised"]
    desk.hold(3 * 60, h=lambda m: min(66.0, 56 + m / 6))
    assert _told(desk, "dry_soon") == ["raised", "cleared"]
    assert not any(e.kind == "dry" and e.band == "tolerable" for e in desk.events)


def test_what_levels_off_or_comes_every_day_is_not_foreseen() -> None:
    """A decay to 62 %, a misting drying off and a daily swing of eight points raise no `dry_soon`."""
    level = Desk(rack())
    level.hold(16 * 60, h=70.0)
    level.hold(12 * 60, h=lambda m: 62 + 8 * math.exp(-m / 120))
    mist = Desk(rack())
    mist.hold(16 * 60, h=64.0)
    mist.feed(JournalEntry("m", mist.now, "B1", "misted"))
    mist.hold(12 * 60, h=lambda m: 63 + 25 * math.exp(-m / 90))
    daily = Desk(rack())
    daily.hold(3 * 1440, h=lambda m: 64 + 4 * math.sin(2 * math.pi * m / 1440))
    for desk in (level, mist, daily):
        assert _told(desk, "dry_soon") == []


def test_a_tub_that_only_warms_is_not_said_to_be_drying() -> None:
    """Humidity falls because the tub warms and the vapour stays: no moisture is leaving, nothing is foreseen."""
    desk = Desk(rack())
    vapour = 0.66
    desk.hold(16 * 60, t=27.0, h=66.0)
    desk.hold(5 * 60, t=lambda m: 27 + m / 75, h=lambda m: 100 * vapour * math.exp(-0.058 * m / 75))
    assert _told(desk, "dry_soon") == []
