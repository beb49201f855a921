"""A correction begins or changes: the judge sees the air it is about, not a jump."""

from __future__ import annotations

from dataclasses import replace
from math import sin

import pytest
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.judge.judge_desk import START, Desk, rack

from dewkeeper.judge import Judge
from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Calibration, Reading
from dewkeeper_config.door import checked
from dewkeeper_config.models import Limits

HOURS = 12
ROOM = (22.0, 45.0)
LIMITS = checked(Limits, {"humidity_target": {"low": 50, "high": 80}, "humidity_tolerable": {"low": 45, "high": 88}})
"""So wide that no wrong reading is told before it is corrected: what is compared is what comes after."""


def _night(
    calibration: Calibration, at_minute: int, after: list[tuple[float, float]], *, probe: str = "p1"
) -> tuple[Desk, Desk]:
    """Let the same air be read by a probe corrected from `at_minute` on, and by one that was right from the beginning.

    The wrong one's readings are such that the correction makes them right. after: (°C, %RH) of B1, an hour each.
    """
    wrong, right = (Desk(rack(("B1", "B2"), LIMITS, room=True)) for _ in range(2))
    known = Calibrations()
    for minute in range(at_minute + 60 * len(after)):
        at = START + 60 * (minute + 1)
        if minute == at_minute:
            made = replace(calibration, time=at)
            known.add(made)
            wrong.feed(made)
        t, h = (29.0, 65.0) if minute < at_minute else after[(minute - at_minute) // 60]
        swing = sin(minute / 4)
        for name, air_t, air_h in (
            ("air", *ROOM),
            ("p1", t + 0.4 * swing, h - swing),
            ("p2", 29.5 - 0.3 * swing, 66.0 + swing),
        ):
            reading = Reading(at, name, air_t + minute % 7 / 50, air_h + minute % 5 / 20)
            right.feed(reading)
            wrong.feed(reading if name != probe or known.at(name, at) is not None else _as_read(reading, calibration))
    return wrong, right


def _as_read(reading: Reading, calibration: Calibration) -> Reading:
    assert reading.temperature_c is not None
    assert reading.humidity_percent is not None
    return replace(
        reading,
        temperature_c=reading.temperature_c - calibration.temperature_offset_c,
        humidity_percent=(reading.humidity_percent - calibration.humidity_offset_percent) / calibration.humidity_gain,
    )


def _told(desk: Desk) -> list[tuple[object, ...]]:
    return [(e.time, e.kind, e.band, e.event, e.enclosure, e.probe) for e in desk.events if e.event != "annotated"]


@pytest.mark.parametrize(
    "calibration",
    [
        Calibration(0, "p1", 0.0, 12.0), Calibration(0, "p1", 0.0, -12.0), Calibration(0, "p1", 2.5, 0.0),
        Calibration(0, "p1", -2.5, 6.0, 1.1), Calibration(0, "air", 2.0, -10.0),
    ],
)  # fmt: skip
def test_a_correction_is_no_jump_no_opening_and_no_swap(calibration: Calibration) -> None:
    """The largest corrections, of a tub's probe or the room's: nothing is told, and every reading counts."""
    wrong, right = _night(calibration, HOURS * 60, [(29.0, 65.0)] * 9, probe=calibration.probe)
    assert _told(wrong) == _told(right) == []
    assert {q.flag for q in wrong.quality if q.time > START + 60} == {1}


@settings(max_examples=amount(6, 200), phases=(Phase.explicit, Phase.generate))
@example(0.0, 8.0, 1.0, [(29.0, 92.0)] * 5)
@example(0.0, -8.0, 1.0, [(29.0, 42.0)] * 5)
@example(-1.0, 0.0, 1.0, [(29.0, 42.0), (29.0, 65.0), (29.0, 65.0), (29.0, 65.0)])
@given(
    st.floats(-1.5, 1.5), st.floats(-8, 8), st.floats(0.95, 1.05),
    st.lists(st.sampled_from([(29.0, 65.0), (29.0, 42.0), (36.5, 55.0), (22.4, 46.0), (29.0, 92.0)]), min_size=4, max_size=8),
)  # fmt: skip
def test_what_follows_is_told_as_by_a_probe_that_was_always_right(
    warmer: float, offset: float, gain: float, after: list[tuple[float, float]]
) -> None:
    """Dryness, damp, heat, an opening and a fall into the room's air, whatever was corrected before: same times, same kinds."""
    wrong, right = _night(Calibration(0, "p1", warmer, offset, gain), HOURS * 60, after)
    assert _told(wrong) == _told(right)


def test_one_that_another_replaced_already_changes_nothing_now() -> None:
    """A calibration dated before the one in force is logged and leaves the readings of now as they are."""
    desk = Desk(rack())
    desk.hold(60)
    desk.feed(Calibration(desk.now, "p1", 0.0, 5.0))
    desk.hold(60, h=65.0)
    (event,) = desk.feed(Calibration(desk.now - 3500 - 3600, "p1", 0.0, -9.0, note="salt check", who="Ina"))
    assert (event.event, event.enclosure, event.who, event.why) == ("annotated", "B1", "Ina", "salt check")
    desk.hold(180, h=65.0)
    assert desk.told() == []
    assert {q.flag for q in desk.quality[1:]} == {1}


def test_what_changed_is_logged_old_and_new() -> None:
    """The log says who, why, and from what to what; a check that found the probe right says so."""
    desk = Desk(rack())
    desk.hold(5)
    first = desk.feed(Calibration(desk.now, "p1", 0.25, 1.5, 1.02, who="Ina", note="salts"))
    again = desk.feed(Calibration(desk.now, "p1", 0.25, 1.5, 1.02))
    assert dict(first[0].detail) == {
        "p1 humidity": "+0.0 %RH -> x 1.020 +1.5 %RH",
        "p1 temperature": "+0.00 -> +0.25 °C",
    }
    assert dict(again[0].detail) == {"p1 checked": "its correction stays"}


def test_it_outlives_a_dump() -> None:
    """A judge loaded from its dump knows what is in force: the same calibration again moves nothing."""
    desk = Desk(rack())
    desk.hold(90, h=62.0)
    made = Calibration(desk.now, "p1", 0.0, 10.0)
    desk.feed(made)
    desk.judge = Judge.load(desk.judge.dump())
    desk.feed(made)
    desk.hold(90, h=72.0)
    assert {q.flag for q in desk.quality[1:]} == {1}


def test_it_is_known_of_a_probe_that_was_away_from_the_configuration() -> None:
    """A probe taken out and put back, or moved, is corrected as before: the next calibration moves it by the difference only."""
    desk = Desk(rack(("B1", "B2")))
    desk.hold(30, h=62.0)
    desk.feed(Calibration(desk.now + 1, "p1", 0.0, 10.0))
    alone, both = rack(("B2",)), rack(("B1", "B2"))
    desk.feed(replace(alone, time=desk.now + 2), replace(both, time=desk.now + 3))
    desk.hold(30, h=72.0)
    desk.feed(Calibration(desk.now + 1, "p1", 0.0, 9.0))
    assert abs(desk.judge._state.probes["p1"].air.h - 71.0) < 0.5


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(-5, 5)), max_size=8), st.integers(-1, 6))
def test_the_newest_of_the_latest_start_holds(made: list[tuple[int, int]], at: int) -> None:
    """Of all that began by then, the latest start; of one start, what was added last."""
    known = Calibrations(Calibration(start, "p", 0.0, float(offset)) for start, offset in made)
    begun = [(start, order, offset) for order, (start, offset) in enumerate(made) if start <= at]
    found = known.at("p", at)
    assert (None if found is None else found.humidity_offset_percent) == (max(begun)[2] if begun else None)
