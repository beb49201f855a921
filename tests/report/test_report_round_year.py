"""The round through a simulated year: every due thing on its day, gone when done, never twice; some days read by a person."""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from tests.report.book_year import (
    ARRIVAL,
    CHECKS,
    CLUTCH,
    DAMP,
    FROST,
    FURNISHED,
    HOLIDAY,
    ILL,
    LEVER,
    RESTS,
    REVIEW,
    SIGN,
    SILENT,
    TUBS,
    ZONE,
    InventedYear,
    YearDay,
    at,
)  # fmt: skip

from dewkeeper.report.round_words import sheet_lines

GOLDEN = Path(__file__).parent / "golden_rounds.txt"
READ = tuple(
    date(2026, *day)
    for day in (
        (1, 4), (1, 17), (2, 16), (3, 2), (3, 29), (5, 10), (6, 12), (7, 25), (8, 8), (8, 14), (9, 15), (10, 6), (10, 25), (12, 10)
    )
)  # fmt: skip
"""Days whose sheets are kept; a stranger read eleven of them as they were, what was said is mended, and what is mended moved the chance: first bowls, frost, a spectacle that stayed on, all deep cleans at once, both DST days,
a sign in quarantine, eggs, the end of the holiday and of quarantine, a way of messages nobody confirmed, a review date, an
open mouth, dampness and a probe check."""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def year() -> tuple[InventedYear, list[YearDay]]:
    """Play the year once."""
    played = InventedYear()
    return played, list(played.days())


def _expected(year: InventedYear, days: list[YearDay]) -> dict[date, set[tuple[str, str]]]:
    """Return what bowls and cleaning are due on each day, by counting days on a calendar and nothing else."""
    every = {"bowl": 3, "spot-clean": 7, "deep-clean": 30}
    words = {"refilled": ("bowl",), "spot_cleaned": ("spot-clean",), "cleaned": ("deep-clean", "spot-clean")}
    deeds = [
        (e.time, _day(e.time), e.enclosure or "", kind) for e in year.book.entries for kind in words.get(e.what, ())
    ]
    begun = {name: date(2026, 1, 1) for name in TUBS + FURNISHED} | dict.fromkeys(("Q1", "Q2"), ARRIVAL)
    found: dict[date, set[tuple[str, str]]] = {}
    for one in days:
        last = {(name, kind): since for name, since in begun.items() if since <= one.day for kind in every}
        evening = at(one.day)
        for when, done_on, name, kind in deeds:
            if when < evening and (name, kind) in last:
                last[name, kind] = max(last[name, kind], done_on)
        due = set()
        for (name, kind), since in last.items():
            if name == "T40" and one.day >= RESTS:
                if one.day <= REVIEW:
                    continue
                since = max(since, REVIEW)
            if (name, kind) == ("T05", "bowl") and FROST[0] <= one.day <= FROST[1]:
                continue  # its bowl is what the air asks for
            days_between = 180 if kind == "deep-clean" and name in FURNISHED else every[kind]
            if (name, kind) == ("T31", "deep-clean") and one.day >= DAMP:
                days_between -= 10
            if since + timedelta(days_between) <= one.day:
                due.add((name, kind))
        due -= {(place, "deep-clean") for place, opaque, _ in year.sheds if _in_blue(year, place, opaque, one.day)}
        deep = {n for n, k in due if k == "deep-clean" and not _put_off(year, n, one.day)}
        found[one.day] = {(n, k) for n, k in due if k != "spot-clean" or n not in deep}
    return found


def _in_blue(year: InventedYear, place: str, opaque: date, day: date) -> bool:
    """Whether it turned opaque and has not shed by the evening of a day: then nobody takes it out to clean."""
    begun, evening = at(opaque), at(day)
    return opaque <= day and not any(
        begun <= e.time < evening and (e.enclosure, e.what) == (place, "shed") for e in year.book.entries
    )


def _put_off(year: InventedYear, place: str, day: date) -> bool:
    """Whether somebody said before that evening that the deep clean waits until a later day."""
    evening = at(day)
    said = [e for e in year.book.entries if (e.enclosure, e.what, e.detail) == (place, "not_today", "deep-clean")]
    return any(e.time < evening and (e.until or 0) > evening for e in said)


def _day(when: int) -> date:
    return datetime.fromtimestamp(when, ZONE).date()


def test_bowls_and_cleaning_are_due_on_their_day_and_gone_when_done(year: tuple[InventedYear, list[YearDay]]) -> None:
    """On each of 365 days, both DST days among them, exactly what a calendar says is due or put off; once done it is gone."""
    played, days = year
    expected = _expected(played, days)
    differing = []
    for one in days:
        listed = {(d.enclosure or "", d.kind) for d in one.before.due} | {
            (off.due.enclosure or "", off.due.kind) for off in one.before.put_off
        }
        listed = {(n, k) for n, k in listed if k in ("bowl", "spot-clean", "deep-clean")}
        if listed != expected[one.day]:
            differing.append((one.day, listed ^ expected[one.day]))
    assert differing == []
    for one in days:
        if one.after is None:
            continue
        still = {(d.enclosure, d.key) for d in one.after.due}
        assert not still & {(d.enclosure, d.key) for d in one.done}, one.day


def test_nothing_is_due_twice(year: tuple[InventedYear, list[YearDay]]) -> None:
    """On no day are two things due under one name in one enclosure, and what is put off is not due as well."""
    for one in year[1]:
        names = Counter((d.enclosure, d.key) for d in one.before.due)
        names.update((off.due.enclosure, off.due.key) for off in one.before.put_off)
        assert set(names.values()) <= {1}, one.day


def test_what_is_put_off_comes_back_on_its_day(year: tuple[InventedYear, list[YearDay]]) -> None:
    """Something put off is not asked for before the day that was said, and on that day it is, unless it was done."""
    days = {one.day: one for one in year[1]}
    checked = 0
    for one in year[1]:
        for off in one.after.put_off if one.after is not None else ():
            key = (off.due.enclosure, off.due.key)
            tomorrow = one.day + timedelta(1)
            if tomorrow in days:
                due = {(d.enclosure, d.key) for d in days[tomorrow].before.due}
                assert (key in due) == (off.until <= tomorrow) or off.due.kind in ("spot-clean", "vet"), (one.day, key)
                checked += 1
    assert checked > 30


def test_every_shed_is_followed_to_its_grade(year: tuple[InventedYear, list[YearDay]]) -> None:
    """Thirty sheds: each asks for a hide, for a look at the eyes, for moss, for a look for the shed, for its grade, each until it is done."""
    played, days = year
    for place, opaque, grade in played.sheds:
        seen = {
            d.kind
            for one in days
            if opaque <= one.day <= opaque + timedelta(40)
            for d in one.before.due
            if d.enclosure == place
        }
        put_off = {
            o.due.kind
            for one in days
            if opaque <= one.day <= opaque + timedelta(40)
            for o in one.before.put_off
            if o.due.enclosure == place
        }
        wanted = {"hide", "eyes", "moss", "shed", "grade"}
        away = HOLIDAY[0] - timedelta(11) <= opaque <= HOLIDAY[1]  # the hide goes in late, with moss that is fresh then
        if opaque + timedelta(30) < date(2026, 12, 31):
            assert wanted - ({"moss"} if away else set()) <= seen | put_off, (place, opaque)
            assert ("vet-shed" in seen | put_off) == ("retained" in grade), (place, grade)
    begun = {
        d.kind: one.day
        for one in reversed(days)
        for d in one.before.due
        if d.enclosure == played.sheds[3][0] and d.kind in ("hide", "eyes")
    }
    assert begun["hide"] == played.sheds[3][1]
    assert begun["eyes"] == played.sheds[3][1] + timedelta(4)


def test_the_clutch_and_the_quarantine_come_on_their_days(year: tuple[InventedYear, list[YearDay]]) -> None:
    """Eggs from day 53 until they hatched; quarantine's end 90 days after the sign that began its clock anew, for both."""
    eggs = [one.day for one in year[1] for d in one.before.due if d.kind == "eggs"]
    assert eggs[0] == CLUTCH + timedelta(53)
    assert eggs[-1] <= CLUTCH + timedelta(62)
    ends = {d.enclosure: one.day for one in reversed(year[1]) for d in one.before.due if d.kind == "quarantine"}
    assert ends == {"Q1": SIGN + timedelta(90), "Q2": SIGN + timedelta(90)}


def test_every_other_thing_comes_on_its_day_and_goes_when_done(year: tuple[InventedYear, list[YearDay]]) -> None:
    """What frost asks for, a lever after two weeks, a sign, a review date, probe checks and an unconfirmed way: each from its day until it is done."""
    begun: dict[tuple[str, str, str], date] = {}
    days = year[1]
    for one in days:
        for due in [*one.before.due, *(off.due for off in one.before.put_off)]:
            begun.setdefault((due.kind, due.enclosure or "", due.about), one.day)
    frost = {(place, FROST[0]) for place in ("T05", "F2")}
    assert {(place, day) for (kind, place, _), day in begun.items() if kind == "air"} == frost
    assert begun["lever", "T12", "mesh_cover_changed"] == LEVER + timedelta(14)
    assert begun["vet", "T33", ""] == ILL
    assert begun["vet", "Q1", ""] == SIGN
    assert begun["review", "T40", ""] == REVIEW
    assert begun["path-test", "", "Runa"] == SILENT
    placed = {"t07": "T07", "f2": "F2", "room": ""}
    assert {probe: begun["probe-check", placed[probe], probe] for probe in CHECKS} == CHECKS
    for number, one in enumerate(days[:-1]):
        gone = {
            (d.enclosure, d.key) for d in one.done if d.kind in ("lever", "vet", "review", "probe-check", "path-test")
        }
        assert not gone & {(d.enclosure, d.key) for d in days[number + 1].before.due}, one.day
    assert {due.kind for one in days for due in one.before.due} >= {
        "bowl", "spot-clean", "deep-clean", "eggs", "quarantine", "hide", "eyes", "moss", "shed", "grade", "vet-shed",
    }  # fmt: skip


def test_nobody_asks_for_a_tub_that_is_out_of_service(year: tuple[InventedYear, list[YearDay]]) -> None:
    """For two weeks nothing is due at T40 but its review; put back, its bowl is counted from that day."""
    for one in year[1]:
        if RESTS <= one.day <= REVIEW:
            assert {d.kind for d in one.before.due if d.enclosure == "T40"} <= {"review"}, one.day
    back = [one.day for one in year[1] for d in one.before.due if (d.enclosure, d.kind) == ("T40", "bowl")]
    assert min(day for day in back if day > REVIEW) == REVIEW + timedelta(3)


def test_the_order_of_service_holds_every_day(year: tuple[InventedYear, list[YearDay]]) -> None:
    """The house, eggs, the healthy along the racks, signs, quarantine last: never otherwise."""
    order = ("house", "eggs", "healthy", "signs", "quarantine")
    for one in year[1]:
        ranks = [order.index(place.serving) for place in one.before.places]
        assert ranks == sorted(ranks)


def test_sheets_of_some_days_are_as_a_person_read_them(year: tuple[InventedYear, list[YearDay]]) -> None:
    """The sheets of fourteen days are word for word as they are kept; they were mended after a stranger had read the days."""
    sheets = "\n\n".join("\n".join(sheet_lines(one.before)) for one in year[1] if one.day in READ) + "\n"
    assert sheets == GOLDEN.read_text(encoding="utf-8")


def test_an_empty_round_is_a_sentence() -> None:
    """With nothing due the sheet says so; the night the clock goes forward is a day like any other."""
    played = InventedYear()
    assert sheet_lines(played.round(at(date(2026, 1, 1))))[:2] == ["The round of Thu 1 Jan", "Nothing is due today."]
    for hour in (0, 1, 3, 23):
        assert {d.kind for d in played.round(at(date(2026, 1, 4), hour)).due} == {"bowl"}
