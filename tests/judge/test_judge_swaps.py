"""Two probes exchanged: named by what heat and moisture read before and after, held back until then, and nothing else is held.

Tubs are drawn here by hand: a level, a thermostat's swing about it, and the humidity of air whose vapour follows the
warmth of its floor half way, as it does in a closed tub (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.judge.judge_desk import Desk, rack

from dewkeeper.judge.types import Event, JournalEntry
from dewkeeper_config.door import checked
from dewkeeper_config.models import Limits

ROOM = ("air", 22.0, 45.0)
SOON_DRY = checked(Limits, {"delays": {"dry_tolerable_minutes": 5}})


@dataclass(frozen=True)
class Tub:
    """°C, %RH, half a thermostat's swing in °C and its period in minutes; by how many °C nights are cooler."""

    celsius: float
    percent: float
    swing_c: float
    period: float
    night_c: float = 0.0

    def at(self, minute: int) -> tuple[float, float]:
        """Return °C and %RH of a minute of the week; humidity falls by 1.5 % for each °C of the swing."""
        swing = self.swing_c * math.sin(2 * math.pi * minute / self.period)
        cool = self.night_c if not 480 <= minute % 1440 < 1230 else 0.0
        return self.celsius - cool + swing, self.percent - 1.5 * swing


COOL = Tub(28.3, 72.0, 1.1, 41)
WARM = Tub(30.0, 58.0, 0.9, 37)


def _pair(
    desk: Desk, minutes: int, one: Callable[[int], tuple[float, float]], two: Callable[[int], tuple[float, float]]
) -> None:
    """Let p1 and p2 read these, minute by minute of the week."""
    for _ in range(minutes):
        desk.now += 60
        minute = (desk.now - desk.settings.time) // 60
        desk.feed(
            desk.reading("air", 22.0, 45.0, 0.03),
            desk.reading("p1", *one(minute), 0.03),
            desk.reading("p2", *two(minute), 0.03),
        )


def _open_air(tub: Tub, began: int) -> Callable[[int], tuple[float, float]]:
    """Return what a probe reads in a tub whose lid is off since a minute."""
    return lambda m: (tub.at(m)[0] - 0.15 * (m - began), max(48.0, tub.at(m)[1] - 2.0 * (m - began)))


def _clean(desk: Desk, one: Tub, two: Tub) -> None:
    """Take both tubs out for a quarter of an hour each and clean them; it stands in the journal."""
    for place in ("B1", "B2"):
        desk.feed(JournalEntry(f"{place}{desk.now}", desk.now, place, "cleaned"))
    began = (desk.now - desk.settings.time) // 60
    _pair(desk, 15, _open_air(one, began), _open_air(two, began))


def _known_and_cleaned(one: Tub, two: Tub, limits: Limits | None = None) -> Desk:
    """Return a desk that knows two tubs for thirty hours, at the end of their common clean-out."""
    desk = Desk(rack(("B1", "B2"), room=True, limits=limits))
    _pair(desk, 30 * 60, one.at, two.at)
    _clean(desk, one, two)
    return desk


def _told_dry(desk: Desk) -> Event:
    """Return the first dryness raised of the first tub."""
    return next(e for e in desk.events if e.kind == "dry" and e.event == "raised" and e.enclosure == "B1")


def _named(desk: Desk) -> dict[str, tuple[int, object]]:
    """Return probe -> (minutes since the start, the other) of every swap told."""
    return {
        e.probe or "": ((e.time - desk.settings.time) // 60, e.detail["with"])
        for e in desk.events
        if e.kind == "swapped" and e.event == "raised"
    }


def test_probes_exchanged_at_a_clean_out_are_named_and_nothing_is_told_of_their_air() -> None:
    """The day before one tub's bowl was dry and the other had lost its heat: both are `swapped` within the day all the same."""
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 20 * 60, COOL.at, WARM.at)
    _pair(desk, 10 * 60, lambda m: (COOL.at(m)[0], 57.0), lambda m: (26.0, 60.0))
    _pair(desk, 9 * 60, COOL.at, WARM.at)
    _clean(desk, COOL, WARM)
    before, exchanged = len(desk.events), (desk.now - desk.settings.time) // 60
    _pair(desk, 22 * 60, WARM.at, COOL.at)
    named = _named(desk)
    assert {probe: other for probe, (_, other) in named.items()} == {"p1": "p2", "p2": "p1"}
    assert all(at - exchanged <= 12 * 60 for at, _ in named.values())
    assert {e.kind for e in desk.events[before:] if e.event in ("raised", "escalated")} == {"swapped"}
    assert all(
        abs(x.since - desk.settings.time - 60 * exchanged) <= 3600 for x in desk.exclusions if x.tests == ("swapped",)
    )


def test_after_an_outage_a_swap_is_still_suspected() -> None:
    """Exchanged, read for two hours and then not for eight: the first readings after it tell of no dry tub."""
    desk = _known_and_cleaned(COOL, WARM)
    _pair(desk, 2 * 60, WARM.at, COOL.at)
    desk.now += 8 * 3600
    _pair(desk, 12 * 60, WARM.at, COOL.at)
    assert set(_named(desk)) == {"p1", "p2"}
    assert not [e for e in desk.events if e.kind == "dry" and e.enclosure == "B1"]


def test_tubs_cleaned_together_that_keep_their_heat_were_not_exchanged() -> None:
    """After a clean-out each has the humidity the other had, and its own temperature: no swap, and too dry is told in time."""
    desk = _known_and_cleaned(COOL, WARM)
    closed = desk.now
    dried, damped = replace(COOL, percent=52.0), replace(WARM, percent=72.0)
    _pair(desk, 22 * 60, dried.at, damped.at)
    assert not _named(desk)
    told = _told_dry(desk)
    assert told.band == "tolerable"
    assert told.time - closed <= 3600 + 120


def test_dry_air_in_a_tub_that_overheats_is_told_though_its_neighbour_was_opened_too() -> None:
    """The neighbour is set to what it was, itself it is eight degrees hotter and drier for it: no suspicion holds `dry` back."""
    desk = _known_and_cleaned(WARM, COOL)
    _pair(desk, 2 * 60, WARM.at, COOL.at)
    began = desk.now
    _pair(desk, 2 * 60, replace(WARM, celsius=38.0, percent=46.0, swing_c=0.2).at, WARM.at)
    told = next(e for e in desk.events if e.kind == "dry" and e.event in ("raised", "escalated") and e.time > began)
    assert told.time - began <= 3600 + 120


def test_what_is_beyond_target_in_a_tub_that_overheats_waits_for_no_question_of_a_swap() -> None:
    """It was the cooler of two and is the hotter, as if exchanged: the heat that is told explains its 57 %, told after its own delay."""
    moist = replace(WARM, percent=66.0)
    desk = _known_and_cleaned(COOL, moist, checked(Limits, {"delays": {"dry_target_minutes": 60}}))
    _pair(desk, 2 * 60, COOL.at, moist.at)
    began = desk.now
    _pair(desk, 3 * 60, replace(COOL, celsius=38.0, percent=57.0, swing_c=0.2).at, moist.at)
    told = _told_dry(desk)
    assert told.band == "target"
    assert told.time - began <= 3600 + 120


def test_tubs_cleaned_together_that_stay_as_they_were_were_not_exchanged() -> None:
    """Two tubs cleaned together every other day for ten days, a little moister after it each time: never a swap."""
    desk = Desk(rack(("B1", "B2"), room=True))
    for more in (0.0, 3.0, -2.0, 4.0, 1.0):
        one, two = replace(COOL, percent=COOL.percent + more), replace(WARM, percent=WARM.percent + more / 2)
        _pair(desk, 47 * 60, one.at, two.at)
        _clean(desk, COOL, WARM)
    assert not _named(desk)


def test_a_snake_that_lay_at_a_probe_and_a_misting_the_next_evening_are_no_swap() -> None:
    """Two like tubs: at one probe a snake lay for seven hours; the next day, a little warmer, both are refilled and the other is misted: never a swap."""
    one, two = Tub(29.2, 62.6, 0.1, 41), Tub(29.35, 61.5, 0.1, 37)
    snake = replace(one, celsius=29.75, percent=67.6)
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 24 * 60, one.at, two.at)
    _pair(desk, 7 * 60, snake.at, two.at)
    _pair(desk, 13 * 60, one.at, two.at)
    began = (desk.now - desk.settings.time) // 60
    desk.feed(JournalEntry("B2", desk.now, "B2", "misted"))
    _pair(desk, 5, _open_air(one, began), _open_air(two, began))
    _pair(desk, 26 * 60, replace(one, celsius=29.35).at, replace(two, celsius=29.65, percent=66.5).at)
    assert not _named(desk)


def test_a_snake_that_left_one_probe_and_one_that_came_to_the_other_are_no_swap() -> None:
    """At one probe a snake lay for eight hours, at the other one lies since both were opened in the evening: each reads the other's warmth, the first as it did itself before the snake came."""
    one, two = Tub(29.08, 62.0, 0.02, 41), Tub(29.05, 61.5, 0.02, 37)
    warmed = [replace(tub, celsius=30.15, percent=60.5) for tub in (one, two)]
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 20 * 60, one.at, two.at)
    _pair(desk, 8 * 60, warmed[0].at, two.at)
    _pair(desk, 15 * 60, one.at, two.at)
    began = (desk.now - desk.settings.time) // 60
    _pair(desk, 5, _open_air(one, began), _open_air(two, began))
    _pair(desk, 9 * 60, one.at, warmed[1].at)
    assert not _named(desk)


def test_heaters_that_stopped_together_and_came_back_one_after_the_other_are_no_swap() -> None:
    """Two tubs cold for half a day; the one is warm again when both are opened in the morning, the other not: each is what it was itself."""
    warm = Tub(30.4, 66.0, 0.6, 41), Tub(30.5, 63.0, 0.6, 37)
    cold = Tub(21.0, 82.0, 0.02, 41), Tub(21.3, 80.0, 0.02, 37)
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 20 * 60, warm[0].at, warm[1].at)
    _pair(desk, 5 * 60, cold[0].at, warm[1].at)
    _pair(desk, 6 * 60, cold[0].at, cold[1].at)
    began = (desk.now - desk.settings.time) // 60
    _pair(desk, 5, _open_air(cold[0], began), _open_air(cold[1], began))
    _pair(desk, 9 * 60, warm[0].at, cold[1].at)
    assert not _named(desk)


def test_a_stuck_heater_and_the_others_strong_lamp_are_no_swap() -> None:
    """One tub is hot in the night and cools; by the next evening a lamp has made the other hot, before both are refilled: each reads the other's warmth, and nobody exchanged them."""
    cool, hot = Tub(28.0, 60.0, 0.3, 41), Tub(35.0, 56.0, 0.9, 37)
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 16 * 60, cool.at, cool.at)
    _pair(desk, 9 * 60, hot.at, cool.at)
    _pair(desk, 7 * 60, cool.at, cool.at)
    _pair(desk, 7 * 60, cool.at, hot.at)
    began = (desk.now - desk.settings.time) // 60
    _pair(desk, 5, _open_air(cool, began), _open_air(hot, began))
    _pair(desk, 9 * 60, cool.at, hot.at)
    assert not _named(desk)


def test_after_a_common_clean_out_what_is_beyond_target_waits_for_the_question_of_a_swap() -> None:
    """Both drier than ever after it and 57 % where the neighbour has 70: told of neither in the day in which a swap may still be named, and then told."""
    moist, meagre = replace(WARM, percent=68.0), replace(WARM, celsius=30.2, percent=62.0)
    desk = _known_and_cleaned(moist, meagre)
    closed = desk.now
    _pair(desk, 30 * 60, replace(moist, percent=57.0).at, replace(meagre, percent=61.5).at)
    assert not _named(desk)
    told = _told_dry(desk)
    assert told.band == "target"
    assert 24 * 3600 <= told.time - closed <= 26 * 3600


def test_what_the_clean_out_explained_is_not_told_when_that_ends_while_a_swap_is_in_question() -> None:
    """Beyond tolerable while it was cleaned, then exchanged, and still beyond target when the hour after the clean-out is over."""
    desk = _known_and_cleaned(COOL, WARM, SOON_DRY)
    _pair(desk, 22 * 60, WARM.at, COOL.at)
    assert set(_named(desk)) == {"p1", "p2"}
    assert [e.event for e in desk.events if e.kind == "dry" and e.enclosure == "B1"] == ["suppressed", "unsuppressed"]


def test_what_the_clean_out_explained_is_told_when_that_ends_and_no_swap_is_in_question() -> None:
    """The same tub cleaned alone and then as dry as the other: told when the hour is over."""
    desk = Desk(rack(("B1", "B2"), room=True, limits=SOON_DRY))
    _pair(desk, 30 * 60, COOL.at, WARM.at)
    desk.feed(JournalEntry("alone", desk.now, "B1", "cleaned"))
    began = desk.now
    _pair(desk, 15, _open_air(COOL, (began - desk.settings.time) // 60), WARM.at)
    _pair(desk, 4 * 60, replace(COOL, percent=58.0).at, WARM.at)
    assert [e.event for e in desk.events if e.kind == "dry" and e.enclosure == "B1"] == ["suppressed", "raised"]
    assert 3600 <= _told_dry(desk).time - began <= 3600 + 660


def test_a_tub_cleaned_alone_is_told_of_as_ever() -> None:
    """The same tub, its neighbour not touched: too dry for target is told when its three hours are over."""
    moist, meagre = replace(WARM, percent=68.0), replace(WARM, celsius=30.2, percent=62.0)
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 30 * 60, moist.at, meagre.at)
    began = desk.now
    _pair(desk, 22 * 60, replace(moist, percent=57.0).at, meagre.at)
    told = _told_dry(desk)
    assert told.time - began <= 3 * 3600 + 3600


def test_tubs_that_differ_as_before_are_told_of_though_touched_together() -> None:
    """Cleaned together, both drier by as much: none is the other, and beyond target is told when its three hours are over."""
    moist, meagre = replace(WARM, percent=66.0), replace(WARM, celsius=30.2, percent=74.0)
    desk = _known_and_cleaned(moist, meagre)
    closed = desk.now
    _pair(desk, 22 * 60, replace(moist, percent=57.0).at, replace(meagre, percent=65.0).at)
    told = _told_dry(desk)
    assert told.time - closed <= 3 * 3600 + 3600


def test_a_swap_is_known_by_warmth_while_one_of_the_tubs_still_dries_off() -> None:
    """As moist as the other before the clean-out at which the probes were exchanged, and drier after it: both are named within the day."""
    cool, warm = COOL, replace(WARM, percent=66.0)
    desk = _known_and_cleaned(cool, warm)
    exchanged = (desk.now - desk.settings.time) // 60
    _pair(desk, 23 * 60, replace(warm, percent=58.0).at, replace(cool, percent=79.0).at)
    assert set(_named(desk)) == {"p1", "p2"}
    assert all(at - exchanged <= 1440 for at, _ in _named(desk).values())


def test_a_swap_made_while_nothing_was_read_is_known_by_warmth_and_no_third_tub_is_taken_for_one_of_the_two() -> None:
    """0.6 °C apart, one refilled the night before; a third runs dry the day after: the two are named, the third is told as too dry."""
    cool, warm, third = Tub(28.9, 54.5, 0.65, 37), Tub(29.5, 58.0, 1.0, 41), Tub(29.3, 60.0, 0.85, 43)
    desk = Desk(rack(("B1", "B2", "B3"), room=True))

    def read(minutes: int, one: Tub, two: Tub, percent: Callable[[int], float] = lambda m: 60.0) -> None:
        for passed in range(minutes):
            desk.now += 60
            minute = (desk.now - desk.settings.time) // 60
            now_third = replace(third, percent=percent(passed))
            read = (("p1", one), ("p2", two), ("p3", now_third))
            desk.feed(desk.reading("air", 22.0, 45.0, 0.03), *(desk.reading(p, *t.at(minute), 0.03) for p, t in read))

    read(24 * 60, cool, replace(warm, percent=41.0))
    read(10 * 60, cool, warm)
    desk.now += 9 * 3600
    back = desk.now
    read(11 * 60, replace(warm, percent=62.5), replace(cool, percent=55.5), lambda m: 60.0)
    read(16 * 60, replace(warm, percent=62.5), replace(cool, percent=55.5), lambda m: 60.0 - 15.0 * min(1.0, m / 720))
    assert {probe: other for probe, (_, other) in _named(desk).items()} == {"p1": "p2", "p2": "p1"}
    told = next(e for e in desk.events if e.kind == "dry" and e.enclosure == "B3" and e.band == "tolerable")
    assert told.time - back <= (11 + 4 + 1) * 3600 + 1800


def test_a_tub_set_to_the_others_warmth_alone_is_no_swap() -> None:
    """After a clean-out one of two is set as warm as the other was, and the other stays so: nobody was exchanged."""
    cool, warm = COOL, replace(WARM, percent=66.0)
    desk = _known_and_cleaned(cool, warm)
    _pair(desk, 23 * 60, replace(cool, celsius=warm.celsius).at, warm.at)
    assert not _named(desk)


def test_two_tubs_that_are_nearly_alike_are_named_when_they_cross_exactly() -> None:
    """0.9 °C and 2 % apart: exchanged at a clean-out, both are named within the day."""
    one, two = Tub(28.8, 66.0, 0.8, 41), Tub(29.7, 64.0, 0.8, 37)
    desk = _known_and_cleaned(one, two)
    exchanged = (desk.now - desk.settings.time) // 60
    _pair(desk, 23 * 60, two.at, one.at)
    assert set(_named(desk)) == {"p1", "p2"}
    assert all(at - exchanged <= 1440 for at, _ in _named(desk).values())


def test_two_tubs_that_are_nearly_alike_and_come_nearer_were_not_exchanged() -> None:
    """The same two, after the clean-out half a degree nearer to each other and a little over: no swap."""
    one, two = Tub(28.8, 66.0, 0.8, 41), Tub(29.7, 64.0, 0.8, 37)
    desk = _known_and_cleaned(one, two)
    _pair(desk, 23 * 60, replace(one, celsius=29.4).at, replace(two, celsius=29.3).at)
    assert not _named(desk)


DAMP, DRY = Tub(28.9, 78.0, 0.9, 37), Tub(29.3, 58.0, 0.9, 37)
"""Alike but for water on the floor, whose evaporation cools a little."""


def test_tubs_that_differ_by_water_alone_until_they_are_touched_are_named_when_exchanged() -> None:
    """The same two, of which one is damp until they are opened and the other from then on."""
    desk = _known_and_cleaned(DAMP, DRY)
    _pair(desk, 22 * 60, DRY.at, DAMP.at)
    assert set(_named(desk)) == {"p1", "p2"}


def test_a_misting_and_a_tub_that_dries_hours_after_both_were_touched_are_no_swap() -> None:
    """Both are refilled and stay as they were; eight hours later the one has dried to what the other was, which was misted: nobody exchanged them."""
    desk = Desk(rack(("B1", "B2"), room=True))
    _pair(desk, 30 * 60, DAMP.at, DRY.at)
    began = (desk.now - desk.settings.time) // 60
    _pair(desk, 5, _open_air(DAMP, began), _open_air(DRY, began))
    _pair(desk, 8 * 60, DAMP.at, DRY.at)
    _pair(desk, 15 * 60, DRY.at, DAMP.at)
    assert not _named(desk)


def test_what_was_named_is_put_back_though_the_hand_left_no_trace() -> None:
    """Exchanged, named, and within three hours slowly each its own again; both are refilled only later: the swap is over within the day."""
    desk = _known_and_cleaned(COOL, WARM)
    _pair(desk, 22 * 60, WARM.at, COOL.at)
    assert set(_named(desk)) == {"p1", "p2"}
    began = (desk.now - desk.settings.time) // 60

    def from_to(old: Tub, new: Tub) -> Callable[[int], tuple[float, float]]:
        def at(minute: int) -> tuple[float, float]:
            share = min(1.0, (minute - began) / 180)
            (t0, h0), (t1, h1) = old.at(minute), new.at(minute)
            return t0 + share * (t1 - t0), h0 + share * (h1 - h0)

        return at

    _pair(desk, 5 * 60, from_to(WARM, COOL), from_to(COOL, WARM))
    touched = (desk.now - desk.settings.time) // 60
    _pair(desk, 5, _open_air(COOL, touched), _open_air(WARM, touched))
    _pair(desk, 14 * 60, COOL.at, WARM.at)
    assert [e for e in desk.events if e.kind == "swapped" and e.event == "cleared"]
