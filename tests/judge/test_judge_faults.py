"""Probe faults: named in time, never as dry, and told apart from what the keeper does."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from tests.judge.judge_desk import START, Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper.judge.types import Command, JournalEntry, Reading

ROOM = ("air", 22.0, 45.0)


def _raised(desk: Desk) -> list[str]:
    return [e.kind for e in desk.events if e.event == "raised"]


def test_a_silent_probe_is_told_within_ten_minutes(desk: Desk) -> None:
    """`missing` comes within ten minutes of the last reading and ends once readings have been back for five."""
    desk.hold(60)
    gone = desk.now
    desk.hold(12, h=None)
    assert [(e.kind, e.event) for e in desk.events] == [("missing", "raised")]
    assert desk.events[0].time - gone <= 600
    desk.hold(8)
    assert desk.told()[-1] == ("missing", "cleared", None)


def test_a_third_of_polls_lost_is_no_fault(desk: Desk) -> None:
    """35 % of polls lost at random for a day raises nothing."""
    desk.hold(1440, h=lambda _: None if desk.random.random() < 0.35 else 65.0)
    assert desk.told() == []


def test_garbled_readings_are_crc_not_missing(desk: Desk) -> None:
    """A probe that answers with bad checksums is named `crc` within ten minutes."""
    desk.hold(30)
    for _ in range(10):
        desk.now += 60
        desk.feed(Reading(desk.now, "p1", None, None, failure="crc"))
    assert _raised(desk) == ["crc"]


def test_a_dead_word_that_stays_is_gross_range(desk: Desk) -> None:
    """0 %RH for half an hour is named `gross_range`, never `dry`, and the enclosure is unwatched."""
    desk.hold(60)
    desk.hold(120, h=0.0, noise=0.0)
    assert _raised(desk) == ["gross_range"]
    assert desk.judge.unwatched()["B1"][0] == "gross_range"


@pytest.mark.parametrize(("t", "h"), [(29.0, 0.0), (29.0, 100.0), (-45.0, 65.0), (130.0, 65.0), (130.0, 0.0)])
def test_rubbish_in_every_tenth_poll_is_gross_range(desk: Desk, t: float, h: float) -> None:
    """One word in ten is rubbish, at random, for six hours: `gross_range` within two, once, and no excursion."""
    desk.hold(60)
    first = desk.now
    for _ in range(360):
        rubbish = desk.random.random() < 0.1
        desk.hold(1, t=t if rubbish else 29.0, h=h if rubbish else 65.0, noise=0.0 if rubbish else 0.03)
    assert desk.told() == [("gross_range", "raised", None)]
    assert desk.events[0].time - first <= 7200
    desk.hold(90)
    assert desk.told()[-1] == ("gross_range", "cleared", None)


def test_between_rare_rubbish_the_good_words_count(desk: Desk) -> None:
    """Every tenth word is rubbish and named; heat and dryness in the nine between are told as ever."""
    desk.hold(60)
    desk.hold(120, h=lambda m: 0.0 if m % 10 == 0 else 65.0)
    assert _raised(desk) == ["gross_range"]
    assert "B1" not in desk.judge.unwatched()
    desk.hold(3, t=36.0)
    assert _raised(desk) == ["gross_range", "hot"]
    desk.hold(80, h=lambda m: 0.0 if m % 10 == 0 else 50.0)
    assert _raised(desk) == ["gross_range", "hot", "dry"]


def test_a_rubbish_word_now_and_then_is_no_fault(desk: Desk) -> None:
    """One in two hours for two days, now of this kind, now of that, names nothing."""
    words = [(29.0, 0.0), (29.0, 100.0), (-45.0, 65.0), (130.0, 65.0)]
    for n in range(24):
        desk.hold(119)
        desk.hold(1, *words[n % 4], noise=0.0)
    assert desk.events == []


def test_ten_equal_words_are_a_flat_line_and_are_excluded_late(desk: Desk) -> None:
    """Ten identical pairs of raw words are a stuck probe; readings since the first of them are excluded."""
    desk.hold(60)
    first = desk.now + 60
    for _ in range(10):
        desk.now += 60
        desk.feed(Reading(desk.now, "p1", 29.0, 50.0, 27000, 32768))
    assert _raised(desk) == ["flat_line"]
    assert [(x.probe, x.since) for x in desk.exclusions] == [("p1", first)]
    desk.hold(0)
    desk.now += 60
    desk.feed(Reading(desk.now, "p1", 29.0, 50.0, 27000, 32768))
    assert desk.quality[-1].flag == 4


def test_rounded_still_air_is_not_stuck(desk: Desk) -> None:
    """Data rounded to whole numbers that repeat for 50 minutes are honest; after an hour they are a flat line."""
    desk.hold(51, t=29.0, h=65.0, noise=0.0)
    desk.hold(30, h=66.0, noise=0.0)
    assert desk.told() == []
    desk.hold(62, h=65.0, noise=0.0)
    assert _raised(desk) == ["flat_line"]


def test_a_wet_probe_is_saturated_within_the_hour(desk: Desk) -> None:
    """Pinned at 100 % it is named `saturated` within an hour, and never `damp`; its temperature still counts."""
    desk.hold(120)
    desk.hold(5, h=lambda m: 70 + 6 * m)
    desk.hold(240, h=99.9)
    assert _raised(desk) == ["saturated"]
    desk.hold(5, t=36.0, h=99.9)
    assert _raised(desk) == ["saturated", "hot"]


def test_its_own_heater_is_seen_by_flag_and_by_its_signature() -> None:
    """The status bit names `sensor_heater` at once; without it a step of 3 °C at equal vapour does, and heat is told all the same."""
    flagged = Desk(rack())
    flagged.hold(30)
    flagged.now += 60
    flagged.feed(replace(flagged.reading("p1", 29.0, 65.0, 0.03), notes=("heater_on",)))
    assert _raised(flagged) == ["sensor_heater"]
    silent = Desk(rack())
    silent.hold(30, t=32.0, h=60.0)
    vapour = vapour_hpa(32.0, 60.0)
    silent.hold(20, t=35.0, h=humidity_at(vapour, 35.0))
    assert _raised(silent) == ["sensor_heater", "hot"]
    silent.hold(10, t=32.0, h=60.0)
    assert ("sensor_heater", "cleared", None) in silent.told()


def test_a_brownout_comes_and_goes_as_one_alarm(desk: Desk) -> None:
    """A probe reset by a sagging supply every four minutes for hours is one alarm."""
    for minute in range(240):
        desk.now += 60
        notes = ("reset_seen",) if minute % 4 == 0 else ()
        desk.feed(replace(desk.reading("p1", 29.0, 65.0, 0.03), notes=notes))
    assert _raised(desk) == ["brownout"]


def test_a_probe_that_fell_out_is_displaced_not_dry_nor_cold() -> None:
    """From one minute to the next it reads the room: `displaced` within the hour, and nothing else for an hour and a half."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    fell = desk.now
    desk.hold(90, t=22.3, h=46.0, others=[ROOM])
    assert _raised(desk) == ["displaced"]
    assert desk.events[0].time - fell <= 3600
    assert desk.exclusions[0].since <= fell + 120
    desk.hold(20, others=[ROOM])
    assert desk.told() == [("displaced", "raised", None), ("displaced", "cleared", None)]


def test_drier_than_its_room_is_impossible_not_dry() -> None:
    """A tub with open water that holds less vapour than the room is a probe fault, told when `dry` was due."""
    desk = Desk(rack(room=True))
    wet_room = ("air", 24.0, 65.0)
    desk.hold(8 * 60, others=[wet_room])
    desk.hold(100, t=29.0, h=lambda m: max(40.0, 65.0 - m), others=[wet_room])
    assert _raised(desk) == ["impossible"]
    assert [e.detail["sure"] for e in desk.events if e.kind == "impossible"] == ["fairly"]


@pytest.mark.parametrize(("mean", "told"), [(55.9, False), (53.5, True)])
def test_what_an_impossible_probe_read_is_no_part_of_a_mean(mean: float, told: bool) -> None:
    """A probe recovers in a tub whose thermostat grazes the limit: silent with the mean inside, `dry` with it beyond."""
    desk = Desk(rack(room=True))

    def swing(m: int) -> float:
        return 2.5 * math.sin(2 * math.pi * (m - 10) / 24)

    desk.hold(9 * 60, others=[ROOM])
    desk.hold(10 * 60, h=15.0, others=[ROOM])
    desk.hold(3 * 60, h=lambda m: mean + swing(m), others=[ROOM])
    assert [
        e.band for e in desk.events if e.kind == "dry" and e.event in ("raised", "escalated") and e.band == "tolerable"
    ] == (["tolerable"] if told else [])


def test_a_dry_tub_in_a_dry_room_is_dry() -> None:
    """A tub that dries towards its room, not below it, is `dry`: moisture left the air."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    desk.hold(8 * 60, h=lambda m: 45 + 20 * 2.7 ** (-m / 120), others=[ROOM])
    told = [e for e in desk.events if e.event == "raised"]
    assert [e.kind for e in told] == ["dry"]
    assert told[0].cause == "moisture left"
    assert "refill the bowl" in told[0].response


def test_two_exchanged_probes_are_named() -> None:
    """When two probes take over each other's level, both are `swapped` within a day: in nine hours once yesterday is known."""
    young = Desk(rack(("B1", "B2"), room=True))
    young.hold(12 * 60, t=29.0, h=65.0, others=[ROOM, ("p2", 32.0, 72.0)])
    young.hold(20 * 60, t=32.0, h=72.0, others=[ROOM, ("p2", 29.0, 65.0)])
    assert sorted(e.probe or "" for e in young.events if e.kind == "swapped" and e.event == "raised") == ["p1", "p2"]
    desk = Desk(rack(("B1", "B2"), room=True))
    desk.hold(30 * 60, t=29.0, h=65.0, others=[ROOM, ("p2", 32.0, 72.0)])
    desk.hold(9 * 60, t=32.0, h=72.0, others=[ROOM, ("p2", 29.0, 65.0)])
    assert sorted(e.probe or "" for e in desk.events if e.kind == "swapped" and e.event == "raised") == ["p1", "p2"]


def test_a_silent_bus_is_one_fault_named_for_it() -> None:
    """All probes of one bus silent at once are one `missing`, with its members; others keep their own."""
    desk = Desk(rack(("B1", "B2", "B3"), bus="left"))
    desk.hold(60, others=[("p2", 29, 65), ("p3", 29, 65)])
    desk.hold(15, h=None)
    told = [e for e in desk.events if e.event == "raised"]
    assert [(e.kind, e.enclosure, e.detail["branch"]) for e in told] == [("missing", None, "left")]
    assert told[0].detail["members"] == "p1, p2, p3"
    assert set(desk.judge.unwatched()) == {"B1", "B2", "B3"}
    desk.hold(12, others=[("p2", 29, 65), ("p3", 29, 65)])
    assert desk.told()[-1] == ("missing", "cleared", None)


def test_a_misting_is_not_damp(desk: Desk) -> None:
    """A rise to 90 % after misting that is gone in two hours is nothing; above 80 % for half a day is something."""
    for _ in range(4):
        desk.hold(12 * 60)
        desk.hold(150, h=lambda m: 65 + 27 * 2.7 ** (-m / 60))
    assert desk.told() == []
    desk.hold(12 * 60, h=84)
    assert desk.told() == [("damp", "raised", "tolerable")]


def test_a_clean_out_is_suppressed_and_verified() -> None:
    """Open for a logged clean-out: nothing is told while it recovers; an unclosed lid is told."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    desk.feed(JournalEntry("j1", desk.now, "B1", "cleaned"))
    desk.hold(40, t=26, h=48, others=[ROOM])
    desk.hold(240, h=lambda m: 65 - 16 * 2.7 ** (-m / 40), others=[ROOM])
    assert desk.told() == []
    desk.hold(300, t=25.5, h=43, others=[ROOM])
    assert "lid_open" in _raised(desk)


def test_exclude_by_hand_is_recorded(desk: Desk) -> None:
    """The keeper's `exclude` yields an exclusion from the given time to now."""
    desk.hold(60)
    desk.feed(Command("c", START + 600, "exclude", "m", "it lay on the shelf", probe="p1"))
    assert [(x.since, x.until, x.tests) for x in desk.exclusions] == [(START + 600, desk.now, ("excluded",))]


@pytest.mark.parametrize("h", [65.0, 61.0, 69.0])
def test_a_good_tub_is_never_told_of(desk: Desk, h: float) -> None:
    """Held at 65 % (or anywhere on target) for a week, nothing is told. Common practice, no source."""
    desk.hold(7 * 1440, h=h)
    assert desk.told() == []
