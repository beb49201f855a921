"""Readings that may not be this enclosure's: another sensor at the position, damage next door, a probe given up."""

from __future__ import annotations

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge import Judge
from dewkeeper.judge.types import Command, Event, Reading


@pytest.fixture
def pair() -> Desk:
    """Two enclosures, B1 with p1 and B2 with p2, read for an hour and a half."""
    desk = Desk(rack(("B1", "B2")))
    _minutes(desk, 90)
    return desk


def _minutes(
    desk: Desk, minutes: int, t: float = 29.0, h: float = 65.0, notes: tuple[str, ...] = (), probe: str = "p1"
) -> list[Event]:
    """Let both probes read, one of them these values with these notes."""
    new: list[Event] = []
    for _ in range(minutes):
        desk.now += 60
        for name in ("p1", "p2"):
            mine = name == probe
            found = desk.reading(name, t if mine else 29.0, h if mine else 65.0, 0.05)
            marked = Reading(found.time, name, found.temperature_c, found.humidity_percent, notes=notes if mine else ())
            new += desk.feed(marked)
    return new


def _flags(desk: Desk, probe: str, last: int) -> list[tuple[int, tuple[str, ...]]]:
    return [(q.flag, q.tests) for q in desk.quality if q.probe == probe][-last:]


def test_another_sensor_is_told_at_once_and_its_humidity_counts_for_nothing(pair: Desk) -> None:
    """`swapped` comes with the first such reading, names the other place; hours of 40 % are never `dry`, the tub is unwatched."""
    events = _minutes(pair, 1, h=40.0, notes=("other_sensor:p2",))
    assert [(e.kind, e.event, e.probe) for e in events] == [("swapped", "raised", "p1")]
    assert "p2" in events[0].cause
    assert "probes replace p1" in events[0].response
    assert _minutes(pair, 6 * 60, h=40.0, notes=("other_sensor:p2",)) == []
    assert set(_flags(pair, "p1", 361)) == {(3, ("swapped",))}
    assert pair.judge.unwatched()["B1"][0] == "swapped"
    assert _flags(pair, "p2", 1) == [(1, ())]


def test_it_is_over_with_the_first_reading_of_the_right_sensor(pair: Desk) -> None:
    """Put back or accepted, the alarm clears with the next reading, which counts; after a day nothing is remembered."""
    _minutes(pair, 600, h=70.0, notes=("other_sensor",))
    events = _minutes(pair, 1)
    assert [(e.kind, e.event) for e in events] == [("swapped", "cleared")]
    assert _flags(pair, "p1", 1) == [(2, ())]
    assert _minutes(pair, 26 * 60) == []


def test_failed_polls_do_not_end_it(pair: Desk) -> None:
    """A poll without values says nothing about the sensor: the fault stands."""
    _minutes(pair, 5, notes=("other_sensor",))
    pair.hold(4, None, None)
    assert pair.told("swapped") == [("swapped", "raised", None)]


def test_heat_read_by_another_sensor_is_told_with_where_to_look(pair: Desk) -> None:
    """It is some enclosure's: `hot` comes within two readings and says to look into the other enclosure too."""
    _minutes(pair, 10, notes=("other_sensor:p2",))
    events = _minutes(pair, 2, t=36.5, notes=("other_sensor:p2",))
    (hot,) = [e for e in events if e.kind == "hot"]
    assert hot.event == "raised"
    assert "look into B2 too" in hot.response


def test_a_swap_survives_a_restart_and_is_told_once(pair: Desk) -> None:
    """A judge loaded in the middle goes on with the same alarm."""
    _minutes(pair, 5, notes=("other_sensor:p2",))
    pair.judge = Judge.load(pair.judge.dump())
    _minutes(pair, 30, notes=("other_sensor:p2",))
    _minutes(pair, 1)
    assert pair.told("swapped") == [("swapped", "raised", None), ("swapped", "cleared", None)]
    assert len({e.alarm for e in pair.events if e.kind == "swapped"}) == 1


def test_next_to_damage_a_lone_value_is_suspect(pair: Desk) -> None:
    """In a CRC burst a value that agrees with no neighbour is suspect and moves nothing; steady ones count."""
    _minutes(pair, 5, notes=("crc_burst",))
    assert set(_flags(pair, "p1", 5)) == {(1, ())}
    assert _minutes(pair, 1, t=33.5, h=79.0, notes=("crc_burst",)) == []
    assert _flags(pair, "p1", 1) == [(3, ("crc_burst",))]
    _minutes(pair, 1, notes=("crc_burst",))
    assert _flags(pair, "p1", 1) == [(1, ())]


def test_without_damage_the_same_value_counts(pair: Desk) -> None:
    """The value that is suspect in a burst is an ordinary one on a clean bus."""
    _minutes(pair, 1, t=33.5, h=79.0)
    assert _flags(pair, "p1", 1) == [(1, ())]


def test_after_a_gap_in_a_burst_the_first_value_waits_for_a_second(pair: Desk) -> None:
    """With nothing to compare with, a reading in a burst waits; two that agree count."""
    pair.hold(8, None, None)
    _minutes(pair, 1, notes=("crc_burst",))
    assert _flags(pair, "p1", 1) == [(3, ("crc_burst",))]
    _minutes(pair, 1, notes=("crc_burst",))
    assert _flags(pair, "p1", 1) == [(1, ())]


def test_heat_in_a_burst_is_told(pair: Desk) -> None:
    """Heat is not argued away: two hot readings within 3 °C of each other raise `hot` in the middle of a burst."""
    events = _minutes(pair, 1, t=40.0, notes=("crc_burst",))
    events += _minutes(pair, 2, t=42.5, notes=("crc_burst",))
    assert "hot" in {e.kind for e in events if e.event == "raised"}


def test_a_retired_probe_is_neither_believed_nor_missed(pair: Desk) -> None:
    """After `retire` its readings fail, its alarms are over, silence raises nothing, and its enclosure is unwatched."""
    _minutes(pair, 120, h=40.0)
    assert ("dry", "raised", "tolerable") in pair.told("dry")
    events = pair.feed(Command("c1", pair.now, "retire", "Ina", "cable broken", probe="p1"))
    assert ("dry", "cleared") in [(e.kind, e.event) for e in events]
    assert _minutes(pair, 120, t=45.0, h=20.0) == []
    assert set(_flags(pair, "p1", 120)) == {(4, ("retired",))}
    for _ in range(60):
        pair.now += 60
        assert pair.feed(pair.reading("p2", 29.0, 65.0, 0.05)) == []
    assert pair.judge.unwatched()["B1"][0] == "probe retired"


def test_an_accepted_sensor_ends_the_retirement(pair: Desk) -> None:
    """`accept` puts a retired probe back to work; both are in the log with who and why."""
    pair.feed(Command("c1", pair.now, "retire", "Ina", "cable broken", probe="p1"))
    _minutes(pair, 30)
    pair.feed(Command("c2", pair.now, "accept", "Ina", "new cable", probe="p1"))
    _minutes(pair, 5)
    assert _flags(pair, "p1", 4) == [(1, ())] * 4
    assert "B1" not in pair.judge.unwatched()
    logged = [(e.who, e.why) for e in pair.events if e.kind == "system" and e.event == "annotated"]
    assert logged == [("Ina", "cable broken"), ("Ina", "new cable")]
