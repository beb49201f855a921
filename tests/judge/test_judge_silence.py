"""A probe that falls silent is told each time, not only the first."""

from __future__ import annotations

from tests.judge.judge_desk import Desk

from dewkeeper.judge.types import Tick


def test_a_probe_that_falls_silent_again_is_told_again(desk: Desk) -> None:
    """After a first silence is over, a second one is raised within the same time."""
    desk.hold(10)
    for _ in range(3):
        desk.hold(15, None, None)
        desk.hold(30)
    assert [event for kind, event, _ in desk.told("missing")] == ["raised", "cleared"] * 3


def test_years_of_silence_are_passed_over_at_once(desk: Desk) -> None:
    """A probe silent for a hundred years (a clock that was wrong), back, and silent again: told both times in ten minutes.

    Gone through check by check, the gap alone would take minutes.
    """
    desk.hold(60)
    desk.now += 100 * 365 * 86400
    desk.hold(30)
    assert desk.told() == [("missing", "raised", None), ("missing", "cleared", None)]
    desk.feed(Tick(desk.now + 600))
    assert desk.told()[-1] == ("missing", "raised", None)
