"""Before an excursion is told, its probe is doubted: by what air can do, by the room, by the neighbours."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from tests.judge.judge_desk import Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper.judge.types import JournalEntry, ProbeFacts, Reading, Settings

ROOM = ("air", 22.0, 45.0)


def _raised(desk: Desk) -> list[str]:
    return [e.kind for e in desk.events if e.event in ("raised", "escalated")]


def test_a_dry_tub_whose_probe_breaks_does_not_escalate() -> None:
    """Below target already, then 20 % at once, less vapour than the room: `impossible`, and `dry` stays what it was."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    desk.hold(4 * 60, h=58.0, others=[ROOM])
    assert _raised(desk) == ["dry"]
    desk.hold(3 * 60, h=20.0, others=[ROOM])
    assert _raised(desk) == ["dry", "impossible"]
    assert next(a for a in desk.judge.alarms() if a.kind == "dry").band == "target"
    assert any(e.event == "annotated" and e.kind == "dry" for e in desk.events)


def test_a_probe_that_fell_out_while_nobody_read_is_displaced() -> None:
    """Three hours unread, then the room's air to a tenth: `displaced` within an hour and a half, neither cold nor dry so far."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    desk.now += 3 * 3600
    back = desk.now
    desk.hold(90, t=22.2, h=45.5, others=[ROOM])
    told = [e for e in desk.events if e.event == "raised" and e.kind not in ("missing",)]
    assert [e.kind for e in told] == ["displaced"]
    assert told[0].time - back <= 7200
    assert told[0].detail["sure"] == "very"
    assert desk.exclusions[-1].since <= back + 60


def test_a_probe_that_broke_before_an_outage_is_impossible_after_it() -> None:
    """Less vapour than the room for 55 min, five hours unread, and still so: `impossible` when its hour is over, never `dry`."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60 + 10, others=[ROOM])  # after the outage no hour is over when that of the on-delay is
    desk.hold(55, h=20.0, others=[ROOM])
    desk.now += 5 * 3600
    desk.hold(50, h=20.0, others=[ROOM])
    assert "impossible" in _raised(desk)
    assert "dry" not in _raised(desk)


def test_a_heater_that_fails_is_no_displaced_probe() -> None:
    """A tub that cools to its room over hours keeps more vapour than the room: `cold` and `heat_lost`, not `displaced`."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    desk.hold(8 * 60, t=lambda m: 22.3 + 6.7 * math.exp(-m / 60), h=lambda m: min(88.0, 65 + m / 12), others=[ROOM])
    assert {"cold", "heat_lost"} <= set(_raised(desk))
    assert "displaced" not in _raised(desk)


def test_an_opened_tub_that_is_back_within_the_hour_is_not_told_of() -> None:
    """Opened unnoted, closed, and rising: below 55 % for 50 minutes, and nothing is told."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    desk.hold(15, t=lambda m: 29 - m / 5, h=lambda m: 65 - 25 * (1 - math.exp(-m / 3)), others=[ROOM])
    desk.hold(5 * 60, t=lambda m: 29 - 3 * math.exp(-m / 15), h=lambda m: 65 - 24 * math.exp(-m / 42), others=[ROOM])
    assert desk.told() == []


def test_an_opened_tub_that_stops_half_way_is_told_of() -> None:
    """The same opening, but it stays at 50 %: `dry` is told once the opening explains it no longer."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    desk.hold(15, t=lambda m: 29 - m / 5, h=lambda m: 65 - 25 * (1 - math.exp(-m / 3)), others=[ROOM])
    opened = desk.now
    desk.hold(5 * 60, t=lambda m: 29 - 3 * math.exp(-m / 15), h=lambda m: 50 - 10 * math.exp(-m / 20), others=[ROOM])
    told = [e for e in desk.events if e.event == "raised"]
    assert [e.kind for e in told] == ["dry"]
    assert told[0].time - opened <= 2 * 3600


@pytest.mark.parametrize("lasts", [68, 95, 120, 160])
@pytest.mark.parametrize("word", ["", "cleaned"])
def test_a_dip_after_a_clean_out_that_lasts_is_told_of(word: str, lasts: int) -> None:
    """Beyond tolerable for 68 to 160 minutes after a clean-out, noted or not, rising all the while: told after the hour."""
    desk = Desk(rack(room=True))
    desk.hold(8 * 60, others=[ROOM])
    if word:
        desk.feed(JournalEntry("c", desk.now, "B1", word))
    began = desk.now
    tau = lasts / math.log(25 / 10)  # from 40 % back towards 65 %, through 55 % after so many minutes
    desk.hold(5 * 60, t=lambda m: 29 - 3 * math.exp(-m / 15), h=lambda m: 65 - 25 * math.exp(-m / tau), others=[ROOM])
    told = [e for e in desk.events if e.event == "raised"]
    assert [e.kind for e in told] == ["dry"]
    assert told[0].time - began <= 3600 + 180


def test_a_straight_fall_is_held_and_named_a_bending_one_is_told_in_time() -> None:
    """From 65 % in a line to less than the room has: `impossible`, never `dry`. In a decay to the room: `dry` after an hour."""
    room_at_29 = humidity_at(vapour_hpa(22.0, 45.0), 29.0)

    def swing(m: int) -> float:
        return 29.0 + 0.8 * math.sin(2 * math.pi * m / 35)

    line = Desk(rack(room=True))
    line.hold(9 * 60, t=swing, others=[ROOM])
    line.hold(5 * 60, t=lambda m: swing(m + 540), h=lambda m: max(13.0, 65 - 52 * m / 180), others=[ROOM])
    assert _raised(line) == ["impossible"]
    for tau in (40, 80, 160):
        bend = Desk(rack(room=True))
        bend.hold(9 * 60, t=swing, others=[ROOM])
        decay = [room_at_29 + (65 - room_at_29) * math.exp(-m / tau) for m in range(300)]
        passed = bend.now + 60 * next(m for m, h in enumerate(decay, 1) if h < 55)
        bend.hold(5 * 60, t=lambda m: swing(m + 540), h=decay.__getitem__, others=[ROOM])
        told = next(e for e in bend.events if e.event == "raised")
        assert told.kind == "dry"
        assert told.time - passed <= 3600 + 180
        assert "impossible" not in _raised(bend)


def test_heat_that_fails_beside_a_room_as_moist_as_the_tub_is_no_displaced_probe() -> None:
    """It cools to its room within two hours, vapour alike all the while: `cold` is told, the probe is believed."""
    moist = ("air", 23.6, 68.0)
    desk = Desk(rack(room=True))
    vapour = vapour_hpa(23.6, 68.0) + 1.0
    desk.hold(12 * 60, t=29.0, h=humidity_at(vapour + 2.5, 29.0), others=[moist])

    def t(m: int) -> float:
        return 23.6 + 5.4 * math.exp(-m / 25)

    desk.hold(6 * 60, t=t, h=lambda m: min(90.0, humidity_at(vapour + 2.5 * math.exp(-m / 25), t(m))), others=[moist])
    assert "cold" in _raised(desk)
    assert "displaced" not in _raised(desk)


def test_what_was_so_before_a_deed_is_not_explained_by_it() -> None:
    """Damp for two hours and then misted, dry for half an hour and then opened: both are told when they are due."""
    damp = Desk(rack(room=True))
    damp.hold(8 * 60, others=[ROOM])
    began = damp.now
    damp.hold(2 * 60, h=88.0, others=[ROOM])
    damp.feed(JournalEntry("m", damp.now, "B1", "misted"))
    damp.hold(65, h=90.0, others=[ROOM])
    assert [(e.kind, e.event) for e in damp.events] == [("damp", "raised")]
    assert damp.events[0].time - began <= 3 * 3600 + 120
    dry = Desk(rack(room=True))
    dry.hold(8 * 60, others=[ROOM])
    began = dry.now
    dry.hold(30, h=50.0, others=[ROOM])
    dry.feed(JournalEntry("o", dry.now, "B1", "opened"))
    dry.hold(40, h=45.0, others=[ROOM])
    assert [(e.kind, e.event) for e in dry.events] == [("dry", "raised")]
    assert dry.events[0].time - began <= 3600 + 120


def test_a_misting_here_and_a_dry_bowl_there_are_no_swap() -> None:
    """Two tubs of one temperature exchange their humidities by chance: no thermostat's habit crossed, nobody was swapped."""
    desk = Desk(rack(("B1", "B2"), room=True))
    desk.hold(26 * 60, h=58.0, others=[ROOM, ("p2", 29.0, 70.0)])
    desk.feed(JournalEntry("o1", desk.now, "B1", "opened"), JournalEntry("o2", desk.now, "B2", "opened"))
    desk.hold(16 * 60, h=70.0, others=[ROOM, ("p2", 29.0, 58.0)])
    assert "swapped" not in _raised(desk)


def test_nights_that_cross_and_mistings_are_no_swap() -> None:
    """Two vivaria misted within the hour every evening, one cool at night, the other by day: nobody was swapped in four days."""
    desk = Desk(rack(("B1", "B2"), room=True))
    for minute in range(4 * 1440):
        desk.now += 60
        day = 0.5 + 0.5 * math.tanh(6 * math.sin(2 * math.pi * minute / 1440))
        fresh = math.exp(-((minute - 1150) % 1440) / 90)
        desk.feed(
            desk.reading("air", 22.0, 45.0, 0.03),
            desk.reading("p1", 27.5 + 3.5 * day, 60 + 8 * day + 20 * fresh, 0.03),
            desk.reading("p2", 31.0 - 3.5 * day, 68 - 8 * day + 20 * fresh, 0.03),
        )
    assert "swapped" not in _raised(desk)


def _lamps(minute: int) -> tuple[bool, float]:
    """Return whether the lamps are on (8 to 20:30) and how much of the evening's rain, at 20:30, still hangs in the air."""
    return 480 <= minute % 1440 < 1230, math.exp(-((minute - 1230) % 1440) / 60)


def _lamplit(minute: int) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return °C and hPa of two vivaria: one cool and dry at night and warm by day, the other the same day and night."""
    lit, rain = _lamps(minute)
    return (31.0 if lit else 28.2, (28.5 if lit else 20.4) + 8 * rain), (29.5, (26.5 if lit else 22.0) + 8 * rain)


def _run_lamplit(desk: Desk, minutes: range, *, exchanged: bool = False) -> None:
    for minute in minutes:
        one, two = _lamplit(minute)
        if exchanged:
            one, two = two, one
        desk.now += 60
        if minute % 1440 == 1260:
            desk.feed(
                *(JournalEntry(f"{place}/{minute}", desk.now, place, "opened") for place in ("B1", "B2", "B3", "B4"))
            )
        desk.feed(desk.reading("air", 17.0, 60.0, 0.03))
        desk.feed(desk.reading("p1", one[0], humidity_at(one[1], one[0]), 0.03))
        desk.feed(desk.reading("p2", two[0], humidity_at(two[1], two[0]), 0.03))
        between = (one[0] + two[0]) / 2, (one[1] + two[1]) / 2
        desk.feed(*(desk.reading(name, between[0], humidity_at(between[1], between[0]), 0.03) for name in ("p3", "p4")))


def test_lamps_and_rain_of_every_day_are_no_swap_and_hold_nothing_back() -> None:
    """Opened every evening; by day one of four is the warmest and moistest, at night another. No swap, and the dry nights are told an hour after they begin, all four."""
    desk = Desk(rack(("B1", "B2", "B3", "B4"), room=True))
    _run_lamplit(desk, range(4 * 1440))
    assert "swapped" not in _raised(desk)
    dry = [
        e
        for e in desk.events
        if e.kind == "dry" and e.enclosure == "B1" and e.event in ("raised", "escalated") and e.band == "tolerable"
    ]
    assert len(dry) == 4  # the night before the first day, and the three after
    first_below = next(m for m in range(1230, 2880) if humidity_at(_lamplit(m)[0][1], 28.2) < 55)
    for night, event in enumerate(dry[1:]):
        assert event.time - desk.settings.time - 60 * (night * 1440 + first_below) <= 3600 + 180


def test_a_swap_under_lamps_is_named() -> None:
    """The same two, their probes exchanged at noon of the third day: both are named within a day."""
    desk = Desk(rack(("B1", "B2", "B3", "B4"), room=True))
    noon = 2 * 1440 + 720
    _run_lamplit(desk, range(noon))
    desk.feed(JournalEntry("o1", desk.now, "B1", "opened"), JournalEntry("o2", desk.now, "B2", "opened"))
    _run_lamplit(desk, range(noon, noon + 1440), exchanged=True)
    assert sorted(e.probe or "" for e in desk.events if e.kind == "swapped" and e.event == "raised") == ["p1", "p2"]


def test_a_swap_undone_ends_the_fault() -> None:
    """Exchanged for a day and put back: `swapped` is told of both, says with whom, and clears by itself."""
    desk = Desk(rack(("B1", "B2"), room=True))
    low, high = (28.0, 60.0), (31.5, 69.0)
    for mine, theirs in ((low, high), (high, low), (low, high)):
        for place in ("B1", "B2"):
            desk.feed(JournalEntry(f"{place}{desk.now}", desk.now, place, "opened"))
        desk.hold(26 * 60, t=mine[0], h=mine[1], others=[ROOM, ("p2", *theirs)])
    swaps = [(e.event, e.probe, e.detail.get("with")) for e in desk.events if e.kind == "swapped"]
    assert sorted(swaps) == [
        ("cleared", "p1", "p2"), ("cleared", "p2", "p1"), ("raised", "p1", "p2"), ("raised", "p2", "p1"),
    ]  # fmt: skip


def test_when_every_tub_disagrees_the_room_probe_is_wrong() -> None:
    """Four tubs below the room's vapour for hours: one `impossible`, of the room's probe; no tub is called dry for it."""
    plain = rack(("B1", "B2", "B3", "B4"), room=True)
    desk = Desk(plain)
    others = [("p2", 29.0, 64.0), ("p3", 29.0, 66.0), ("p4", 29.0, 63.0)]
    desk.hold(9 * 60, others=[*others, ROOM])
    desk.hold(12 * 60, others=[*others, ("air", 26.0, 97.0)])
    assert [(e.kind, e.probe) for e in desk.events if e.event == "raised"] == [("impossible", "air")]


def test_an_egg_box_at_99_percent_is_fine_but_a_wet_bulb_is_not() -> None:
    """Slowly to 99.5 % and as warm as ever: nothing. From 92 % at once to 99.7 % and a degree cooler: `saturated`."""
    plain = rack(room=True)
    facts = replace(plain.enclosures["B1"], egg_box=True, open_water=False)
    settings = Settings(plain.time, 60, {"B1": facts}, plain.probes, plain.stage_limits)
    moist = Desk(settings)
    moist.hold(9 * 60, t=31.5, h=lambda m: min(99.5, 92 + m / 60), noise=0.02, others=[ROOM])
    moist.hold(6 * 60, t=31.5, h=99.5, noise=0.02, others=[ROOM])
    assert "saturated" not in _raised(moist)
    wet = Desk(settings)
    wet.hold(9 * 60, t=31.5, h=92.0, others=[ROOM])
    start = wet.now
    wet.hold(120, t=lambda m: 30.4 if m else 30.9, h=lambda m: 99.7 if m else 97.0, others=[ROOM])
    told = next(e for e in wet.events if e.kind == "saturated")
    assert told.time - start <= 3600


def test_an_egg_box_that_cooled_under_an_open_lid_is_no_wet_probe() -> None:
    """From 95 % it falls by four degrees at once, more than any wet bulb would there, and mists over: its humidity is believed."""
    plain = rack(room=True)
    facts = replace(plain.enclosures["B1"], egg_box=True, open_water=False)
    desk = Desk(Settings(plain.time, 60, {"B1": facts}, plain.probes, plain.stage_limits))
    desk.hold(9 * 60, t=31.4, h=95.0, others=[ROOM])
    desk.hold(120, t=lambda m: 27.0 + min(1.5, m / 40), h=lambda m: 99.8 if m else 97.0, others=[ROOM])
    assert "saturated" not in _raised(desk)


def test_a_rounded_and_a_fine_probe_are_doubted_alike() -> None:
    """A steady fall to what no air can reach is never told as dry, also in data rounded to tenths."""
    plain = rack(room=True)
    probes = {"p1": replace(plain.probes["p1"], rounded=True), "air": ProbeFacts("air", "room", None, "room")}
    desk = Desk(replace(plain, probes=probes))
    wet_room = vapour_hpa(24.0, 60.0)
    for minute in range(14 * 60):
        desk.now += 60
        fallen = humidity_at(wet_room - 3, 29.0)
        h = 60.0 if minute < 540 else max(fallen, 60 - (minute - 540) / 5)
        h += desk.random.gauss(0, 0.05)
        desk.feed(
            desk.reading("air", 24.0, 60.0, 0.03),
            Reading(desk.now, "p1", round(29 + desk.random.gauss(0, 0.05), 1), round(h, 1)),
        )
    assert "dry" not in [e.kind for e in desk.events if e.band == "tolerable"]
    assert "impossible" in _raised(desk)


def test_air_that_is_damp_and_drips_when_it_is_due_is_told_when_it_is_due() -> None:
    """At 84 % for nearly its three hours, then dripping for half an hour: `damp` at the end of the three hours."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    desk.hold(175, h=84.0, others=[ROOM])
    dripped = desk.now
    desk.hold(30, h=99.5, others=[ROOM])
    desk.hold(30, h=90.0, others=[ROOM])
    assert _raised(desk) == ["damp"]
    assert desk.events[0].time - dripped <= 10 * 60


def test_what_was_dry_only_under_the_open_lid_begins_anew_when_it_is_closed() -> None:
    """Open for 35 minutes at the room's dryness, closed, and 54 % for 40 minutes more: nothing; at 54 % for good: an hour after closing."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    desk.hold(35, t=lambda m: 29 - min(4.0, m), h=lambda m: max(44.0, 65 - 6 * m), others=[ROOM])
    closed = desk.now
    desk.hold(40, t=lambda m: min(29.0, 25 + m), h=54.0, others=[ROOM])
    assert _raised(desk) == []
    desk.hold(40, h=54.0, others=[ROOM])
    assert _raised(desk) == ["dry"]
    assert closed + 3600 <= desk.events[0].time <= closed + 3600 + 900


def test_a_reading_that_just_fell_below_its_room_is_not_told_as_dry_a_minute_before_it_is_named() -> None:
    """Dry for all but ten minutes of the hour and then falling below what the room has: `impossible`, never `dry`."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, others=[ROOM])
    vapour = vapour_hpa(22.0, 45.0)
    below = humidity_at(vapour - 1.8, 29.0)
    desk.hold(50, h=52.0, others=[ROOM])
    desk.hold(8, h=lambda m: 52 - (m + 1) * (52 - below) / 8, others=[ROOM])
    desk.hold(60, h=below, others=[ROOM])
    assert _raised(desk) == ["impossible"]


@pytest.mark.parametrize(("begins", "over"), [(105, 20), (95, 35)])
def test_a_failing_element_stays_known_while_the_thermostat_warms_the_tub(begins: int, over: int) -> None:
    """Humidity slides in a line and, known for a while as no drying, the tub warms by 2.5 °C: `impossible` in the end, never `dry`."""
    desk = Desk(rack(room=True))

    def swing(minute: int) -> float:
        return 0.6 * math.sin(2 * math.pi * minute / 35)

    def warm(minute: int) -> float:
        return 25.7 + swing(minute) + min(2.5, max(0.0, (minute - begins) * 2.5 / over))

    def slid(minute: int) -> float:
        return max(6.0, 63 - 3.6 * swing(minute) - min(48.0, 0.27 * minute))

    room = ("air", 18.0, 56.0)
    desk.hold(12 * 60, t=lambda m: 25.7 + swing(m), h=lambda m: 63 - 3.6 * swing(m), others=[room])
    desk.hold(300, t=warm, h=slid, others=[room])
    assert _raised(desk) == ["impossible"]
