"""A stage goes with the animal, and what belongs to a place stays; the limits follow."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.judge_desk import START, Desk, rack

from dewkeeper.judge.stages import Holding, band_of, holding, limits_under, stage_deed
from dewkeeper.judge.types import Event, JournalEntry
from dewkeeper_config.models import Limits

DAY = 86400
WIDE = {name: Limits() for name in ("gravid", "hatchling", "quarantine", "egg_box")}


def _desk() -> Desk:
    settings = rack(("B1", "B2", "B3"))
    return Desk(replace(settings, stage_limits={**settings.stage_limits, **WIDE}))


def _note(
    desk: Desk, enclosure: str, what: str, detail: str = "", *, until: int | None = None, minutes_ago: int = 0
) -> list[Event]:
    desk.now += 60
    at = desk.now - 60 * minutes_ago
    return desk.feed(JournalEntry(f"{enclosure}{what}{desk.now}", at, enclosure, what, detail, until=until))


def _stages(events: list[Event]) -> dict[str, str]:
    return {e.enclosure or "": e.why.removeprefix("stage ") for e in events if e.why.startswith("stage ")}


def test_animals_exchanged_between_tubs_take_their_stages_along() -> None:
    """Cinder is opaque, Ash is gravid; each moves into the other's tub: the stages change places, and so do the limits."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B2", "moved_in", "Ash")
    _note(desk, "B2", "gravid")
    _note(desk, "B1", "opaque")
    events = _note(desk, "B2", "moved_in", "cinder, after the weekend")
    assert _stages(events) == {"B1": "opaque -> usual", "B2": "gravid -> opaque"}
    events = _note(desk, "B1", "moved_in", "Ash")
    assert _stages(events) == {"B1": "usual -> gravid"}
    desk.hold(90, h=58.0, probe="p2")  # beyond the opaque animal's 60 %, not beyond the usual 55 %
    assert ("dry", "raised", "tolerable") in desk.told("dry")
    assert next(e for e in desk.events if e.kind == "dry").enclosure == "B2"


def test_a_stage_ends_when_it_would_have_wherever_the_animal_is_by_then() -> None:
    """Opaque until Thursday and moved on Tuesday: it ends on Thursday, in the new tub."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "opaque", until=START + 4 * DAY)
    _note(desk, "B3", "moved_in", "Cinder")
    desk.now = START + 4 * DAY
    assert _stages(_note(desk, "B2", "note")) == {"B3": "opaque -> usual"}


def test_what_is_shed_in_the_new_tub_ends_what_began_in_the_old_one() -> None:
    """`shed` noted where the animal lives now ends its `opaque`."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "opaque")
    _note(desk, "B3", "moved_in", "Cinder")
    assert _stages(_note(desk, "B3", "shed", "in one piece")) == {"B3": "opaque -> usual"}


def test_quarantine_and_eggs_stay_with_the_place() -> None:
    """The quarantine tub stays one when its animal leaves, until it is said to be over; the rack is not in quarantine."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "quarantine")
    assert _stages(_note(desk, "B2", "moved_in", "Cinder")) == {}
    assert _stages(_note(desk, "B1", "quarantine_over")) == {"B1": "quarantine -> usual"}


def test_quarantine_never_ends_by_itself_and_eggs_in_it_leave_it_behind() -> None:
    """Its clock may begin anew and somebody decides when it is over: months after the day that was named it holds, under a clutch too."""
    desk = _desk()
    _note(desk, "B1", "quarantine", until=START + 30 * DAY)
    assert _stages(_note(desk, "B1", "eggs")) == {"B1": "quarantine -> egg_box"}
    assert _stages(_note(desk, "B1", "hatched")) == {"B1": "egg_box -> quarantine"}
    for days in (31, 200, 600):
        desk.now = START + days * DAY
        assert _stages(_note(desk, "B2", "gravid", until=desk.now + DAY)) in ({}, {"B2": "usual -> gravid"})
        desk.now += 2 * DAY
        assert _stages(_note(desk, "B2", "note")) == {"B2": "gravid -> usual"}
    assert _stages(_note(desk, "B1", "quarantine_over")) == {"B1": "quarantine -> usual"}


def test_an_opaque_animal_in_a_quarantine_tub_leaves_the_quarantine_behind_when_it_has_shed() -> None:
    """Two stages in one tub: the later one's limits hold, and when it is over those of the other."""
    desk = _desk()
    _note(desk, "B1", "quarantine")
    _note(desk, "B1", "opaque")
    assert _stages(_note(desk, "B1", "shed")) == {"B1": "opaque -> quarantine"}


def test_a_stage_of_an_animal_without_a_name_is_over_when_it_moves_out() -> None:
    """Nobody was ever named in the tub: moved out, its stage has left; named for the first time, it is that animal's."""
    desk = _desk()
    _note(desk, "B1", "opaque")
    assert _stages(_note(desk, "B1", "moved_out")) == {"B1": "opaque -> usual"}
    _note(desk, "B2", "opaque")
    _note(desk, "B2", "moved_out", "Ash")
    assert _stages(_note(desk, "B3", "moved_in", "Ash")) == {"B3": "usual -> opaque"}


def test_of_two_animals_in_one_enclosure_the_named_one_takes_its_stage_along() -> None:
    """Entries begin with the animal's name: only Cinder is opaque, and only Ash leaves."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "moved_in", "Ash")
    _note(desk, "B1", "opaque", "Cinder, since the morning")
    assert _stages(_note(desk, "B2", "moved_in", "Ash")) == {}
    assert _stages(_note(desk, "B2", "moved_in", "Cinder")) == {"B1": "opaque -> usual", "B2": "usual -> opaque"}


def test_an_entry_is_about_an_animal_only_by_its_whole_name() -> None:
    """Ana is not opaque because Anaconda is."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Ana")
    _note(desk, "B1", "moved_in", "Anaconda")
    _note(desk, "B1", "opaque", "Anaconda since the morning")
    assert _stages(_note(desk, "B2", "moved_in", "Anaconda")) == {"B1": "opaque -> usual", "B2": "usual -> opaque"}


def test_a_move_that_is_corrected_takes_the_stage_back() -> None:
    """Moved in by mistake and corrected to a note: the stage is where it was."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "opaque")
    _note(desk, "B2", "moved_in", "Cinder")
    wrong = f"B2moved_in{desk.now}"
    desk.now += 60
    events = desk.feed(JournalEntry("fix", desk.now, "B2", "note", replaces=wrong))
    assert _stages(events) == {"B1": "usual -> opaque", "B2": "opaque -> usual"}


def test_a_stage_written_down_with_a_past_date_holds_for_its_time() -> None:
    """Opaque since ten days, written down today: it holds four days more, as if it had been noted then."""
    desk = _desk()
    desk.now = START + 10 * DAY
    entry = JournalEntry("o", START + 60, "B1", "opaque", entered=desk.now)
    assert _stages(desk.feed(entry)) == {"B1": "usual -> opaque"}
    assert holding([stage_deed(entry)], START + 13 * DAY) == {"B1": Holding("opaque", START + 60 + 14 * DAY)}
    desk.now = START + 15 * DAY
    assert _stages(_note(desk, "B2", "note")) == {"B1": "opaque -> usual"}


def test_stages_survive_a_dump() -> None:
    """After a restart the animal still takes its stage along."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "opaque")
    desk.judge = type(desk.judge).load(desk.judge.dump())
    assert _stages(_note(desk, "B2", "moved_in", "Cinder")) == {"B1": "opaque -> usual", "B2": "usual -> opaque"}


def test_a_timed_band_holds_beside_the_stage_and_ends_by_itself() -> None:
    """65-80 % for four days in a tub with an opaque snake: 63 % is too dry, then the stage's 60 % holds again, and is still the stage's."""
    desk = _desk()
    _note(desk, "B1", "opaque")
    events = _note(desk, "B1", "limits_for_a_time", "65-80 %, for the shed", until=START + 4 * DAY)
    assert [e.why for e in events] == ["limits for a time usual -> 65-80"]
    desk.hold(90, h=63.0)
    assert ("dry", "raised", "tolerable") in desk.told("dry")
    desk.now = START + 4 * DAY
    ended = _note(desk, "B2", "note")
    assert [e.why for e in ended if e.kind == "system"] == ["limits for a time 65-80 -> usual"]
    assert _stages(_note(desk, "B1", "stage_over")) == {"B1": "opaque -> usual"}


def test_a_timed_band_is_ended_or_replaced_by_what_is_written_later() -> None:
    """A second band takes the first one's place; its end leaves nothing; taken back it never was, and the animal leaves it behind."""
    desk = _desk()
    _note(desk, "B1", "moved_in", "Cinder")
    _note(desk, "B1", "limits_for_a_time", "65-80")
    first = f"B1limits_for_a_time{desk.now}"
    assert [e.why for e in _note(desk, "B1", "limits_for_a_time", "70-85")] == ["limits for a time 65-80 -> 70-85"]
    assert _note(desk, "B2", "moved_in", "Cinder") == []
    assert [e.why for e in _note(desk, "B1", "limits_over")] == ["limits for a time 70-85 -> usual"]
    desk.now += 60
    assert desk.feed(JournalEntry("w", desk.now, "B1", "withdrawn", replaces=first)) == []


def test_what_is_no_band_changes_nothing() -> None:
    """Too narrow, the wrong way round, beyond 100, or words: what a file brings in is kept as text and judged by the usual limits."""
    desk = _desk()
    for text in ("65", "80-65", "64-66", "60-101", "dry please", "", "6-5-80"):
        assert _note(desk, "B1", "limits_for_a_time", text) == [], text
        assert band_of(text) is None
    assert band_of(" 65–80 %, for the shed") == (65, 80)


def test_the_target_stays_inside_a_timed_band() -> None:
    """Of the usual target what lies inside is kept; where nothing does, the whole band is the target. Temperatures are left alone."""
    usual = Limits()
    for band, target in (("65-80", (65, 70)), ("50-90", (60, 70)), ("75-90", (75, 90)), ("", (60, 70))):
        limits = limits_under(usual, {}, "", band)
        assert (limits.humidity_target.low, limits.humidity_target.high) == target
        assert limits.temperature_tolerable == usual.temperature_tolerable
