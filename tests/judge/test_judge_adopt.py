"""After an update: a judge that judged the last days anew takes over the alarms as they were stored."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.adopt import WHY
from dewkeeper.judge.types import Alarm, Command, SystemReport

DRY_MINUTES = 120


def desk_of(h: float = 50.0) -> Desk:
    """Return a desk whose tub had this humidity for two hours, too dry unless said otherwise."""
    desk = Desk(rack())
    desk.hold(DRY_MINUTES, h=h)
    return desk


def order(desk: Desk, verb: str, alarm: Alarm | None = None, minutes: int | None = None) -> None:
    """Let the keeper say something about an alarm, or about the tub."""
    until = None if minutes is None else desk.now + 60 * minutes
    about = None if alarm is None else alarm.alarm
    desk.feed(
        Command(f"{verb}{desk.now}", desk.now, verb, "marit", "because", alarm=about, enclosure="B1", until=until)
    )


def adopted(anew: Desk, *stored: Alarm, told: int | None = 1) -> Desk:
    """Return the desk of the new version with these alarms taken over, what it said before forgotten. told: so many events are stored of each."""
    anew.judge.adopt(stored, {} if told is None else {alarm.alarm: told for alarm in stored})
    anew.events.clear()
    return anew


def said(desk: Desk, minutes: int, h: float = 50.0) -> list[str]:
    """Return what happens in the minutes after."""
    return [event.event for event in desk.hold(minutes, h=h)]


def older(alarm: Alarm) -> Alarm:
    """Return the alarm under the name an older version gave it."""
    return replace(alarm, alarm=f"older/{alarm.alarm}")


def test_what_was_told_and_is_found_again_keeps_its_name_and_is_not_told_anew() -> None:
    """An update in the night wakes nobody for a tub that was told before it; when it is over, that is said under the stored name."""
    (stored,) = map(older, desk_of().judge.alarms())
    anew = adopted(desk_of(), stored)
    assert said(anew, 30) == []
    assert [(a.alarm, a.state, a.since) for a in anew.judge.alarms()] == [
        (stored.alarm, "unacknowledged", stored.since)
    ]
    anew.hold(300, h=65.0)
    assert [(event.event, event.alarm) for event in anew.events if event.event == "cleared"] == [
        ("cleared", stored.alarm)
    ]


def test_what_was_seen_stays_seen_and_comes_back_after_its_hours() -> None:
    """An acknowledgement outlives the update, and so does its end: twelve hours after it the alarm that still stands is unseen again."""
    before = desk_of()
    order(before, "acknowledge", before.judge.alarms()[0])
    anew = adopted(desk_of(), older(before.judge.alarms()[0]))
    assert said(anew, 11 * 60) == []
    assert anew.judge.alarms()[0].state == "acknowledged"
    assert said(anew, 61) == ["reminded"]


def test_what_was_shelved_stays_shelved_until_then() -> None:
    """A shelved alarm is not told by the update; at the end of its hours it is back."""
    before = desk_of()
    order(before, "shelve", before.judge.alarms()[0], minutes=300)
    anew = adopted(desk_of(), older(before.judge.alarms()[0]))
    assert anew.judge.alarms()[0].state == "shelved"
    assert said(anew, 299) == []
    assert said(anew, 2) == ["unshelved"]


def test_what_the_new_version_does_not_find_is_over_and_says_why() -> None:
    """A stored alarm never vanishes: it ends with a message that names the update."""
    (stored,) = map(older, desk_of().judge.alarms())
    anew = adopted(desk_of(h=65.0), stored)
    (event,) = anew.hold(2, h=65.0)
    assert (event.event, event.alarm, event.why) == ("cleared", stored.alarm, WHY)
    # A tub that is dry later is an alarm of its own.
    anew.hold(180, h=50.0)
    assert [(e.event, e.alarm == stored.alarm) for e in anew.events if e.event == "raised"] == [("raised", False)]


def test_what_only_the_new_version_finds_is_told() -> None:
    """A trouble that the older version did not know is told after the update, once."""
    assert said(adopted(desk_of()), 30) == ["raised"]


def test_a_heat_that_is_over_and_that_nobody_saw_waits_on() -> None:
    """Nobody saw the hot hour before the update: it stays on the list, and is gone when it is seen."""
    before = Desk(rack())
    before.hold(60)
    before.hold(3, t=36)
    before.hold(120)
    (stored,) = map(older, before.judge.alarms())
    assert stored.state == "returned_unacknowledged"
    anew = adopted(desk_of(h=65.0), stored)
    assert said(anew, 60, h=65.0) == []
    assert [(a.alarm, a.state, a.latched) for a in anew.judge.alarms()] == [
        (stored.alarm, "returned_unacknowledged", True)
    ]
    order(anew, "acknowledge", stored)
    assert anew.judge.alarms() == ()


def test_what_nobody_was_told_of_ends_untold_or_is_told_now() -> None:
    """What was withheld before the update and not found again ends without a message; found again, with nothing that withholds it, it is told."""
    before = Desk(rack())
    order(before, "suppress", minutes=180)
    before.hold(DRY_MINUTES, h=50.0)
    (stored,) = map(older, before.judge.alarms())
    assert stored.state == "suppressed"
    gone = adopted(desk_of(h=65.0), stored, told=None)
    assert said(gone, 30, h=65.0) == ["annotated"]
    assert gone.judge.alarms() == ()
    assert said(adopted(desk_of(), stored, told=None), 30) == ["raised"]


def test_what_the_new_version_withholds_stays_withheld() -> None:
    """An enclosure out of service tells nothing after an update either; back in service, what still stands is told under its stored name."""
    before, anew = Desk(rack()), Desk(rack())
    for desk in (before, anew):
        order(desk, "out_of_service", minutes=60 * 24)
        desk.hold(DRY_MINUTES, h=50.0)
    (stored,) = map(older, before.judge.alarms())
    adopted(anew, stored, told=None)
    assert said(anew, 60) == []
    assert anew.judge.alarms()[0].state == "out_of_service"
    order(anew, "in_service")
    anew.hold(2, h=50.0)
    assert [(e.event, e.alarm) for e in anew.events if e.event == "raised"] == [("raised", stored.alarm)]


def test_two_stored_of_one_condition_are_one_and_one_that_ended() -> None:
    """Two stored alarms of one tub and kind, as a mended copy may have them: one goes on, the other is said to be over."""
    (found,) = desk_of().judge.alarms()
    first, second = older(found), replace(found, alarm="oldest")
    anew = adopted(desk_of(), first, second)
    assert [(e.event, e.alarm) for e in anew.hold(2, h=50.0)] == [("cleared", "oldest")]
    assert [a.alarm for a in anew.judge.alarms() if a.state == "unacknowledged"] == [first.alarm]


def test_two_troubles_of_the_service_keep_each_their_own_name() -> None:
    """A full disk and a failed copy are two matters of one kind: after an update neither is over, and neither is told as the other."""
    before, anew = desk_of(h=65.0), desk_of(h=65.0)
    for desk in (before, anew):
        for what in ("disk space", "backup"):
            desk.feed(SystemReport(desk.now, what, True, f"the {what} is in trouble"))
    stored = {str(alarm.detail["what"]): older(alarm) for alarm in before.judge.alarms()}
    adopted(anew, *stored.values())
    assert said(anew, 30, h=65.0) == []
    assert {str(alarm.detail["what"]): alarm.alarm for alarm in anew.judge.alarms()} == {
        what: alarm.alarm for what, alarm in stored.items()
    }


def test_a_dump_after_the_take_over_goes_on_exactly() -> None:
    """What was taken over is in the judge's memory: a restart right after the update changes nothing of it."""
    before = desk_of()
    order(before, "shelve", before.judge.alarms()[0], minutes=300)
    anew = adopted(desk_of(), older(before.judge.alarms()[0]))
    again = Desk(rack())
    again.judge, again.now, again.random = type(anew.judge).load(anew.judge.dump()), anew.now, anew.random
    again.events.clear()
    assert again.judge.alarms() == anew.judge.alarms()
    assert said(again, 301) == ["unshelved"]
