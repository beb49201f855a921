"""A night that is over, on the page and in the terminal: told in the past tense, by the limits of then."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

import pytest
from tests.daemon.conftest import Phone
from tests.web.house import DRY, GOOD, HOT, House, in_order

from dewkeeper.cli.glance import night_lines
from dewkeeper.report.earlier import EarlierNight, earlier_night, newest_night
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording

FIRST, SECOND = date(2026, 9, 22), date(2026, 9, 23)  # the house begins in the evening of the 21st


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory: pytest.TempPathFactory) -> House:
    """Return a house after two nights: a hot tub, a dry one, a good one, and one that was out of service in the second."""
    with Phone() as phone:
        made = House(tmp_path_factory.mktemp("house"), phone.url)
        made.start(GOOD, DRY, HOT, GOOD)
        made.hours(20)
        made.do(do="out_of_service", enclosure="T4", why="empty")
        made.hours(15.5)
        made.close()
        return made


@pytest.fixture
def house(two_nights: House) -> Iterator[House]:
    """Return that house with a page on what it stored."""
    with two_nights.only_page() as shown:
        yield shown


def night(house: House, day: date) -> EarlierNight:
    """Return what is told of the night that ended on a date."""
    with StoredPast.open(house.config) as past:
        return earlier_night(past, house.config, day, house.at)


def test_a_night_that_is_over_is_told_in_the_past_with_its_own_times(house: House) -> None:
    """Gravest first, each alarm with its times, what was out of service then; the same on page and in the terminal, nothing of now."""
    second = night(house, SECOND)
    assert [(row.enclosure, row.rank) for row in second.enclosures] == [
        ("T3", "urgent"), ("T2", "alarm"), ("T4", "out_of_service"), ("T1", "calm"),
    ]  # fmt: skip
    assert second.sentence() == "1 was urgent, 1 had an alarm, 1 was out of service, 1 was calm"
    first = night(house, FIRST)
    assert [row.enclosure for row in first.enclosures if row.rank == "calm"] == ["T1", "T4"]
    assert first.sentence() == "1 was urgent, 1 had an alarm, 2 were calm"
    told = {row.enclosure: row.words(Wording.of(house.config.site), first.night_end) for row in first.enclosures}
    assert told["T1"] == told["T4"] == []
    assert re.fullmatch(r"too dry from \d\d:\d\d on", told["T2"][0])
    shown = house.page(f"/?night={FIRST}")
    terminal = "\n".join(night_lines(first, Wording.of(house.config.site)))
    for text in (shown, terminal):
        assert in_order(text, first.sentence(), "The night to Tue 22 Sep 2026", "T3", told["T3"][0], told["T2"][0])
        assert re.search(r"now \d|see to it|act now|since|→", text) is None
    assert in_order(shown, "min 46 %", "max 4", "Curves: 21:00 to 08:00")


def test_from_each_night_one_comes_to_the_one_before_and_after(house: House) -> None:
    """The morning leads to the newest night that is over; from there back and forth by links, or by a date; what is to come is refused."""
    assert newest_night(house.config, house.at) == SECOND
    house.page()  # logs in
    assert f'href="/?night={SECOND}"' in house.html("/")
    shown = house.html(f"/?night={SECOND}")
    assert f'href="/?night={FIRST}"' in shown
    assert "the night after" not in shown
    assert f'href="/?night={SECOND}"' in house.html(f"/?night={FIRST}")
    assert f'max="{SECOND}"' in shown
    with pytest.raises(ValueError, match="not over"):
        night(house, date(2026, 9, 24))
    for bad in ("2026-09-24", "yesterday", "9999-99-99", "0001-01-01x", "0001-01-01", "0001-01-02", "9999-12-31"):
        assert house.status(f"/?night={bad}") == 404


def test_a_night_before_there_was_anything_says_that_nothing_was_watched(house: House) -> None:
    """Not calm, and no number."""
    before = night(house, date(2026, 9, 1))
    assert before.sentence() == "4 were not watched"
    assert "nothing measured in the night" in house.page("/?night=2026-09-01")
