"""A probe that falls silent is told each time, not only the first."""

from __future__ import annotations

from tests.judge.judge_desk import Desk


def test_a_probe_that_falls_silent_again_is_told_again(desk: Desk) -> None:
    """After a first silence is over, a second one is raised within the same time."""
    desk.hold(10)
    for _ in range(3):
        desk.hold(15, None, None)
        desk.hold(30)
    assert [event for kind, event, _ in desk.told("missing")] == ["raised", "cleared"] * 3
