"""What stands in a message is so when it is sent: durations, values, bands, and whether it is over at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from tests.notify.test_notify_plan import CONTEXT, MORNING, NIGHT, NOON, alarm, config, event, firsts

from dewkeeper.judge.types import Alarm, Band, Quality, Reading
from dewkeeper.judge.words import UNMEASURED_ENDS
from dewkeeper.notify.gather import Parcel, parcels
from dewkeeper.notify.outage import Outage
from dewkeeper.notify.plan import Planner
from dewkeeper.notify.saying import Situation, by_id
from dewkeeper.report.alarm_words import headline, state_words, to_do
from dewkeeper.report.morning_words import off_line
from dewkeeper.report.off_times import NOTE, noted, off_times
from dewkeeper.report.standing import standing
from dewkeeper.store.records import Message

HOUR = 3600


def situation(*alarms: Alarm, **newest: tuple[int, float, float]) -> Situation:
    """Return what stands and, by probe, the newest reading: time, °C, %RH."""
    readings = {probe: (Reading(at, probe, t, h), Quality(at, probe, 1)) for probe, (at, t, h) in newest.items()}
    return Situation(by_id(alarms), newest=readings)


def sent(rows: Sequence[Message], now: int, how: Situation) -> list[Message]:
    """Return what goes out of these rows at that moment, over the first channel."""
    return [parcel.message for parcel in _parcels(rows, now, how)]


def _parcels(rows: Sequence[Message], now: int, how: Situation) -> list[Parcel]:
    return parcels(firsts(rows), CONTEXT.wording, now, how)


def test_a_message_that_waited_for_the_morning_says_how_long_it_is_then_and_what_is_measured_then() -> None:
    """Dry since half past ten and told at seven: eight and a half hours and 38 %, not one hour and the 53 % of then."""
    rows = Planner(config(), None).plan([event("A4", at=NIGHT, value=53.0, limit=55.0)], [], NIGHT, CONTEXT)
    (message,) = sent(rows, MORNING, situation(alarm("A4"), a4=(MORNING - 60, 28.0, 38.2)))
    assert message.lines[1] == "A4 (rack left): too dry since 22:30 (8 h 30 min)."
    assert "Now: 38 %, 28.0 °C." in message.lines
    assert not any("53 %" in line for line in message.lines)


def test_a_value_nobody_believes_any_more_is_told_with_its_time() -> None:
    """Where nothing newer is believed the message says when its value was measured, not that it is so now."""
    rows = Planner(config(), None).plan([event("A4", at=NIGHT, value=53.0, limit=55.0)], [], NIGHT, CONTEXT)
    (message,) = sent(rows, MORNING, situation(replace(alarm("A4"), limit=55.0), a4=(NIGHT, 28.0, 53.0)))
    assert "At 23:30: 53 %, limit 55 %; nothing newer is believed." in message.lines


def test_a_reminder_has_the_value_of_its_own_minute() -> None:
    """Six hours later the reminder tells what is measured then."""
    planner = Planner(config(), None)
    planner.plan([event("A4", value=53.0, limit=55.0)], [], NOON, CONTEXT)
    later = NOON + 6 * HOUR
    rows = planner.tick([replace(alarm("A4"), value=53.0, limit=55.0)], later, CONTEXT)
    (message,) = sent(rows, later, situation(replace(alarm("A4"), limit=55.0), a4=(later, 28.0, 47.0)))
    assert "Now: 47 %, limit 55 %; 28.0 °C." in message.lines


def test_what_is_over_when_the_message_goes_out_is_told_as_over() -> None:
    """A heat that ended while the way was closed is not told as standing; with its end known, in one sentence."""
    planner = Planner(config(), None)
    raised = planner.plan([event("A4", "hot", value=35.5, limit=34.0)], [], NOON, CONTEXT)
    (message,) = sent(raised, NOON + 24 * HOUR, situation(a4=(NOON + 24 * HOUR, 30.0, 60.0)))
    assert message.title == "A4: was too hot from Mon 21 Sep 11:00 – look at the snake"
    assert "over by now" in message.lines[1]
    assert not any("35.5" in line or "heat off" in line for line in message.lines)


def test_an_alarm_the_judge_does_not_know_is_not_told_as_over_without_proof() -> None:
    """After a change of version the judge may not have it; as long as nobody was told of its end it is told as it was."""
    planner = Planner(config(), None)
    rows = planner.plan([event("A4", "hot", value=35.5, limit=34.0)], [], NOON, CONTEXT)
    how = replace(situation(), untold_end=planner.untold_end())
    (message,) = sent(rows, NOON + HOUR, how)
    assert message.title == "A4: too hot since 11:00 – breaker or unplug"
    assert message.priority == "urgent"


def test_of_a_group_only_what_still_stands_is_counted() -> None:
    """Of three tubs told together one is over by the time the message goes out: two are too dry, the third was."""
    planner = Planner(config(), None)
    rows = planner.plan([event(f"A{n}", at=NIGHT) for n in (1, 2, 3)], [], NIGHT, CONTEXT)
    (message,) = sent(rows, MORNING, situation(alarm("A1"), alarm("A3")))
    assert message.title == "2 tubs in rack left: too dry since 22:30 – treat the room"
    assert "A1 since 22:30; A3 since 22:30; A2 from 22:30, over by now." in message.lines


def test_each_of_several_is_told_with_its_number() -> None:
    """Three tubs drier than target: of each what is measured now and what it should be; too dry: what is measured."""
    cases: list[tuple[Band, float, str]] = [
        (
            "target",
            60.0,
            "A2 since 11:00 (57 % instead of 60 %); A1 since 11:00 (58 % instead of 60 %); A3 since 11:00.",
        ),
        ("tolerable", 59.0, "A2 since 11:00 (57 %); A1 since 11:00 (58 %); A3 since 11:00; limit 59 %."),
    ]
    for band, limit, said in cases:
        events = [event(f"A{n}", limit=limit, band=band) for n in (1, 2, 3)]
        rows = Planner(config(), None).plan(events, [], NOON, CONTEXT)
        stand = [replace(alarm(f"A{n}"), limit=limit, band=band) for n in (1, 2, 3)]
        (message,) = sent(rows, NOON, situation(*stand, a1=(NOON, 28.0, 57.6), a2=(NOON, 28.0, 57.0)))
        assert said in message.lines


def test_a_tub_that_was_too_dry_is_not_told_afterwards_as_drier_than_target() -> None:
    """It was told at 49 %, got better and then well: what is over is called what it was told as, at its gravest."""
    planner = Planner(config(), None)
    planner.plan([event("A4", value=49.0, limit=55.0)], [], NOON, CONTEXT)
    over = event("A4", "dry", "cleared", NOON + HOUR, state="normal", band="target", limit=60.0, since=NOON - HOUR)
    (message,) = sent(
        planner.plan([over], [], NOON + HOUR, CONTEXT), NOON + HOUR, situation(a4=(NOON + HOUR, 28.0, 64.0))
    )
    assert message.title == "A4: was too dry 11:00–13:00 – nothing to do"


def test_danger_is_called_danger() -> None:
    """Beyond the danger limit the first line does not read like any other heat."""
    worse = event("A4", "hot", "escalated", value=38.6, limit=38.0, detail={"danger": 1})
    standing = replace(alarm("A4", "hot", priority="urgent"), limit=38.0, detail={"danger": 1})
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    (message,) = sent(planner.plan([worse], [], NOON, CONTEXT), NOON, situation(standing, a4=(NOON, 38.7, 60.0)))
    assert message.title == "A4: now dangerously hot since 11:00 – breaker or unplug"
    assert message.lines[0] == "Now: 38.7 °C, danger 38 °C; 60 %."


def test_what_was_measured_stands_where_a_lock_screen_shows_it() -> None:
    """A lock screen shows the title and the first line: of a heat how hot it is now, of several the hottest first."""
    heats = [event(f"A{n}", "hot", priority="urgent", limit=34.0) for n in (1, 2, 3)]
    stand = [replace(alarm(f"A{n}", "hot", priority="urgent"), limit=34.0) for n in (1, 2, 3)]
    one, many = (
        sent(Planner(config(), None).plan(heats[:n], [], NOON, CONTEXT), NOON, situation(*stand[:n], a1=(NOON, 35.1, 60.0), a2=(NOON, 36.4, 60.0)))[0]
        for n in (1, 3)
    )  # fmt: skip
    assert one.lines[0] == "Now: 35.1 °C, limit 34 °C; 60 %."
    assert many.lines[0] == "A2 since 11:00 (36.4 °C); A1 since 11:00 (35.1 °C); A3 since 11:00; limit 34 °C."


def test_an_end_is_not_told_as_calm_beside_a_value_beyond_the_limit() -> None:
    """The heater is not stuck any more and the tub is still too hot: the message says so, and nothing of well."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "heat_stuck_on"), event("A4", "hot")], [], NOON, CONTEXT)
    over = event("A4", "heat_stuck_on", "cleared", NOON + HOUR, state="normal", band=None, since=NOON - HOUR)
    rows = planner.plan([over], [], NOON + HOUR, CONTEXT)
    (message,) = sent(rows, NOON + HOUR, situation(alarm("A4", "hot", priority="urgent"), a4=(NOON + HOUR, 36.7, 60.0)))
    assert message.title == "A4: heater was stuck on 11:00–13:00 – still too hot"
    assert message.lines[0] == "Now: 36.7 °C, 60 %."
    assert message.lines[1].endswith("this is over, but it is still too hot.")


def test_a_heat_that_is_over_asks_for_the_vet_also_where_the_tub_is_dry_since() -> None:
    """Heat dries what it warms: that it is dry now is said, and hides neither the vet nor the plug that may have melted."""
    heat = event("A4", "hot", since=NOON - 3600, value=39.6, limit=38.0, detail={"danger": 1})
    planner = Planner(config(), None)
    planner.plan([heat], [], NOON, CONTEXT)
    over = replace(heat, id="over", event="cleared", state="normal", time=NOON + HOUR)
    rows = planner.plan([over], [], NOON + HOUR, CONTEXT)
    (message,) = sent(rows, NOON + HOUR, situation(alarm("A4", "dry"), a4=(NOON + HOUR, 30.0, 44.0)))
    assert message.title.endswith(" – phone the vet")
    assert message.lines[1].endswith("this is over, but it is still too dry.")
    assert any("phone an exotics vet" in line and "melted plug" in line for line in message.lines)


def test_a_fault_of_a_branch_names_the_tubs_nobody_sees() -> None:
    """The first line begins with tubs, the text names all of them."""
    silent = event("A1", "missing", band=None, detail={"branch": "i2c1/0x70", "members": "a1, a2, a3, a4", "count": 4})
    row = firsts(Planner(config(), None).plan([replace(silent, enclosure=None, probe=None)], [], NOON, CONTEXT))[0]
    assert row.title == "A1, A2 +2: probes silent since 11:00 – look at tubs"
    assert "Unwatched: A1, A2, A3, A4." in row.lines
    planner = Planner(config(), None)
    planner.plan([replace(silent, enclosure=None, probe=None)], [], NOON, CONTEXT)
    over = replace(silent, id="over", event="cleared", state="normal", time=NOON + HOUR, enclosure=None, probe=None)
    row = firsts(planner.plan([over], [], NOON + HOUR, CONTEXT))[0]
    assert row.title == "A1, A2 +2: probes were silent 11:00–13:00 – nothing to do"


def test_an_alarm_told_in_doubt_says_the_doubt() -> None:
    """Title and text say what is believed of the probe, name both tubs, and ask for a look; of heat the plug comes first."""
    cause = "A4 or A5: their probes may be exchanged"
    dry = event("A4", value=46.0, limit=55.0, cause=cause, detail={"doubt": "exchanged probe", "or": "A5"})
    row = firsts(Planner(config(), None).plan([dry], [], NOON, CONTEXT))[0]
    assert row.title == "A4 or A5: too dry (in doubt) since 11:00 – look yourself"
    assert f"Cause: {cause}." in row.lines
    assert "In doubt: see for yourself before you change anything." in row.lines
    wet = event("A4", "damp", cause="100 % for 24 h: a wet probe, or condensation", detail={"doubt": "wet probe"})
    row = firsts(Planner(config(), None).plan([wet], [], NOON, CONTEXT))[0]
    assert row.title == "A4: too damp (wet probe?) since 11:00 – look yourself"
    hot = event("A4", "hot", detail={"doubt": "probe in its room's air"})
    row = firsts(Planner(config(), None).plan([hot], [], NOON, CONTEXT))[0]
    assert row.title == "A4: too hot (in doubt) since 11:00 – breaker or unplug"


def test_what_was_not_recorded_when_it_was_planned_and_is_now_does_not_say_otherwise() -> None:
    """The store took things again before the message went out."""
    rows = Planner(config(), None).plan([event("A4")], [], NOON, replace(CONTEXT, recorded=False))
    (message,) = sent(rows, NOON + HOUR, situation(alarm("A4")))
    assert not any("Not recorded" in line for line in message.lines)


def test_the_outage_report_tells_ended_alarms_apart_from_standing_ones() -> None:
    """Two heats that were over before the cut and one dry tub that was not: only that one stood."""
    standing = [
        alarm("A1", "hot", "returned_unacknowledged", "urgent"), alarm("A2", "hot", "returned_unacknowledged", "urgent"), alarm("A4"),
    ]  # fmt: skip
    outage = Outage(NOON - 9 * HOUR, True, True, [], standing, {}, 60)
    lines = outage.draft(NOON, CONTEXT.wording, clock_known=True).lines
    assert "Standing when it ended: A4 too dry." in lines
    assert "Over before, but nobody has said that they saw it: A1 too hot, A2 too hot." in lines


@pytest.mark.parametrize(
    ("rebooted", "disorder", "said"),
    [
        (True, True, "The Pi stopped without being told to, most likely a power cut."),
        (True, False, "The Pi was told to switch off or to restart."),
        (False, True, "The Pi ran on, the program ended without being told to."),
        (False, False, "The program was told to stop, as an update does."),
    ],
)
def test_why_it_was_off_is_said_alike_at_once_and_in_the_morning(rebooted: bool, disorder: bool, said: str) -> None:
    """A power cut is called one only where the machine came back without an orderly stop; what is noted says the same."""
    outage = Outage(NOON - 4 * HOUR, disorder, rebooted, [], [], {}, 60)
    assert outage.draft(NOON, CONTEXT.wording, clock_known=True).lines[0].endswith(said)
    (kept,) = off_times({NOTE: noted((), outage.off_time(NOON))})
    line = off_line(kept, CONTEXT.wording, NOON)
    assert line == f"dewkeeper was off 08:00–12:00, 4 h: {said[0].lower()}{said[1:-1]}"


@pytest.mark.parametrize("text", ["", "{", "[1]", '[{"start": 1, "end": 2, "why": "moved by hand"}]', '[{"start": 1}]'])
def test_a_note_of_another_version_is_no_off_time(text: str) -> None:
    """What cannot be read says nothing, and the morning is told without it."""
    assert off_times({NOTE: text}) == ()


@pytest.mark.parametrize("kind", ["cold", "heat_lost", "lid_open"])
def test_what_must_be_answered_before_the_quiet_hours_end_does_not_wait_for_their_end(kind: Any) -> None:
    """Cold at half past eleven at night is to be answered within two hours, so it is told at night."""
    night = event("A4", kind, at=NIGHT, since=NIGHT - 1800, band=None if kind != "cold" else "tolerable")
    assert firsts(Planner(config(), None).plan([night], [], NIGHT, CONTEXT))[0].not_before == 0


def test_a_dry_tub_still_waits_for_the_morning() -> None:
    """Half a day to respond is longer than the night: it keeps, and its reminder wakes nobody either."""
    planner = Planner(config(), None)
    assert firsts(planner.plan([event("A4", at=NIGHT)], [], NIGHT, CONTEXT))[0].not_before == MORNING
    planner = Planner(config(), None)
    planner.plan([event("A4", "cold", at=NIGHT - 4 * HOUR)], [], NIGHT - 4 * HOUR, CONTEXT)
    rows = firsts(planner.tick([alarm("A4", "cold")], NIGHT + 2 * HOUR, CONTEXT))
    assert [row.not_before for row in rows] == [MORNING]


# The order


def test_in_one_message_urgent_comes_first_then_overdue_then_the_larger_dose() -> None:
    """A heat that is over unseen, two dry tubs by their dose and a cold one that is overdue, in the order of need."""
    planner = Planner(config(), None)
    raised = [
        event("A1", value=52.0), event("B2", "damp", value=90.0), event("A3", "cold", since=NOON - 9 * HOUR), event("B9", "hot"),
    ]  # fmt: skip
    rows = planner.plan(raised, [], NOON, CONTEXT)
    standing = [
        replace(alarm("A1"), detail={"dose_percent_hours": 4.0}), replace(alarm("B2", "damp"), detail={"dose_percent_hours": 31.5}),
        replace(alarm("A3", "cold"), within_seconds=2 * HOUR, asked=NOON - 9 * HOUR),
        alarm("B9", "hot", priority="urgent"),
    ]  # fmt: skip
    first, together = sent(rows, NOON, situation(*standing))
    assert first.title.startswith("B9: too hot")
    assert [line[:2] for line in together.lines if " since " in line] == ["A3", "B2", "A1"]
    assert together.title == "A3: too cold since 03:00 – check its heater (+2 more)"
    assert len(together.title) <= 60


def test_nine_rooms_at_seven_in_the_morning_are_one_message() -> None:
    """What waited for the same moment for the same person is one message, however many rooms it is about."""
    rooms = [{"name": f"r{n}", "room": f"room {n}"} for n in range(9)]
    tubs = [{"name": f"T{n}", "rack": f"r{n}"} for n in range(9)]
    nine = config(rack=rooms, enclosure=tubs, probe=[{"name": f"t{n}", "enclosure": f"T{n}"} for n in range(9)])
    planner = Planner(nine, None)
    rows = [row for n in range(9) for row in planner.plan([event(f"T{n}", at=NIGHT + n)], [], NIGHT + n, CONTEXT)]
    (message,) = sent(rows, MORNING, situation(*(alarm(f"T{n}") for n in range(9))))
    assert message.title == "T0: too dry since 22:30 – refill bowl (+8 more)"
    assert [line[:2] for line in message.lines if " since " in line] == [f"T{n}" for n in range(9)]


def test_the_morning_message_takes_in_what_is_due_with_it() -> None:
    """A dry tub of the night and the morning message at seven are one message that begins with the morning."""
    planner = Planner(config(notify={"morning_at": "07:00"}), None)
    rows = planner.plan([event("A4", at=NIGHT)], [], NIGHT, CONTEXT)
    morning = replace(CONTEXT, morning=lambda: ("Morning: A4 – see list; 23 calm", ["A4: too dry"]))
    rows += planner.tick([alarm("A4")], MORNING, morning)
    (message,) = sent(rows, MORNING, situation(alarm("A4")))
    assert (message.title, message.lines[0]) == ("Morning: A4 – see list; 23 calm", "A4: too dry")
    assert "A4: too dry since 22:30 – refill bowl" in message.lines


def test_the_message_of_an_outage_leads_what_is_due_with_it() -> None:
    """After a cut in the night one message at seven: how long nothing was watched first, then the morning and a dry tub."""
    planner = Planner(config(notify={"morning_at": "07:00"}), None)
    outage = Outage(NIGHT - 9 * HOUR, True, True, [], [], {}, 60)
    planner.announce(outage.draft(NIGHT, CONTEXT.wording, clock_known=True))
    rows = planner.plan([event("A4", at=NIGHT)], [], NIGHT, CONTEXT) + planner.tick([alarm("A4")], NIGHT, CONTEXT)
    morning = replace(CONTEXT, morning=lambda: ("Morning: A4 – see list; 23 calm", ["A4: the night of it"]))
    rows += planner.tick([alarm("A4")], MORNING, morning)
    (message,) = sent(rows, MORNING, situation(alarm("A4")))
    assert (message.kind, message.title) == ("outage", "Not watched for 9 h – look at the heat")
    assert message.lines[0].startswith("Nothing was watched for 9 h")
    assert {"Morning: A4 – see list; 23 calm", "A4: the night of it", "A4: too dry since 22:30 – refill bowl"} <= set(
        message.lines
    )


@pytest.mark.parametrize("step", [-3 * HOUR, 9 * 60, 400 * 86400])
def test_how_long_it_lasts_is_elapsed_time_though_the_clock_was_stepped(step: int) -> None:
    """Ten minutes after a step a heat of seventy minutes is told as one, raised, reminded and over, and not as late."""
    planner = Planner(config(), None)
    raised = planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    planner.rebased(step)
    later = NOON + step + 600
    how = replace(situation(alarm("A4", "hot", priority="urgent")), stepped=step)
    (message,) = sent(raised, later, how)
    assert "(1 h 10 min)" in message.lines[0]
    assert not any(line.startswith("Sent late") for line in message.lines)
    rows = planner.tick([alarm("A4", "hot", priority="urgent")], later + 300, CONTEXT)
    assert "(1 h 15 min)" in sent(rows, later + 300, how)[0].lines[0]
    over = event("A4", "hot", "cleared", later + 600, state="normal", since=NOON - HOUR)
    rows = planner.plan([over], [], later + 600, CONTEXT)
    assert "(1 h 20 min)" in sent(rows, later + 600, replace(how, alarms={}))[0].lines[0]


def test_of_several_hot_tubs_the_hottest_is_named_first_with_its_number_and_danger_is_called_so() -> None:
    """Who has three tubs to save at three in the morning reads which one to open first."""
    names, hot = ("A1", "A2", "A3"), (36.4, 40.9, 35.0)
    events = [event(name, "hot", value=36.0, limit=34.0) for name in names]
    alarms = [
        replace(alarm(name, "hot"), probe=one.probe, detail={"danger": 1} if name == "A2" else {})
        for name, one in zip(names, events, strict=True)
    ]
    (row,) = firsts(Planner(config(), None).plan(events, alarms, NOON, CONTEXT))
    air = {str(one.probe): (NOON, celsius, 50.0) for one, celsius in zip(events, hot, strict=True)}
    (told,) = sent([row], NOON, situation(*alarms, **air))
    assert told.title.startswith("3 tubs: dangerously hot")
    assert any(
        line.startswith("A2 since 11:00 (40.9 °C); A1 since 11:00 (36.4 °C); A3 since 11:00 (35.0 °C)")
        for line in told.lines
    )


@pytest.mark.parametrize("why", sorted(UNMEASURED_ENDS))
def test_an_end_that_nobody_measured_is_not_called_over(why: str) -> None:
    """The probe of a hot tub is taken out of the configuration: message, state and what to do say that nobody knows, and to look."""
    planner, later = Planner(config(), None), NOON + HOUR
    planner.plan([event("A4", "hot", value=35.5, limit=34.0)], [], NOON, CONTEXT)
    ended = replace(event("A4", "hot", "cleared", at=later, value=35.5, limit=34.0), why=why)
    (message,) = sent(planner.plan([ended], [], later, CONTEXT), later, situation())
    assert f"{why}, and nobody measured that it is over." in message.lines[0] + message.lines[1]
    assert not any("it is over." in line.replace("measured that it is over.", "") for line in message.lines)
    left = replace(alarm("A4", "hot"), state="returned_unacknowledged", alarm=ended.alarm)
    told = standing(left, [ended])
    assert to_do(told).startswith("nobody measured that it is over: look at the tub first; look at the snake")
    assert "over" not in state_words(told, CONTEXT.wording, later)
    assert to_do(standing(left, [replace(ended, why="")])).startswith("it is over: ")


def test_dewkeepers_own_trouble_is_told_in_its_tense() -> None:
    """While it stands it is in trouble; over and unseen it was."""
    own = replace(alarm("x", "system"), enclosure=None, probe=None)
    assert headline(standing(own)) == "dewkeeper is in trouble"
    assert headline(standing(replace(own, state="returned_unacknowledged"))) == "dewkeeper was in trouble"
