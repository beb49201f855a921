"""What waits for the morning message, what does not, and that all that is said of one alarm agrees."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from tests.bench.notify.month import month
from tests.notify.test_notify_plan import CONTEXT, MORNING, NIGHT, NOON, ZONE, alarm, config, event, firsts
from tests.notify.test_notify_told_right import sent, situation

from dewkeeper.judge.rationale import LEFT, ROOM, TO_THE_THERMOSTAT, WARMED
from dewkeeper.judge.types import Alarm, Event
from dewkeeper.notify.phrases import SHORT, short_step
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.report.standing import standing
from dewkeeper.store.event_rows import _alarm_after

HOUR = 3600
SIX_FIFTY = int(datetime(2026, 9, 22, 6, 50, tzinfo=ZONE).timestamp())
GLANCE = replace(CONTEXT, morning=lambda: ("Morning", ["list"]))


def keeper(**more: Any) -> Planner:
    """Return the planner of somebody who gets a morning message at ten to seven."""
    return Planner(config(notify={"morning_at": "06:50", **more}), None)


def low(enclosure: str, happening: str = "raised", at: int = NOON, **more: Any) -> Event:
    """Return news of a tub that is drier than its target."""
    return event(
        enclosure, "dry", happening, at, **{"band": "target", "priority": "low", "within_seconds": 48 * HOUR} | more
    )


def test_what_is_of_low_priority_waits_for_the_morning_message_and_is_never_repeated_by_itself() -> None:
    """Drier than target at noon: no message at noon, none six hours later, none when it is over."""
    planner = keeper()
    quiet = alarm("A4", priority="low")
    assert planner.plan([low("A4")], [quiet], NOON, GLANCE) == []
    assert planner.tick([quiet], NOON + 7 * HOUR, GLANCE) == []
    assert planner.plan([low("A4", "cleared", NOON + 8 * HOUR, state="normal")], [], NOON + 8 * HOUR, GLANCE) == []
    (morning,) = firsts(planner.tick([], SIX_FIFTY, GLANCE))
    assert morning.kind == "morning"
    assert not any("Over by now" in line for line in morning.lines)


def test_what_is_damp_since_a_misting_waits_for_the_morning_and_what_crept_up_does_not() -> None:
    """Whoever misted knows; what is still damp at breakfast stands there, with what to do, before its day is over."""
    wet = event("A4", "damp", within_seconds=24 * HOUR, detail={"misted": 1}, limit=80.0)
    stands = replace(alarm("A4", "damp"), within_seconds=24 * HOUR, detail=wet.detail)
    planner = keeper()
    assert planner.plan([wet], [stands], NOON, GLANCE) == []
    (one,) = sent(planner.tick([stands], SIX_FIFTY, GLANCE), SIX_FIFTY, situation(stands))
    assert one.kind == "morning"
    assert "A4: too damp since 11:00 – let it air" in one.lines
    assert firsts(keeper().plan([replace(wet, detail={})], [stands], NOON, GLANCE))
    assert firsts(Planner(config(), None).plan([wet], [stands], NOON, CONTEXT))  # no morning message: at once


def test_without_a_morning_message_it_is_told_at_once() -> None:
    """Nothing waits for what never comes."""
    assert firsts(Planner(config(), None).plan([low("A4")], [], NOON, CONTEXT))


def test_what_must_be_answered_before_the_morning_is_told_at_once_but_a_forecast_never() -> None:
    """A cold room has six hours; that a tub will be dry is told when it is."""
    frost = replace(low("A4", within_seconds=6 * HOUR), kind="room_frost", enclosure=None, band=None)
    assert firsts(keeper().plan([frost], [], NOON, GLANCE))
    soon = replace(low("A4", within_seconds=12 * HOUR), kind="dry_soon", band=None)
    assert keeper().plan([soon], [], NOON, GLANCE) == []


def test_what_gets_worse_is_new_to_whom_nothing_was_told_and_joins_others_that_do() -> None:
    """Three tubs slide from beyond target, of which nobody was told, to beyond tolerable: one message, as new."""
    planner = keeper()
    planner.plan([low(f"A{n}") for n in (1, 2, 3)], [], NOON, GLANCE)
    worse = [event(f"A{n}", "dry", "escalated", NOON + HOUR) for n in (1, 2, 3)]
    (row,) = firsts(planner.plan(worse, [], NOON + HOUR, GLANCE))
    assert row.title.startswith("3 tubs in rack left: too dry since")


def test_the_end_of_what_was_told_stands_in_the_next_morning_message_once() -> None:
    """Too dry from eleven, over at two in the afternoon: not a message of its own, and not forgotten."""
    planner = keeper()
    assert firsts(planner.plan([event("A4")], [], NOON, GLANCE))
    assert (
        planner.plan([event("A4", "dry", "cleared", NOON + 2 * HOUR, state="normal")], [], NOON + 2 * HOUR, GLANCE)
        == []
    )
    again = Planner(config(notify={"morning_at": "06:50"}), planner.state())
    (morning,) = firsts(again.tick([], SIX_FIFTY, GLANCE))
    assert "Over by now: A4 was too dry 11:00–14:00." in morning.lines
    (next_day,) = firsts(again.tick([], SIX_FIFTY + 86400, GLANCE))
    assert not any("Over by now" in line for line in next_day.lines)


def test_the_end_of_heat_is_told_at_once() -> None:
    """Somebody may be on the way."""
    planner = keeper()
    planner.plan([event("A4", "hot")], [], NOON, GLANCE)
    assert firsts(planner.plan([event("A4", "hot", "cleared", NOON + HOUR, state="normal")], [], NOON + HOUR, GLANCE))


def test_at_night_what_can_wait_is_in_the_morning_message_alone_and_cold_is_told_at_once() -> None:
    """Too dry at half past eleven: breakfast is soon enough and one message; cold has two hours, and passes."""
    planner = keeper()
    dry = replace(alarm("A4"), within_seconds=12 * HOUR)
    assert planner.plan([event("A4", at=NIGHT, within_seconds=12 * HOUR)], [dry], NIGHT, GLANCE) == []
    (one,) = sent(planner.tick([dry], SIX_FIFTY, GLANCE), SIX_FIFTY, situation(dry))
    assert one.kind == "morning"
    assert "A4: too dry since 22:30 – refill bowl" in one.lines
    assert any(line.startswith("I have seen it") for line in one.lines)
    assert planner.tick([dry], MORNING, GLANCE) == []
    (cold,) = firsts(keeper().plan([event("A4", "cold", at=NIGHT, within_seconds=2 * HOUR)], [], NIGHT, GLANCE))
    assert cold.not_before == 0


def test_news_of_low_priority_never_pass_quiet_hours() -> None:
    """Not even when they were due before these end."""
    frost = replace(low("A4", at=NIGHT, within_seconds=HOUR), kind="room_frost", enclosure=None, band=None)
    (row,) = firsts(Planner(config(), None).plan([frost], [], NIGHT, CONTEXT))
    assert row.not_before == MORNING


def test_of_one_enclosure_the_gravest_alarm_is_repeated_for_all_of_them() -> None:
    """A heater that is stuck and the heat it makes are one story: one reminder an hour, of the heat."""
    planner = keeper()
    both = [alarm("A4", "heat_stuck_on", priority="urgent"), alarm("A4", "hot", priority="urgent")]
    planner.plan([event("A4", "heat_stuck_on"), event("A4", "hot")], both, NOON, GLANCE)
    told = [row for at in range(NOON, NOON + 5 * HOUR, 60) for row in firsts(planner.tick(both, at, GLANCE))]
    marit = [row for row in told if row.person == "Marit" and row.facts.get("happening") == "reminded"]
    assert {row.kind for row in marit} == {"hot"}
    assert len(marit) == 4
    assert all(row.title.endswith("– breaker or unplug") for row in marit)


# One account


def test_page_and_message_have_one_deadline_and_what_gets_worse_is_not_overdue_at_once() -> None:
    """Two days for beyond target; a day later it gets worse, and from then on there are twelve hours: everywhere."""
    stored = _alarm_after(None, low("A4"))
    worse = event("A4", "dry", "escalated", NOON + 24 * HOUR, within_seconds=12 * HOUR)
    stored = _alarm_after(stored, worse)
    assert stored.raised == NOON
    assert stored.respond_by == standing(stored).respond_by == NOON + 36 * HOUR
    planner = Planner(config(), None)
    planner.plan([low("A4")], [], NOON, CONTEXT)
    (message,) = sent(planner.plan([worse], [], NOON + 24 * HOUR, CONTEXT), NOON + 24 * HOUR, situation(stored))
    assert "Act by 00:00, in 12 h." in message.lines
    later = sent(planner.tick([stored], NOON + 37 * HOUR, CONTEXT), NOON + 37 * HOUR, situation(stored))
    assert "Act now: overdue since 00:00." in later[0].lines


@pytest.mark.parametrize(
    ("cause", "response", "action"),
    [
        (WARMED, f"{TO_THE_THERMOSTAT}; do not mist", "check thermostat"),
        (LEFT, "a wider bowl: its surface counts, not its depth", "wider bowl"),
        (ROOM, "treat the room's air; leave the tub as it is", "treat the room"),
        (LEFT, "refill the bowl; misting is a bridge (an hour or two), not the cure", "refill bowl"),
    ],
)
def test_first_line_and_advice_say_the_same(cause: str, response: str, action: str) -> None:
    """What to do in the first line is the first step of the advice; nobody refills a bowl where it says: do not mist."""
    (row,) = firsts(Planner(config(), None).plan([event("A4", cause=cause, response=response)], [], NOON, CONTEXT))
    assert row.title.endswith(f"– {action}")
    assert f"Do: {response}." in row.lines


def test_no_step_of_an_advice_is_without_its_few_words_and_all_fit() -> None:
    """Unknown advice is never named by another's words; each name is short enough for a lock screen."""
    assert short_step("dry", "something nobody wrote a name for") == "see advice"
    assert short_step("hot", "") == SHORT["hot"].action
    assert all(len(short.action) <= 20 for short in SHORT.values())


def tub(name: str, cause: str, response: str) -> tuple[Event, Alarm]:
    """Return the news of a dry tub and its alarm."""
    return event(name, cause=cause, response=response), replace(alarm(name), cause=cause, response=response)


def test_several_with_empty_bowls_are_not_told_to_treat_the_room() -> None:
    """The room did not change: the first line says what helps each, and the text gives their cause."""
    pairs = [tub(f"A{n}", LEFT, "refill the bowl; then more") for n in (1, 2, 3)]
    rows = Planner(config(), None).plan([e for e, _ in pairs], [], NOON, CONTEXT)
    (message,) = sent(rows, NOON, situation(*[a for _, a in pairs]))
    assert message.title == "3 tubs in rack left: too dry since 11:00 – refill bowl"
    assert "Cause: moisture left the air." in message.lines
    mixed = [*pairs[:2], tub("A3", WARMED, f"{TO_THE_THERMOSTAT}; do not mist")]
    rows = Planner(config(), None).plan([e for e, _ in mixed], [], NOON, CONTEXT)
    (message,) = sent(rows, NOON, situation(*[a for _, a in mixed]))
    assert message.title.endswith("– see each")
    assert (
        "A1 since 11:00: refill bowl; A2 since 11:00: refill bowl; A3 since 11:00: check thermostat." in message.lines
    )
    assert f"Do at A3: {TO_THE_THERMOSTAT}; do not mist." in message.lines
    assert "Do at A1, A2: refill the bowl; then more." in message.lines


def test_when_the_room_changed_it_is_the_room() -> None:
    """Most say so, and so does the message."""
    advice = "treat the room's air; leave the tub as it is"
    pairs = [tub("A1", ROOM, advice), tub("A2", ROOM, advice), tub("A3", LEFT, "refill the bowl")]
    rows = Planner(config(), None).plan([e for e, _ in pairs], [], NOON, CONTEXT)
    (message,) = sent(rows, NOON, situation(*[a for _, a in pairs]))
    assert message.title.endswith("– treat the room")


def test_two_days_of_the_benchs_house_are_lived_through() -> None:
    """The bench runs: ten tubs, two days, both of their excursions told in time, one morning message a day."""
    tally, late, must = month(seed=3, days=4, tubs=8, poll_minutes=10)
    assert must >= 1
    assert late == []
    assert sum(tally.daily.values()) == 4
    assert isinstance(CONTEXT, Context)
