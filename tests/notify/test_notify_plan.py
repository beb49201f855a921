"""From events to rows of the outbox: who is told what, when, and with whom together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.judge.types import Alarm, Event, JournalEntry, Kind, Priority, State
from dewkeeper.notify import links
from dewkeeper.notify.people import quiet_until
from dewkeeper.notify.plan import Context, Planner
from dewkeeper.store.records import Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config, Person, QuietHours

ZONE = ZoneInfo("Europe/Vienna")
NOON = int(datetime(2026, 9, 21, 12, 0, tzinfo=ZONE).timestamp())
NIGHT = int(datetime(2026, 9, 21, 23, 30, tzinfo=ZONE).timestamp())
MORNING = int(datetime(2026, 9, 22, 7, 0, tzinfo=ZONE).timestamp())
CONTEXT = Context(zone=ZONE, base_url="http://rack.local:8080", link_key=links.new_key())


def config(**more: Any) -> Config:
    """Return two racks of twelve tubs in one room, two probes on a channel of a multiplexer, and three people."""
    racks = {"left": "A", "right": "B"}
    enclosures = [{"name": f"{letter}{n}", "rack": rack} for rack, letter in racks.items() for n in range(1, 13)]
    probes = [
        {
            "name": e["name"].lower(),
            "enclosure": e["name"],
            "bus": "i2c1",
            "multiplexer": 0x70 if e["rack"] == "left" else 0x71,
        }
        for e in enclosures
    ]
    return checked(
        Config,
        {
            "site": {"timezone": "Europe/Vienna"},
            "rack": [{"name": name, "room": "snake room"} for name in racks],
            "enclosure": enclosures,
            "probe": probes,
            "channel": [
                {"kind": "webhook", "name": "phone", "url": "http://localhost/"},
                {"kind": "webhook", "name": "second", "url": "http://localhost/"},
                {"kind": "webhook", "name": "neighbour", "url": "http://localhost/"},
            ],
            "person": [
                {"name": "Marit", "channels": ["phone", "second"]},
                {"name": "Ode", "channels": ["neighbour"], "escalation": 1},
                {"name": "Sol", "channels": ["neighbour"], "sitter": True, "escalation": 2},
            ],
        }
        | more,
    )


def event(enclosure: str, kind: Kind = "dry", happening: Any = "raised", at: int = NOON, **more: Any) -> Event:
    """Return something that happened to the alarm of a tub."""
    urgent = kind in ("hot", "heat_stuck_on")
    known: dict[str, Any] = {
        "enclosure": enclosure, "probe": enclosure.lower(), "band": "tolerable", "state": "unacknowledged",
        "priority": "urgent" if urgent else "medium", "since": at - 3600,
    }  # fmt: skip
    known |= more
    return Event(
        id=f"{enclosure}/{kind}/{happening}/{at}",
        alarm=f"{enclosure}/{kind}",
        time=at,
        event=happening,
        kind=kind,
        **known,
    )


def alarm(enclosure: str, kind: Kind = "dry", state: State = "unacknowledged", priority: Priority = "medium") -> Alarm:
    """Return the standing alarm of a tub."""
    return Alarm(
        f"{enclosure}/{kind}", kind, enclosure, enclosure.lower(), "tolerable", priority, state, NOON - 3600, NOON
    )


def wait(row: Message) -> int:
    """Return when a row may go out at the earliest, 0 for at once."""
    return max(row.not_before, row.next_try)


def firsts(rows: Sequence[Message]) -> list[Message]:
    """Return the rows of first channels: one per person and thing said."""
    return [row for row in rows if row.channel != "second"]


def test_one_dry_tub_is_one_message_to_the_first_person_at_once() -> None:
    """A raised alarm goes to who is told first, over the first channel now, with the second waiting to stand in."""
    first, stand_in = Planner(config(), None).plan([event("A4")], [alarm("A4")], NOON, CONTEXT)
    assert (first.person, first.channel, first.title) == ("Marit", "phone", "A4: too dry since 11:00 – refill bowl")
    assert (first.not_before, first.next_try, first.thread, first.alarm) == (0, 0, "A4/dry", "A4/dry")
    assert (stand_in.channel, stand_in.next_try) == ("second", NOON + 180)
    assert first.facts["siblings"] == [stand_in.id]
    assert stand_in.facts["siblings"] == [first.id]


def test_the_same_event_gives_the_same_ids() -> None:
    """Ids follow from event, person and channel: planning again after a crash gives the same rows."""
    one, two = (Planner(config(), None).plan([event("A4")], [], NOON, CONTEXT) for _ in range(2))
    assert one == two


def test_the_acknowledge_link_is_genuine_and_names_the_person() -> None:
    """The link in a message verifies with the key and says whose it is."""
    row = Planner(config(), None).plan([event("A4")], [], NOON, CONTEXT)[0]
    token = str(row.facts["ack_link"]).removeprefix("http://rack.local:8080/ack/")
    assert links.verify(str(CONTEXT.link_key), token, NOON) == links.Link("A4/dry", "Marit", NOON + links.GOOD_SECONDS)


def test_the_last_journal_entries_are_quoted() -> None:
    """What the keeper did last to this tub stands in the message."""

    def journal(enclosure: str | None) -> list[JournalEntry]:
        return [JournalEntry("j", NOON - 600, enclosure, "misted")]

    row = Planner(config(), None).plan([event("A4")], [], NOON, replace(CONTEXT, journal=journal))[0]
    assert "Journal 11:50: misted" in row.lines


def test_what_the_store_refused_says_so() -> None:
    """While the store refuses, messages say that they are not recorded."""
    row = Planner(config(), None).plan([event("A4")], [], NOON, replace(CONTEXT, recorded=False))[0]
    assert any(line.startswith("Not recorded") for line in row.lines)


# Quiet hours


def test_quiet_hours_hold_what_is_not_urgent_until_they_end() -> None:
    """At half past eleven at night a dry tub waits for seven o'clock, its stand-in three minutes longer."""
    first, stand_in = Planner(config(), None).plan([event("A4", at=NIGHT)], [], NIGHT, CONTEXT)
    assert first.not_before == MORNING
    assert stand_in.next_try == MORNING + 180


def test_urgent_passes_through_quiet_hours() -> None:
    """A hot tub is told at night, with the stand-in a minute later."""
    first, stand_in = Planner(config(), None).plan([event("A4", "hot", at=NIGHT)], [], NIGHT, CONTEXT)
    assert (first.not_before, first.next_try) == (0, 0)
    assert stand_in.next_try == NIGHT + 60


@pytest.mark.parametrize(("night", "hours"), [((2026, 10, 24), 10.0), ((2026, 3, 28), 8.0), ((2026, 9, 21), 9.0)])
def test_quiet_hours_end_at_seven_whatever_the_clock_change(night: tuple[int, int, int], hours: float) -> None:
    """22:00 to 7:00 is ten hours in the night summer time ends, eight when it begins; it always ends at seven."""
    person = Person(name="Marit", channels=["phone"])
    begin = int(datetime(*night, 22, 0, tzinfo=ZONE).timestamp())
    end = quiet_until(person, begin, ZONE)
    assert end is not None
    assert (end - begin) / 3600 == hours
    assert quiet_until(person, begin - 1, ZONE) is None
    assert quiet_until(person, end - 1, ZONE) == end
    assert quiet_until(person, end, ZONE) is None


@given(st.integers(1_700_000_000, 1_900_000_000), st.times(), st.times())
def test_quiet_hours_end_in_the_future_and_outside_themselves(at: int, start: time, end: time) -> None:
    """Whatever the hours, a quiet moment ends later, within a day and an hour, at a moment that is not quiet."""
    hours = QuietHours(start=start.replace(microsecond=0), end=end.replace(microsecond=0))
    person = Person(name="Marit", channels=["phone"], quiet_hours=hours)
    until = quiet_until(person, at, ZONE)
    if until is not None and hours.start != hours.end:
        assert at < until <= at + 25 * 3600
        assert quiet_until(person, until, ZONE) is None


# Escalation, reminders, away


def test_an_unanswered_urgent_alarm_goes_to_the_next_person_after_a_quarter_of_an_hour() -> None:
    """Not a second earlier, and then to the next person, saying that nobody has seen it."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    standing = [alarm("A4", "hot", priority="urgent")]
    assert planner.tick(standing, NOON + 899, CONTEXT) == []
    (row,) = planner.tick(standing, NOON + 900, CONTEXT)
    assert (row.person, row.facts["happening"]) == ("Ode", "unanswered")
    assert row.title == "A4: too hot, unseen since 11:00 – breaker or unplug"
    assert planner.tick(standing, NOON + 901, CONTEXT) == []


def test_an_acknowledged_urgent_alarm_does_not_escalate() -> None:
    """Once somebody has seen it, nobody else is woken."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    planner.plan([event("A4", "hot", "acknowledged", NOON + 600, state="acknowledged")], [], NOON + 600, CONTEXT)
    assert planner.tick([alarm("A4", "hot", "acknowledged", "urgent")], NOON + 4000, CONTEXT) == []


def test_an_urgent_alarm_the_whole_ladder_left_is_repeated_hourly_to_all_of_it() -> None:
    """With nobody left to go to, everybody told is reminded every hour."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    standing = [alarm("A4", "hot", priority="urgent")]
    planner.tick(standing, NOON + 900, CONTEXT)
    assert planner.tick(standing, NOON + 4499, CONTEXT) == []
    rows = firsts(planner.tick(standing, NOON + 4500, CONTEXT))
    assert {(row.person, row.facts["happening"]) for row in rows} == {("Marit", "reminded"), ("Ode", "reminded")}


def test_a_standing_alarm_is_repeated_every_six_hours_until_acknowledged() -> None:
    """Reminders come at the configured pace, and stop with acknowledgement."""
    planner = Planner(config(), None)
    planner.plan([event("A4")], [], NOON, CONTEXT)
    assert planner.tick([alarm("A4")], NOON + 6 * 3600 - 1, CONTEXT) == []
    (row,) = firsts(planner.tick([alarm("A4")], NOON + 6 * 3600, CONTEXT))
    assert row.title == "A4: still too dry since 11:00 – refill bowl"
    assert planner.tick([alarm("A4", state="acknowledged")], NOON + 13 * 3600, CONTEXT) == []


def test_a_cleared_alarm_is_told_to_whom_it_was_told_and_no_further() -> None:
    """The end of an escalated alarm goes to both; an alarm nobody was told of ends silently."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    planner.tick([alarm("A4", "hot", priority="urgent")], NOON + 900, CONTEXT)
    rows = firsts(planner.plan([event("A4", "hot", "cleared", NOON + 1000, state="normal")], [], NOON + 1000, CONTEXT))
    assert {row.person for row in rows} == {"Marit", "Ode"}
    assert planner.plan([event("B1", "dry", "cleared", NOON, state="normal")], [], NOON, CONTEXT) == []


def test_away_the_sitter_is_told_first_and_the_keeper_next() -> None:
    """In away mode the sitter gets what the keeper would; unanswered urgent news goes on to the keeper."""
    planner = Planner(config(), None)
    planner.away(NOON + 7 * 86400)
    (row,) = planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    assert row.person == "Sol"
    rows = firsts(planner.tick([alarm("A4", "hot", priority="urgent")], NOON + 900, CONTEXT))
    assert [row.person for row in rows] == ["Marit"]
    planner.away(None)
    assert {row.person for row in planner.plan([event("B1")], [], NOON, CONTEXT)} == {"Marit"}


def test_away_mode_ends_by_itself() -> None:
    """After its end the keeper is told again."""
    planner = Planner(config(), None)
    planner.away(NOON - 1)
    assert {row.person for row in planner.plan([event("A4")], [], NOON, CONTEXT)} == {"Marit"}


@pytest.mark.parametrize("state", ["shelved", "suppressed", "out_of_service"])
def test_what_is_shelved_or_suppressed_is_not_told(state: State) -> None:
    """Alarms that are silent by decision or design make no message."""
    assert Planner(config(), None).plan([event("A4", state=state)], [], NOON, CONTEXT) == []


def test_news_of_a_broken_channel_goes_over_the_other() -> None:
    """A system alarm about a channel avoids that channel."""
    report = event("A4", "system", band=None, detail={"what": "channel phone", "text": "535 no"})
    report = replace(report, enclosure=None, probe=None)
    (row,) = Planner(config(), None).plan([report], [], NOON, CONTEXT)
    assert row.channel == "second"
    assert row.title == "dewkeeper: trouble with channel phone since 11:00 – see page"
    assert "Detail: 535 no." in row.lines


# What is added to an alarm later


def test_a_probe_found_faulty_while_its_alarm_stands_is_said_without_taking_the_alarm_back() -> None:
    """Who was told of the heat hears that the probe is in doubt, and is asked to look; at night it waits, for it was told."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot", at=NIGHT)], [], NIGHT, CONTEXT)
    doubt = [event("A4", "hot", "annotated", NIGHT + 60), event("A4", "missing", at=NIGHT + 60, band=None)]
    row = firsts(planner.plan(doubt, [], NIGHT + 60, CONTEXT))[0]
    assert row.title == "A4: maybe too hot since 22:30 – look yourself"
    assert "no reading" in row.lines[0]
    assert "the alarm stands" in row.lines[0]
    assert (row.thread, row.priority, row.not_before) == ("A4/hot", "medium", MORNING)
    assert (
        planner.tick([alarm("A4", "hot", priority="urgent")], NIGHT + 900, CONTEXT) != []
    )  # it goes on to the next person


def test_other_additions_to_an_alarm_are_for_the_record_only() -> None:
    """Back inside tolerable but still outside target, or settings that were changed: nobody is told."""
    planner = Planner(config(), None)
    planner.plan([event("A4")], [], NOON, CONTEXT)
    eased = event("A4", "dry", "annotated", NOON + 600, band="target")
    changed = replace(event("A4", "system", "annotated", NOON + 600, band=None), state="normal", priority="low")
    assert planner.plan([eased, changed], [], NOON + 600, CONTEXT) == []


# Budget and memory


def test_more_than_the_budget_is_said_once_and_nothing_is_withheld() -> None:
    """The first message beyond the day's number brings a notice; all of them are planned."""
    people = [{"name": "Marit", "channels": ["phone"], "daily_budget": 3}]
    planner = Planner(config(person=people), None)
    rows: list[Message] = []
    for n in range(1, 7):
        at = NOON + n * 1000
        rows += planner.plan([event(f"A{n}", at=at)], [], at, CONTEXT)
    assert len([row for row in rows if row.kind == "dry"]) == 6
    (notice,) = [row for row in rows if row.kind == "budget"]
    assert notice.created == NOON + 4000
    assert len(notice.title) <= 60
    rows = planner.plan([event("A9", at=NOON + 86400)], [], NOON + 86400, CONTEXT)
    assert [row.kind for row in rows] == ["dry"]


def test_a_restart_neither_repeats_nor_forgets() -> None:
    """With the stored state a new planner escalates, reminds and groups as the old one would have."""
    events = [event("A4", "hot"), event("A1"), event("A2")]
    old = Planner(config(), None)
    old.plan(events, [], NOON, CONTEXT)
    state = old.state()
    assert state is not None
    assert old.state() is None
    new = Planner(config(), state)
    assert new.state() is None
    standing = [alarm("A4", "hot", priority="urgent"), alarm("A1"), alarm("A2")]
    later = [event("A3", at=NOON + 300)]
    assert new.plan(later, standing, NOON + 300, CONTEXT) == old.plan(later, standing, NOON + 300, CONTEXT)
    assert new.tick(standing, NOON + 900, CONTEXT) == old.tick(standing, NOON + 900, CONTEXT)
    assert new.tick(standing, NOON + 6 * 3600, CONTEXT) == old.tick(standing, NOON + 6 * 3600, CONTEXT)


def test_state_of_another_version_is_set_aside() -> None:
    """State this version does not know is not believed; the planner starts empty."""
    planner = Planner(config(), '{"version": 99}')
    assert planner.plan([event("A4")], [], NOON, CONTEXT) != []


def test_a_power_cut_is_one_message_though_a_heavy_tub_cools_later() -> None:
    """Five tubs of a room whose heat stopped together are one message with one cause; a sixth an hour later joins its thread."""
    planner = Planner(config(), None)
    common: dict[str, Any] = {
        "cause": "several stopped together: the mains, a breaker, or a plug or thermostat they share"
    }
    names = [f"A{n}" for n in range(1, 6)]
    rows = planner.plan(
        [event(name, "heat_lost", detail={"common": "snake room"}, **common) for name in names],
        [alarm(name, "heat_lost") for name in names], NOON, CONTEXT,
    )  # fmt: skip
    (first,) = firsts(rows)
    assert "rack left (5): heater stopped" in first.title
    assert "mains" in " ".join(first.lines)
    later = planner.plan(
        [event("A6", "heat_lost", at=NOON + 3600, detail={"common": "snake room"}, **common)],
        [alarm(name, "heat_lost") for name in [*names, "A6"]], NOON + 3600, CONTEXT,
    )  # fmt: skip
    assert {row.thread for row in firsts(later)} == {first.thread}
