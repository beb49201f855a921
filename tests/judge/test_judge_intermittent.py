"""A probe whose plug is half out: told once, by its own name, and nothing of it is held back. 30 % of polls: common practice, no source."""

from __future__ import annotations

from tests.judge.judge_desk import Desk

from dewkeeper.judge.checks.intermittent import CHECK
from dewkeeper.judge.contract_suite import check_detector

HOUR = 60
DAY = 24 * HOUR


def _lossy(desk: Desk, minutes: int, share: float, h: float = 65.0) -> None:
    """Let so many of its polls fail at random."""
    desk.hold(minutes, h=lambda _: None if desk.random.random() < share else h)


def test_a_plug_that_is_half_out_for_two_days_is_told_once_and_ends_when_it_is_pressed_in(desk: Desk) -> None:
    """30 % of the polls lost for two days: one low `intermittent`, over within five hours of good readings; the enclosure is watched all the time."""
    desk.hold(60)
    _lossy(desk, 2 * DAY, 0.3)
    assert desk.told() == [("intermittent", "raised", None)]
    assert desk.events[0].priority == "low"
    assert not desk.judge.unwatched()
    desk.hold(5 * HOUR)
    assert desk.told()[1:] == [("intermittent", "cleared", None)]
    check_detector(CHECK, desk.stream, every=400, tells=True)


def test_while_it_comes_and_goes_heat_dryness_and_silence_are_told_as_ever(desk: Desk) -> None:
    """The probe is in no fault: a silence, heat and dryness each come within their time."""
    _lossy(desk, 2 * DAY, 0.3)
    gone = desk.now
    desk.hold(12, h=None)
    assert [e.kind for e in desk.events] == ["intermittent", "missing"]
    assert desk.events[1].time - gone <= 600
    desk.hold(10)
    desk.hold(4, t=36.0)
    assert desk.events[-1].kind == "hot"
    desk.hold(20)
    _lossy(desk, 80, 0.3, h=50.0)
    assert ("dry", "raised", "tolerable") in desk.told()


def test_polls_lost_for_a_day_single_ones_and_what_nobody_polled_are_no_loose_plug(desk: Desk) -> None:
    """35 % lost for a day; then one in twenty for two days; then half an hour of half lost and a file that says nothing for three days, twice: nothing."""
    _lossy(desk, DAY, 0.35)
    _lossy(desk, 2 * DAY, 0.05)
    for _ in range(2):
        _lossy(desk, 30, 0.5)
        desk.now += 3 * 86400
    desk.hold(60)
    assert not desk.told("intermittent")
