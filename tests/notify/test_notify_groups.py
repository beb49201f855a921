"""What is told together: a room's tubs, a branch's probes, and what must not wait for that."""

from __future__ import annotations

from dataclasses import replace

from tests.notify.test_notify_plan import CONTEXT, NOON, alarm, config, event, firsts, wait

from dewkeeper.notify.plan import Planner
from dewkeeper.store.records import Message


def test_two_tubs_are_two_messages_the_second_a_little_later() -> None:
    """The first at once; the second waits to see whether it is a whole room, and is then told by itself."""
    planner = Planner(config(), None)
    first = firsts(planner.plan([event("A1")], [], NOON, CONTEXT))
    second = firsts(planner.plan([event("A2")], [], NOON + 60, CONTEXT))
    assert [wait(row) for row in first + second] == [0, NOON + 900]
    assert first[0].facts["group"] == second[0].facts["group"]


def test_a_whole_room_in_ten_minutes_is_one_message_after_the_first() -> None:
    """Twenty-two tubs one after the other: the first at once, all others wait for one moment under one group."""
    planner = Planner(config(), None)
    names = [f"A{n}" for n in range(1, 12)] + [f"B{n}" for n in range(1, 12)]
    rows: list[Message] = []
    for place, name in enumerate(names):
        rows += firsts(planner.plan([event(name, at=NOON + place * 27)], [], NOON + place * 27, CONTEXT))
    assert [wait(row) for row in rows] == [0] + [NOON + 900] * 21  # and no word of too many messages
    assert len({row.facts["group"] for row in rows}) == 1


def test_three_tubs_in_one_cycle_are_one_message_at_once() -> None:
    """What the judge raises together from three on is told together, with every member named."""
    (row,) = firsts(Planner(config(), None).plan([event(f"A{n}") for n in (1, 2, 3)], [], NOON, CONTEXT))
    assert row.title == "3 tubs in rack left: too dry since 11:00 – treat the room"
    assert wait(row) == 0
    assert [member["name"] for member in row.facts["members"]] == ["A1", "A2", "A3"]
    assert "A1 since 11:00; A2 since 11:00; A3 since 11:00." in row.lines


def test_members_of_two_racks_are_named_by_their_room() -> None:
    """A group over both racks is the room's."""
    events = [event("A1"), event("B1"), event("B2")]
    (row,) = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert row.title.startswith("3 tubs in snake room: too dry")


def test_directions_are_not_mixed() -> None:
    """Dry and damp tubs are different news."""
    events = [event("A1"), event("A2", "damp"), event("A3"), event("A4", "damp")]
    rows = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert [row.kind for row in rows if wait(row) == 0] == ["dry", "damp"]


def test_urgent_members_are_not_held() -> None:
    """Heat is told tub by tub at once until the third, which names all; later ones join within two minutes."""
    planner = Planner(config(), None)
    rows = []
    for place in range(5):
        at = NOON + 60 * place
        rows.append(firsts(planner.plan([event(f"A{place + 1}", "hot", at=at)], [], at, CONTEXT))[0])
    assert [wait(row) for row in rows] == [0, 0, 0, NOON + 180 + 120, NOON + 240 + 120]
    assert rows[2].title == "3 tubs in rack left: too hot since 11:00 – cool the room"


def test_a_tub_long_after_the_others_is_news_of_its_own() -> None:
    """After fifteen minutes without a new member a group is closed."""
    planner = Planner(config(), None)
    for name in ("A1", "A2", "A3"):
        planner.plan([event(name)], [], NOON, CONTEXT)
    (row,) = firsts(planner.plan([event("A4", at=NOON + 901)], [], NOON + 901, CONTEXT))
    assert wait(row) == 0


def test_probes_of_one_branch_that_fall_silent_together_are_one_message() -> None:
    """A dead multiplexer is one piece of news, and its cable comes after the tubs nobody watches."""
    events = [event(f"A{n}", "missing", band=None) for n in range(1, 9)]
    (row,) = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert row.title == "8 tubs in rack left: probe silent since 11:00 – look at tubs"


def test_faults_of_different_branches_are_different_messages() -> None:
    """Two single probes on two multiplexers have nothing in common."""
    events = [event("A1", "missing", band=None), event("B1", "missing", band=None)]
    rows = firsts(Planner(config(), None).plan(events, [], NOON, CONTEXT))
    assert [wait(row) for row in rows] == [0, 0]


def test_a_group_that_is_over_is_told_together() -> None:
    """The ends of a group wait for each other a quarter of an hour and share one group."""
    planner = Planner(config(), None)
    planner.plan([event(f"A{n}") for n in (1, 2, 3)], [], NOON, CONTEXT)
    rows = []
    for n in (1, 2, 3):
        at = NOON + 7200 + 60 * n
        rows += firsts(planner.plan([event(f"A{n}", "dry", "cleared", at, state="normal")], [], at, CONTEXT))
    assert {wait(row) for row in rows} == {NOON + 7260 + 900}
    assert len({row.facts["group"] for row in rows}) == 1


def test_what_was_told_together_is_repeated_and_passed_on_together() -> None:
    """Twenty-two dry tubs are one reminder; three unanswered hot ones are one message to the next person."""
    planner = Planner(config(), None)
    names = [f"A{n}" for n in range(1, 12)] + [f"B{n}" for n in range(1, 12)]
    for place, name in enumerate(names):
        planner.plan([event(name, at=NOON + place * 27)], [], NOON + place * 27, CONTEXT)
    standing = [alarm(name) for name in names]
    assert planner.tick(standing, NOON + 6 * 3600 - 1, CONTEXT) == []
    (row,) = firsts(planner.tick(standing, NOON + 6 * 3600, CONTEXT))
    assert row.title == "snake room (22): still too dry since 11:00 – treat the room"
    assert len(row.facts["alarms"]) == 22
    assert planner.tick(standing, NOON + 6 * 3600 + 900, CONTEXT) == []

    planner = Planner(config(), None)
    planner.plan([event(f"A{n}", "hot") for n in (1, 2, 3)], [], NOON, CONTEXT)
    hot = [alarm(f"A{n}", "hot", priority="urgent") for n in (1, 2, 3)]
    (row,) = planner.tick(hot, NOON + 900, CONTEXT)
    assert (row.person, row.title) == ("Ode", "3 tubs: too hot, unseen since 11:00 – cool the room")
    assert planner.tick(hot, NOON + 901, CONTEXT) == []


def test_one_of_a_group_that_was_acknowledged_is_not_repeated_with_it() -> None:
    """Of three, the one somebody has seen is left out of the reminder."""
    planner = Planner(config(), None)
    planner.plan([event(f"A{n}") for n in (1, 2, 3)], [], NOON, CONTEXT)
    standing = [alarm("A1"), alarm("A2", state="acknowledged"), alarm("A3")]
    (row,) = firsts(planner.tick(standing, NOON + 6 * 3600, CONTEXT))
    assert [member["name"] for member in row.facts["members"]] == ["A1", "A3"]


def test_a_tub_whose_alarm_comes_again_is_one_tub() -> None:
    """A1 dries, recovers and dries again beside A2: that is no group of three. With A3 it is one, and A1 stands in it once."""
    planner = Planner(config(), None)
    planner.plan([event("A1")], [], NOON, CONTEXT)
    planner.plan([event("A1", happening="cleared", at=NOON + 60, state="normal")], [], NOON + 60, CONTEXT)
    again = replace(event("A1", at=NOON + 120), alarm="A1/dry/again")
    rows = firsts(planner.plan([again, event("A2", at=NOON + 120)], [], NOON + 120, CONTEXT))
    assert [len(row.facts.get("members", ())) for row in rows] == [0, 0]
    (row,) = firsts(planner.plan([event("A3", at=NOON + 180)], [], NOON + 180, CONTEXT))
    assert wait(row) > 0
    (whole,) = firsts(planner.plan([event(f"A{n}", at=NOON + 240) for n in (4, 5)], [], NOON + 240, CONTEXT))
    alarms = {member["event"]: str(member["name"]) for member in whole.facts["members"]}
    assert sorted(alarms.values()) == ["A4", "A5"]


def test_two_silent_probes_of_one_tub_are_one_tub() -> None:
    """Of four probes on one branch two are A1's: what is told counts and names three tubs."""
    events = [event(f"A{n}", "missing", band=None) for n in (1, 2, 3)]
    beside = replace(event("A1", "missing", band=None), id="beside", alarm="a1 back/missing", probe="a1")
    (row,) = firsts(Planner(config(), None).plan([*events, beside], [], NOON, CONTEXT))
    assert row.title.startswith("3 tubs in rack left: probe silent")
    assert "A1 since 11:00; A2 since 11:00; A3 since 11:00." in row.lines
    assert len(row.facts["alarms"]) == 4
    rows = firsts(Planner(config(), None).plan([events[0], beside], [], NOON, CONTEXT))
    assert [row.title.split(":")[0] for row in rows] == ["A1", "A1"]
