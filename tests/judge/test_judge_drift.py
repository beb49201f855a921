"""`drift`: raised from what was learned of a probe's error alone, and over when that is gone, or the probe is another."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Calibration, Fact, JournalEntry, Learned, room_place

DAY = 86_400


def _learn(desk: Desk, value: float | None, wide: float = 1.0, days: int = 21) -> None:
    fact = Fact("probe_error_percent", why="3 openings")
    if value is not None:
        fact = Fact("probe_error_percent", value, value - wide, value + wide, 9, 60, desk.now + days * DAY)
    desk.feed(Learned(desk.now, "B1", (fact,)))


def _told(desk: Desk) -> list[str]:
    return [e.event for e in desk.events if e.kind == "drift" and e.event in ("raised", "cleared")]


@pytest.mark.parametrize(("value", "wide"), [(3.1, 1.2), (-2.4, 2.0)])
def test_a_probe_known_to_read_wrong_is_told_within_the_hour(value: float, wide: float) -> None:
    """Off by 3 %RH to either side, surely to that side: one `drift`, low, which says by how much and takes nothing away."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, value, wide)
    desk.hold(130)
    told = next(e for e in desk.events if e.kind == "drift")
    assert (told.priority, told.enclosure, told.probe, told.value) == ("low", "B1", "p1", value)
    assert f"about {abs(value):.0f} %RH {'more' if value > 0 else 'less'}" in told.cause
    assert (told.detail["percent_low"], told.detail["openings"]) == (round(value - wide, 1), 9)
    assert not desk.exclusions
    assert all(q.flag <= 2 for q in desk.quality if q.time > told.time)
    assert _told(desk) == ["raised"]


@pytest.mark.parametrize(("value", "wide"), [(1.5, 0.5), (3.0, 3.7), (None, 1.0)])
def test_a_small_a_doubtful_and_an_unknown_error_are_not_told(value: float | None, wide: float) -> None:
    """Below 2 %RH, or not sure nine times in ten, or withheld: nothing."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, value, wide)
    desk.hold(130)
    assert _told(desk) == []


def test_nothing_else_raises_it() -> None:
    """A probe that reads 5 %RH more every day is no `drift` to a judge that was told nothing."""
    desk = Desk(rack())
    desk.hold(2 * 1440, h=lambda m: 58 + m / 288)
    assert _told(desk) == []


def test_it_is_over_by_a_later_fact_and_not_by_none() -> None:
    """Withheld, or too old, it stands on; known to be small again, it is over."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, 3.0, days=1)
    desk.hold(130)
    _learn(desk, None)
    desk.hold(130)
    assert _told(desk) == ["raised"]
    _learn(desk, 0.6)
    desk.hold(130)
    assert _told(desk) == ["raised", "cleared"]


def test_a_correction_ends_it_and_the_fact_from_before_does_not_raise_it_again() -> None:
    """Corrected by the keeper it is over within the hour; the next pass that finds it wrong raises it anew."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, 3.0)
    desk.hold(130)
    desk.feed(Calibration(desk.now, "p1", humidity_offset_percent=-3.0))
    desk.hold(300)
    assert _told(desk) == ["raised", "cleared"]
    _learn(desk, -2.6, days=22)
    desk.hold(130)
    assert _told(desk) == ["raised", "cleared", "raised"]


def test_another_probe_ends_it() -> None:
    """Exchanged by the journal: what was learned was of the other one."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, 3.0)
    desk.hold(130)
    desk.feed(JournalEntry("e1", desk.now, "B1", "probe_replaced"))
    desk.hold(300)
    assert _told(desk) == ["raised", "cleared"]


def test_another_heater_does_not_end_it() -> None:
    """A heater changed says nothing of the probe's error: what was told of it stands."""
    desk = Desk(rack())
    desk.hold(70)
    _learn(desk, 3.0)
    desk.hold(130)
    desk.feed(JournalEntry("e1", desk.now, "B1", "heater_changed"))
    desk.hold(300)
    assert _told(desk) == ["raised"]


def test_only_the_probe_the_fact_is_of_is_blamed() -> None:
    """Of two judged probes in an enclosure what was learned is of the first."""
    settings = rack()
    settings = replace(settings, probes={**settings.probes, "q1": replace(settings.probes["p1"], name="q1")})
    desk = Desk(settings)
    desk.hold(70, others=[("q1", 29.0, 65.0)])
    _learn(desk, 3.0)
    desk.hold(130, others=[("q1", 29.0, 65.0)])
    assert [e.probe for e in desk.events if e.kind == "drift"] == ["p1"]


def test_the_rooms_probe_is_told_by_its_own_name() -> None:
    """What was learned of the room's probe is told of it, and of no enclosure; it is over by a later fact."""
    desk = Desk(rack(room=True))
    air = [("air", 22.0, 45.0)]
    desk.hold(70, others=air)
    for value in (2.9, 0.4):
        fact = Fact("probe_error_percent", value, value - 1, value + 1, 80, 60, desk.now + 21 * DAY)
        desk.feed(Learned(desk.now, room_place("room"), (fact,)))
        desk.hold(130, others=air)
    told = next(e for e in desk.events if e.kind == "drift")
    assert (told.probe, told.enclosure, told.value) == ("air", None, 2.9)
    assert told.consequence == "every enclosure of its room is compared with it"
    assert _told(desk) == ["raised", "cleared"]
