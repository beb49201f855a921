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
        {"name": e["name"].lower(), "enclosure": e["name"], "bus": "i2c1", "multiplexer": 0x70 if e["rack"] == "left" else 0x71}
        for e in enclosures
    ]
    return Config.model_validate(
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
        | more
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
        id=f"{enclosure}/{kind}/{happening}/{at}", alarm=f"{enclosure}/{kind}", time=at, event=happening, kind=kind, **known
    )


def alarm(enclosure: str, kind: Kind = "dry", state: State = "unacknowledged", priority: Priority = "medium") -> Alarm:
    """Return the standing alarm of a tub."""
    return Alarm(
        f"{enclosure}/{kind}", kind, enclosure, enclosure.lower(), "tolerable", priority, state, NOON - 3600, NOON
    )


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


@pytest.mark.parametrize(
    ("night", "hours"), [((2026, 10, 24), 10.0), ((2026, 3, 28), 8.0), ((2026, 9, 21), 9.0)]
)
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
    """Not a second earlier, and then to the next person, saying that nobody has acknowledged it."""
    planner = Planner(config(), None)
    planner.plan([event("A4", "hot")], [], NOON, CONTEXT)
    standing = [alarm("A4", "hot", priority="urgent")]
    assert planner.tick(standing, NOON + 899, CONTEXT) == []
    (row,) = planner.tick(standing, NOON + 900, CONTEXT)
    assert (row.person, row.facts["happening"]) == ("Ode", "unanswered")
    assert row.title == "A4: unseen, too hot since 11:00 – heat off at plug"
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
    assert row.title == "A4: maybe too hot since 22:31 – look yourself"
    assert "no reading" in row.lines[0]
    assert "the alarm stands" in row.lines[0]
    assert (row.thread, row.priority, row.not_before) == ("A4/hot", "medium", MORNING)
    assert planner.tick([alarm("A4", "hot", priority="urgent")], NIGHT + 900, CONTEXT) != []  # it goes on to the next person


def test_other_additions_to_an_alarm_are_for_the_record_only() -> None:
    """Back inside tolerable but still outside target, or settings that were changed: nobody is told."""
    planner = Planner(config(), None)
    planner.plan([event("A4")], [], NOON, CONTEXT)
    eased = event("A4", "dry", "annotated", NOON + 600, band="target")
    changed = replace(event("A4", "system", "annotated", NOON + 600, band=None), state="normal", priority="low")
    assert planner.plan([eased, changed], [], NOON + 600, CONTEXT) == []


# Groups


def test_two_tubs_are_two_messages_the_second_a_little_later() -> None:
    """The first at once; the second waits to see whether it is a whole room, and is then told by itself."""
    planner = Planner(config(), None)
    first = firsts(planner.plan([event("A1")], [], NOON, CONTEXT))
    second = firsts(planner.plan([event("A2")], [], NOON + 60, CONTEXT))
    assert [row.not_before for row in first + second] == [0, NOON + 900]
    assert first[0].facts["group"] == second[0].facts["group"]


def test_a_whole_room_in_ten_minutes_is_one_message_after_the_first() -> None:
    """Twenty-two tubs one after the other: the first at once, all others wait for one moment under one group."""
    planner = Planner(config(), None)
    names = [f"A{n}" for n in range(1, 12)] + [f"B{n}" for n in range(1, 12)]
    rows: list[Message] = []
    for place, name in enumerate(names):
        rows += firsts(planner.plan([event(name, at=NOON + place * 27)], [], NOON + place * 27, CONTEXT))
    assert [row.not_before for row in rows] == [0] + [NOON + 900] * 21  # and no word of too many messages
    assert len({row.facts["group"] for row in rows}) == 1


def test_three_tubs_in_one_cycle_are_one_message_at_once() -> None:
    """What the judge raises together from three on is told together, with every member named."""
    (row,) = firsts(Planner(config(), None).plan([event(f"A{n}") for n in (1, 2, 3)], [], NOON, CONTEXT))
    assert row.title == "3 in left: too dry since 11:00 – treat the room, no tub"
    assert row.not_before == 0
    assert [member["name"] for member in row.facts["members"]] == ["A1", "A2", "A3"]
    assert "A1 since 11:00; A2 since 11:00; A3 since 11:00." in row.lines


def test_members_of_two_racks_are_named_by_their_room() -> None:
    """A group over both racks is the room's."""
    events = [event("A1"), event("B1"), event("B2")]
    (row,) = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert row.title.startswith("3 in snake room: too dry")


def test_directions_are_not_mixed() -> None:
    """Dry and damp tubs are different news."""
    events = [event("A1"), event("A2", "damp"), event("A3"), event("A4", "damp")]
    rows = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert [row.kind for row in rows if row.not_before == 0] == ["dry", "damp"]


def test_urgent_members_are_not_held() -> None:
    """Heat is told tub by tub at once until the third, which names all; later ones join within two minutes."""
    planner = Planner(config(), None)
    rows = []
    for place in range(5):
        at = NOON + 60 * place
        rows.append(firsts(planner.plan([event(f"A{place + 1}", "hot", at=at)], [], at, CONTEXT))[0])
    assert [row.not_before for row in rows] == [0, 0, 0, NOON + 180 + 120, NOON + 240 + 120]
    assert rows[2].title == "3 in left: too hot since 11:00 – cool the room now"


def test_a_tub_long_after_the_others_is_news_of_its_own() -> None:
    """After fifteen minutes without a new member a group is closed."""
    planner = Planner(config(), None)
    for name in ("A1", "A2", "A3"):
        planner.plan([event(name)], [], NOON, CONTEXT)
    (row,) = firsts(planner.plan([event("A4", at=NOON + 901)], [], NOON + 901, CONTEXT))
    assert row.not_before == 0


def test_probes_of_one_branch_that_fall_silent_together_are_one_message() -> None:
    """A dead multiplexer is one piece of news, and the thing to check is its cable."""
    events = [event(f"A{n}", "missing", band=None) for n in range(1, 9)]
    (row,) = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert row.title == "8 in left: probe silent since 11:00 – check the cable"


def test_faults_of_different_branches_are_different_messages() -> None:
    """Two single probes on two multiplexers have nothing in common."""
    events = [event("A1", "missing", band=None), event("B1", "missing", band=None)]
    rows = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert [row.not_before for row in rows] == [0, 0]


def test_a_group_that_is_over_is_told_together() -> None:
    """The ends of a group wait for each other a quarter of an hour and share one group."""
    planner = Planner(config(), None)
    planner.plan([event(f"A{n}") for n in (1, 2, 3)], [], NOON, CONTEXT)
    rows = []
    for n in (1, 2, 3):
        at = NOON + 7200 + 60 * n
        rows += firsts(planner.plan([event(f"A{n}", "dry", "cleared", at, state="normal")], [], at, CONTEXT))
    assert {row.not_before for row in rows} == {NOON + 7260 + 900}
    assert len({row.facts["group"] for row in rows}) == 1


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
