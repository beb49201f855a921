"""Nothing stops the telling: not a stepped clock, not one bad row, not a way that broke silently; and nobody is skipped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.notify.dispatcher_rig import REFUSED, START, Running, config, message, running
from tests.notify.test_notify_plan import CONTEXT, NIGHT, NOON, alarm, event, firsts, wait
from tests.notify.test_notify_plan import config as two_racks
from tests.servers.receiver import Answer, Phone

from dewkeeper.clock import ManualClock
from dewkeeper.notify.heartbeat import TROUBLE_FROM, Pulse, beat
from dewkeeper.notify.plan import Planner
from dewkeeper.service.losses import LossCounts
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Storage

HOUR = 3600


# The clock is stepped


def test_the_clock_three_hours_back_delays_no_message_that_waits(phone: Phone) -> None:
    """A message that failed and waits for another attempt, and a stand-in that waits, go when they would have gone."""
    with Phone() as second, running(config({"phone": phone.url, "second": second.url})) as run:
        phone.usual = REFUSED
        run.add(message("m1", priority="urgent", facts={"siblings": ["m2"]}))
        run.clock.advance(20)
        run.add(message("m2", channel="second", priority="urgent", next_try=START + 180, facts={"siblings": ["m1"]}))
        run.clock.step(-3 * HOUR)
        run.clock.advance(170)
        assert [call.id for call in second.calls] == ["m2"]


def test_the_clock_forward_sends_no_stand_in_early(phone: Phone) -> None:
    """Nine minutes forward: what waits for three minutes waits for three minutes."""
    with Phone() as second, running(config({"phone": phone.url, "second": second.url})) as run:
        phone.usual = REFUSED
        run.add(
            message("m1", facts={"siblings": ["m2"]}),
            message("m2", channel="second", next_try=START + 180, facts={"siblings": ["m1"]}),
        )
        run.clock.step(9 * 60)
        run.clock.advance(170)
        assert second.calls == []
        run.clock.advance(20)
        assert [call.id for call in second.calls] == ["m2"]


@pytest.mark.parametrize("step", [-3 * HOUR, 9 * 60, 400 * 86400])
def test_the_second_person_is_called_after_a_quarter_of_an_hour_whatever_the_clock_does(step: int) -> None:
    """The clock is stepped five minutes after the alarm: the second person is called ten minutes later, also after a restart."""
    planner = Planner(two_racks(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    planner.rebased(step)
    planner = Planner(two_racks(), planner.state())
    standing = [alarm("A4", "hot", priority="urgent")]
    assert planner.tick(standing, NOON + step + 899, CONTEXT) == []
    (row,) = planner.tick(standing, NOON + step + 900, CONTEXT)
    assert row.person == "Ode"


@given(st.lists(st.tuples(st.integers(1, 400), st.integers(-(10**6), 10**8)), min_size=1, max_size=8))
def test_the_second_person_is_called_by_elapsed_time_alone(story: list[tuple[int, int]]) -> None:
    """Whatever steps lie between, and with a restart at each: not before 900 s have elapsed, and at the first look after them."""
    planner, standing = Planner(two_racks(), None), [alarm("A4", "hot", priority="urgent")]
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    elapsed, wall, called = 0, NOON, False
    for seconds, step in story:
        elapsed, wall = elapsed + seconds, wall + seconds
        rows = planner.tick(standing, wall, CONTEXT)
        assert any(row.facts.get("happening") == "unanswered" for row in rows) == (elapsed >= 900 and not called)
        called = called or elapsed >= 900
        planner.rebased(step)
        wall += step
        planner = Planner(two_racks(), planner.state() or planner._stored)


def test_what_waits_survives_a_restart_after_the_clock_was_stepped(phone: Phone) -> None:
    """A row planned before a step of three hours back waits in the next process as long as was left, not three hours more."""
    stepped = message("m1", next_try=START + 60, created=START - 30)
    run = Running(config({"phone": phone.url}), stepped, stepped=-3 * HOUR, wall=START - 3 * HOUR)
    try:
        run.clock.advance(50)
        assert phone.calls == []
        run.clock.advance(20)
        assert [call.id for call in phone.calls] == ["m1"]
    finally:
        run.stop()


def test_quiet_hours_reckoned_on_a_clock_that_was_years_ahead_hold_nothing(tmp_path: Path) -> None:
    """An end of the night ten years away was never one; tomorrow's is."""
    store = Store.open(tmp_path, Storage(), ManualClock(wall=START))
    tonight = message("tonight", not_before=START + 9 * HOUR)
    store.commit(Batch(messages=(message("m1", not_before=START + 3650 * 86400), tonight)))
    store.close()
    with History.open(tmp_path) as history:
        assert [row.id for row in history.messages_due(START)] == ["m1"]
        assert history.seconds_to_due(START) == 9 * HOUR


# One bad row


def test_a_message_of_a_kind_this_version_does_not_know_is_told_and_the_rest_too(phone: Phone) -> None:
    """After a rollback one waiting row is of an unknown kind: it is told by what is stored of it, and nothing waits behind it."""
    strange = {"kind": "heat_creep", "since": START - 600, "enclosure": "B4", "respond_how": {"new": ["thing"]}}
    with running(config({"phone": phone.url})) as run:
        run.add(
            message("m1", priority="urgent", kind="heat_creep", facts=strange),
            message("m2", priority="urgent", created=START + 1),
        )
        assert [call.id for call in phone.calls] == ["m1", "m2"]
        assert phone.calls[0].json()["title"] == "B4: heat creep since 14:03 – look yourself"
        assert run.outbox.states() == {"m1": "sent", "m2": "sent"}


BAD_FACTS: list[dict[str, Any]] = [
    {"happening": "raised", "kind": "dry", "since": "yesterday"},
    {"happening": "raised", "kind": "dry"},
    {"happening": "raised", "kind": ["dry"], "since": START},
    {"happening": "raised", "kind": "dry", "since": START, "members": [7]},
    {"happening": "raised", "kind": "dry", "since": START, "alarms": 5},
    {"siblings": 3},
    {"happening": "turned inside out", "kind": "dry", "since": START, "within_seconds": "soon"},
]


@pytest.mark.parametrize("facts", BAD_FACTS)
def test_whatever_a_row_holds_it_is_told_plainly_and_blocks_nothing(phone: Phone, facts: dict[str, Any]) -> None:
    """Facts nothing ever stored: the row goes out in plain words under its id, the urgent one behind it too, and it is counted."""
    with running(config({"phone": phone.url})) as run:
        run.add(replace(message("bad"), facts=facts), replace(message("worse", priority="urgent"), facts=facts))
        run.add(message("next", priority="urgent", created=START + 1))
        run.clock.advance(120)
        assert {call.id for call in phone.calls if call.accepted} == {"bad", "worse", "next"}
        assert all(len(call.json()["title"]) <= 60 for call in phone.calls)
        assert "pending" not in run.outbox.states().values()


def test_a_damaged_row_is_set_aside_counted_and_the_rest_is_sent(tmp_path: Path, phone: Phone) -> None:
    """Half a row in the database: it ends as failed, is counted as set aside, and what waits behind it arrives."""
    clock = ManualClock(wall=START)
    store = Store.open(tmp_path, Storage(), clock)
    store.commit(Batch(messages=(message("broken"), message("whole", created=START + 1))))
    with store._file.transaction() as connection:
        connection.execute("UPDATE message SET data = substr(data, 1, 40) WHERE id = 'broken'")
    losses = LossCounts(clock)
    made = Running(config({"phone": phone.url}), clock=clock, losses=losses, folder=tmp_path, store=store)
    try:
        clock.expect("dispatcher")
        clock.advance(60)
        assert [call.id for call in phone.calls] == ["whole"]
        assert losses.aside == {"dispatcher": 1}
        with History.open(tmp_path) as history:
            assert {m.id: m.state for m in history.messages()} == {"broken": "failed", "whole": "sent"}
            assert history.messages_due(START + 10**6) == []
    finally:
        made.stop()
        store.close()


def test_a_message_a_service_refuses_for_good_is_counted_and_told(phone: Phone) -> None:
    """After eight refusals over two hours it is given up, and that is a loss somebody hears of."""
    losses = LossCounts(ManualClock(wall=START))
    phone.usual = Answer(400)
    with running(config({"phone": phone.url}), losses=losses) as run:
        run.add(message("m1", priority="urgent"))
        run.clock.advance(3 * HOUR)
        assert run.outbox.states() == {"m1": "failed"}
        (report, _) = losses.reports(START)
        assert report.trouble
        assert "title of m1" in report.text or "too dry" in report.text


def test_what_is_tried_again_or_left_off_a_list_is_counted(phone: Phone) -> None:
    """A send given up at its deadline, a message of no use any more, the lines a long digest has no room for."""
    losses = LossCounts(ManualClock(wall=START))
    phone.usual = Answer(manner="silent")
    with running(config({"phone": phone.url}, timeout_seconds=1.0), losses=losses) as run:
        run.add(*(message(f"m{n:02}") for n in range(33)), message("old", expires=START - 1))
        run.clock.advance(20)
        phone.usual = Answer()
        run.clock.advance(1800)
        assert set(run.outbox.states().values()) == {"sent", "collapsed", "expired"}
    assert losses.counted["messages of no use any more when they could be sent"] == 1
    assert losses.counted["sends given up at their deadline and tried again"] >= 1
    assert losses.counted["messages of which a list too long named only the number"] == 3


# Who is told


def test_going_away_tells_the_sitter_what_stands_and_coming_back_tells_the_keeper() -> None:
    """A heat told to the keeper is the sitter's from the moment of leaving; one of the absence is the keeper's on return."""
    planner = Planner(two_racks(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    hot = alarm("A4", "hot", "acknowledged", "urgent")
    planner.away(NOON + 7 * 86400)
    (row,) = planner.plan([], [hot], NOON + 60, CONTEXT)
    assert (row.person, row.title) == ("Sol", "A4: yours, too hot since 11:00 – breaker or unplug")
    planner.plan([event("B1", at=NOON + HOUR)], [hot, alarm("B1")], NOON + HOUR, CONTEXT)
    planner.away(None)
    rows = firsts(planner.tick([hot, alarm("B1")], NOON + 2 * HOUR, CONTEXT))
    assert {(row.person, row.title[:12]) for row in rows} == {("Marit", "A4: yours, t"), ("Marit", "B1: yours, t")}
    assert planner.tick([hot, alarm("B1")], NOON + 2 * HOUR + 60, CONTEXT) == []


def test_an_alarm_of_the_absence_does_not_skip_the_keeper_who_came_back() -> None:
    """Raised while away, told to the sitter; after the return the next person called is not the one after the keeper."""
    planner = Planner(two_racks(), None)
    planner.away(NOON + 600)  # it ends by itself
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    hot = alarm("A4", "hot", priority="urgent")
    told = [(row.person, at) for at in range(60, 2400, 60) for row in firsts(planner.tick([hot], NOON + at, CONTEXT))]
    assert told == [("Marit", 600), ("Ode", 1500)]


# Groups


def test_a_straggler_joins_the_group_that_stands_and_thirteen_ends_are_one_message() -> None:
    """Twelve tubs within minutes, a thirteenth after twenty: four messages in all, the last three in one thread."""
    planner = Planner(two_racks(), None)
    names = [f"A{n}" for n in range(1, 13)]
    rows = [
        row
        for n, name in enumerate(names)
        for row in firsts(planner.plan([event(name, at=NOON + 27 * n)], [], NOON + 27 * n, CONTEXT))
    ]
    late = NOON + 1800
    (straggler,) = firsts(planner.plan([event("B1", at=late)], [], late, CONTEXT))
    assert straggler.title == "13 tubs in snake room: too dry since 11:00 – treat the room"
    assert "Detail: new since the last message: B1." in straggler.lines
    assert wait(straggler) == 0
    assert straggler.thread == rows[-1].thread
    over = NOON + 4 * HOUR
    ends = []
    for n, name in enumerate([*names, "B1"]):
        at = over + 20 * n
        ends += firsts(
            planner.plan([event(name, "dry", "cleared", at, state="normal", since=NOON - HOUR)], [], at, CONTEXT)
        )
    assert {wait(row) for row in ends} == {over + 900}
    assert len({row.facts["group"] for row in ends}) == 1
    assert {row.thread for row in ends} == {straggler.thread}


# The heartbeat


def test_a_heartbeat_nobody_answers_becomes_an_alarm_and_a_line(phone: Phone) -> None:
    """Three pings in a row without an answer are trouble, with how many; one answer ends it."""
    clock = ManualClock(wall=START)
    pulse = Pulse(clock.monotonic)
    settings = config({"phone": "http://localhost:9/"}, notify={"heartbeat_url": phone.url})
    pulse.felt(beat(settings))
    clock.advance(300)
    phone.usual = Answer(500)
    for number in range(1, 649):
        pulse.felt(beat(settings) if number < 3 else "HTTP 500")
        assert pulse.report(START).trouble == (number >= TROUBLE_FROM)
    assert "the last 648 pings were not answered (HTTP 500), the last answer came 5 min ago" in pulse.report(START).text
    phone.usual = Answer()
    pulse.felt(beat(settings))
    assert not pulse.report(START).trouble


def test_a_dispatcher_whose_rounds_fail_vouches_for_nothing(phone: Phone) -> None:
    """A loop that turns is not work: with an outbox that breaks every round, `worked` stays where it was."""

    class Broken:
        def __getattr__(self, name: str) -> Any:
            raise RuntimeError("no round can succeed")

    with running(config({"phone": phone.url})) as run:
        run.clock.advance(60)
        before = run.dispatcher.worked
        run.dispatcher._outbox._reader = Broken()
        run.clock.advance(1800)
        assert run.dispatcher.turned - before > 1700
        assert run.dispatcher.worked - before < 120
        run.dispatcher._outbox._reader = None


def test_cold_passes_through_the_quiet_hours_of_the_second_person_too() -> None:
    """Who is handed a cold tub at night is told at night."""
    planner = Planner(two_racks(), None)
    planner.plan([event("A4", "cold", at=NIGHT - 600)], [], NIGHT - 600, CONTEXT)
    planner.away(NIGHT + 86400)
    (row,) = planner.plan([], [alarm("A4", "cold")], NIGHT, CONTEXT)
    assert (row.person, row.not_before) == ("Sol", 0)
