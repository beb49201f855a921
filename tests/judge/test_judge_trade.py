"""What the trade knows of ball pythons. Common practice, no source: these are habits of good keepers, not findings."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import KINDS
from dewkeeper_config.profiles import BUILT_IN

HOUR, DAY = 3600, 86400


def _raised(desk: Desk) -> list[tuple[str, str | None, str]]:
    return [(e.kind, e.band, e.priority) for e in desk.events if e.event in ("raised", "escalated")]


def test_a_tub_held_at_65_percent_is_never_told_of() -> None:
    """A month at 65 % with a thermostat's swing, misted every other day: not a word. Common practice, no source."""
    desk = Desk(rack())
    for day in range(30):
        if day % 2:
            desk.feed(JournalEntry(f"m{day}", desk.now, "B1", "misted"))
            desk.hold(
                150,
                t=lambda m: 29 + 0.5 * math.sin(m / 4),
                h=lambda m: 65 + 24 * math.exp(-m / 50) - 1.2 * math.sin(m / 4),
            )
            desk.hold(1290, t=lambda m: 29 + 0.5 * math.sin(m / 4), h=lambda m: 65 - 1.2 * math.sin(m / 4))
        else:
            desk.hold(1440, t=lambda m: 29 + 0.5 * math.sin(m / 4), h=lambda m: 65 - 1.2 * math.sin(m / 4))
    assert desk.events == []


@pytest.mark.parametrize("h", [56.0, 59.0])
def test_55_to_60_percent_is_a_matter_for_the_day(h: float) -> None:
    """Between 55 and 60 %: one low alarm with days to respond, and it wakes nobody. Common practice, no source."""
    desk = Desk(rack())
    desk.hold(2 * 1440, h=h)
    assert _raised(desk) == [("dry", "target", "low")]
    assert desk.events[0].within_seconds >= DAY


def test_below_55_percent_is_a_matter_for_the_evening() -> None:
    """Below 55 %: medium, within half a day, still not urgent. Common practice, no source."""
    desk = Desk(rack())
    desk.hold(300, h=52.0)
    assert _raised(desk) == [("dry", "tolerable", "medium")]
    assert desk.events[0].within_seconds <= 12 * HOUR
    assert KINDS["dry"].priority_for("tolerable") != "urgent"


def test_above_70_percent_after_misting_is_nothing_when_gone_in_two_hours() -> None:
    """A rise to 90 % that falls below 70 % within two hours, noted or not, says nothing. Common practice, no source."""
    for noted in (True, False):
        desk = Desk(rack())
        desk.hold(8 * 60)
        if noted:
            desk.feed(JournalEntry("m", desk.now, "B1", "misted"))
        desk.hold(10 * 60, h=lambda m: 65 + 25 * math.exp(-m / 70))
        assert desk.events == []


_BY_MINUTE: Mapping[str, Callable[[int], float]] = {
    "misted": lambda m: 88.0,
    "unwritten": lambda m: 82.0 + 12 * math.exp(-m / 60),
    "covered": lambda m: 88.0,
    "creeping": lambda m: min(88.0, 65 + m / 5),
}


@pytest.mark.parametrize(
    ("how", "said"), [("misted", True), ("unwritten", True), ("covered", False), ("creeping", False)]
)
def test_what_is_damp_since_a_misting_says_so_and_a_blocked_vent_does_not(how: str, said: bool) -> None:
    """Damp since a misting, written down or seen to dry off: told with that; what rose as fast and stays, or crept up, is not."""
    desk = Desk(rack())
    desk.hold(8 * 60)
    if how == "misted":
        desk.feed(JournalEntry("m", desk.now, "B1", "misted"))
    desk.hold(6 * 60, h=_BY_MINUTE[how])
    assert _raised(desk) == [("damp", "tolerable", "medium")]
    assert bool(desk.events[0].detail.get("misted")) is said


def test_above_70_percent_for_days_is_something() -> None:
    """76 % held for two days is told, low, after a day. Common practice, no source."""
    desk = Desk(rack())
    desk.hold(2 * 1440, h=76.0)
    assert _raised(desk) == [("damp", "target", "low")]
    assert desk.events[0].time - desk.events[0].since == pytest.approx(DAY, abs=120)


@pytest.mark.parametrize(("h", "kind"), [(49.0, "dry"), (81.5, "damp")])
def test_wild_extremes_are_outside_what_captivity_should_offer(h: float, kind: str) -> None:
    """Below 50 % and above 80 %, lived with in the wild, are beyond tolerable in a tub. Common practice, no source."""
    desk = Desk(rack())
    desk.hold(5 * 60, h=h)
    assert _raised(desk) == [(kind, "tolerable", "medium")]


def test_no_built_in_stage_calls_the_wild_extremes_fine() -> None:
    """Every profile for a living animal keeps its target between 50 and 80 %; eggs are another matter. Common practice, no source."""
    for name, profile in BUILT_IN.items():
        if name != "egg_box":
            assert profile.limits.humidity_target.low >= 50, name
            assert profile.limits.humidity_target.high <= 80, name
