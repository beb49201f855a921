"""The life of an alarm: acknowledge, shelve, suppress, out of service, latch, re-alarm, stages, settings."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.lifecycle import TABLE, WITHHELD
from dewkeeper.judge.types import Command, JournalEntry, SystemReport, Tick
from dewkeeper.judge.words import EXCURSIONS, FAULTS, JOURNAL, KINDS
from dewkeeper_config.door import checked
from dewkeeper_config.models import Limits


def _order(desk: Desk, verb: str, *, alarm: str | None = None, minutes: int | None = None, place: str = "B1") -> None:
    until = None if minutes is None else desk.now + 60 * minutes
    desk.feed(
        Command(f"{verb}{desk.now}", desk.now, verb, "marit", "because", alarm=alarm, enclosure=place, until=until)
    )


def _dry(desk: Desk) -> str:
    desk.hold(120, h=50)
    return desk.judge.alarms()[0].alarm


def test_acknowledged_and_not_cured_comes_back(desk: Desk) -> None:
    """An acknowledged alarm that still stands after 12 h is unacknowledged again, with a `reminded` event."""
    alarm = _dry(desk)
    _order(desk, "acknowledge", alarm=alarm)
    assert desk.judge.alarms()[0].state == "acknowledged"
    desk.hold(12 * 60 + 1, h=50)
    assert [e.event for e in desk.events] == ["raised", "acknowledged", "reminded"]
    assert desk.judge.alarms()[0].state == "unacknowledged"


def test_overheating_stays_on_the_list_until_seen(desk: Desk) -> None:
    """Two hot minutes that pass are `returned_unacknowledged` for weeks, and gone once acknowledged."""
    desk.hold(60)
    desk.hold(3, t=36)
    desk.hold(9 * 1440)
    assert [(a.kind, a.state, a.latched) for a in desk.judge.alarms()] == [("hot", "returned_unacknowledged", True)]
    _order(desk, "acknowledge", alarm=desk.judge.alarms()[0].alarm)
    assert desk.judge.alarms() == ()


def test_a_shelf_ends_by_itself_within_a_day(desk: Desk) -> None:
    """Shelving for three days lasts 24 h; the alarm that still stands then is unacknowledged again."""
    alarm = _dry(desk)
    _order(desk, "shelve", alarm=alarm, minutes=3 * 1440)
    assert desk.judge.alarms()[0].state == "shelved"
    desk.hold(1441, h=50)
    assert [e.event for e in desk.events] == ["raised", "shelved", "unshelved"]


def test_suppressed_by_design_is_told_when_it_still_stands_at_the_end(desk: Desk) -> None:
    """A suppression withholds `dry`; at its end what still stands is raised. Heat is never withheld."""
    _order(desk, "suppress", minutes=180)
    desk.hold(150, h=50)
    assert desk.told() == []
    assert desk.events[-1].event == "suppressed"
    desk.hold(60, h=50)
    assert desk.told() == [("dry", "raised", "tolerable")]
    _order(desk, "suppress", minutes=180)
    desk.hold(3, t=36, h=50)
    assert ("hot", "raised", "tolerable") in desk.told()


def test_out_of_service_is_listed_reviewed_and_ends_by_command(desk: Desk) -> None:
    """An enclosure out of service tells nothing, stays listed over a restart, and its review comes due."""
    _order(desk, "out_of_service", minutes=600)
    desk.hold(300, h=50)
    assert desk.told() == []
    desk.judge = type(desk.judge).load(desk.judge.dump())
    assert set(desk.judge.out_of_service()) == {"B1"}
    desk.hold(301, h=50)
    assert desk.told() == [("system", "raised", None)]
    _order(desk, "in_service")
    assert desk.told()[-1] == ("dry", "raised", "tolerable")
    assert desk.judge.out_of_service() == {}


def test_what_stands_longer_than_a_day_is_stale(desk: Desk) -> None:
    """The stale list holds an alarm from its 25th hour."""
    _dry(desk)
    assert desk.judge.stale() == ()
    desk.hold(1500, h=50)
    assert [a.kind for a in desk.judge.stale()] == ["dry"]


def test_a_stage_switches_the_limits_and_reverts(desk: Desk) -> None:
    """In blue 62 % is below target (65); after the stage's end it is not. Both changes are logged with old and new."""
    desk.feed(JournalEntry("j", desk.now, "B1", "opaque", who="marit", until=desk.now + 86400))
    desk.hold(240, h=62.5)
    assert desk.told() == [("dry", "raised", "target")]
    desk.hold(1440, h=63)
    assert desk.told()[-1] == ("dry", "cleared", "target")
    logged = [e for e in desk.events if e.kind == "system"]
    assert [e.why for e in logged] == ["stage usual -> opaque", "stage opaque -> usual"]
    assert logged[0].detail["humidity_target.low"] == "60.0 -> 65.0"
    assert logged[0].who == "marit"


def test_a_changed_limit_is_logged_and_holds_at_once(desk: Desk) -> None:
    """Who, why, old and new of every changed limit are recorded, and the running timer goes on under the new limit."""
    desk.hold(50, h=57)
    limits = checked(Limits, {"humidity_tolerable": {"low": 58, "high": 80}})
    desk.feed(replace(rack(limits=limits), time=desk.now, who="marit", why="in winter"))
    assert [(e.who, e.why, e.detail["humidity_tolerable.low"]) for e in desk.events] == [
        ("marit", "in winter", "55.0 -> 58.0")
    ]
    desk.hold(62, h=57)
    assert ("dry", "raised", "tolerable") in desk.told()


def test_own_troubles_are_alarms_too(desk: Desk) -> None:
    """A report of trouble raises `system` with its text, its end clears it."""
    desk.feed(SystemReport(desk.now, "disk", trouble=True, text="4 % free"))
    assert desk.judge.alarms()[0].cause == "4 % free"
    desk.feed(SystemReport(desk.now + 60, "disk", trouble=False), Tick(desk.now + 120))
    assert desk.told() == [("system", "raised", None), ("system", "cleared", None)]


def test_every_move_of_the_table_leads_to_a_known_state() -> None:
    """Every state can be left, and no withheld state is a trap."""
    states = {state for state, _ in TABLE}
    assert {after for after, _ in TABLE.values()} <= states
    for state in WITHHELD:
        assert (state, "release") in TABLE
        assert (state, "clear") in TABLE


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_alarm_kind_says_what_to_do(kind: str) -> None:
    """No alarm kind without cause, consequence, response and time to respond; a fault has its NE 107 class."""
    row = next(row for name, row in KINDS.items() if name == kind)
    assert row.cause
    assert row.consequence
    assert row.response
    assert row.within_seconds > 0
    assert (row.ne107 is not None) == (kind in FAULTS)
    if kind in EXCURSIONS:
        assert row.priority_for("tolerable") in ("medium", "urgent")


def test_no_journal_word_hides_heat() -> None:
    """Nothing a keeper can note suppresses `hot` or `heat_stuck_on`, or anything for more than four hours."""
    assert not any({"hot", "heat_stuck_on"} & set(word.suppresses) for word in JOURNAL.values())
    assert all(word.seconds <= 4 * 3600 for word in JOURNAL.values())
