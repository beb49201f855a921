"""What the reports ask, with answers written down by hand: a site's own file and the server it sent to both keep it.

Each case is a small history of which a person can say what must come out. Accounting as `store/quarters.py` states it: polls
are five minutes apart, a reading stands until the next of its probe and for 900 s at most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import count
from operator import attrgetter
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from tests.collect.conftest import Collector
from tests.collect.postgres import Server
from tests.collect.sites import SendingSite, send
from tests.report.conftest import FAIL, MISSING, judged
from tests.store.conftest import MIDNIGHT

from dewkeeper.clock import ManualClock
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.newest import newest_of
from dewkeeper.collect.queries import ServerReader, SiteHistory
from dewkeeper.collect.sending import describe
from dewkeeper.judge.types import (
    SUSPECT,
    Calibration,
    Command,
    Event,
    Exclusion,
    Fact,
    JournalEntry,
    Learned,
    Quality,
    Reading,
    Rebase,
)
from dewkeeper.report.contract import NightSums, Point
from dewkeeper.report.model import Mark
from dewkeeper.report.nights import day_start, night_of
from dewkeeper.report.past import StoredPast
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History, Store
from dewkeeper.store.history import Stored
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import FIGURES, OFF_TIMES, Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config, Storage

RACK = """
site = {{ timezone = "Europe/Vienna", poll_seconds = 300 }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
rack = [{{ name = "R", room = "cellar" }}]
enclosure = [{{ name = "T1", rack = "R" }}, {{ name = "T2", rack = "R", place = 2 }}]
probe = [
  {{ name = "{first}", enclosure = "T1", driver = "simulated" }}, {{ name = "p2", enclosure = "T2", driver = "simulated" }},
  {{ name = "w2", enclosure = "T2", role = "warm_end", driver = "simulated" }},
]
channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
"""
"""Adult limits: target 60 to 70 %RH, tolerable 55 to 80 %RH and 24 to 34 °C (`profiles.toml`)."""
M, POLL, HOUR, DAY = MIDNIGHT, 300, 3600, 86400
WORD = 0.003
"""°C and %RH that a 16-bit word of the sensor stands for, rounded up."""
_SITES = count(1)
Pair = tuple[Reading, Quality]


ends = attrgetter("at", "humidity_low", "humidity_high", "temperature_low", "temperature_high")


def near(value: float) -> Any:
    """Return what equals a value as a sensor gives it."""
    return pytest.approx(value, abs=WORD)


def polls(probe: str, start: int, end: int, temperature: float = 29.0, humidity: float = 65.0) -> list[Pair]:
    """Return a believed reading every five minutes from `start` to before `end`."""
    return [judged(probe, at, temperature, humidity) for at in range(start, end, POLL)]


def doubted(probe: str, at: int, temperature: float, humidity: float, test: str) -> Pair:
    """Return a reading that is suspect by a test."""
    return judged(probe, at, temperature, humidity)[0], Quality(at, probe, SUSPECT, (test,))


@dataclass
class Book:
    """A store that a case fills."""

    store: Store
    folder: Path

    def config(self, first: str = "p1") -> Config:
        """Return the configuration; first: the probe of T1."""
        return parse(RACK.format(folder=self.folder, first=first).encode(), self.folder / "rack.toml")

    def keep(self, readings: Iterable[Pair] = (), *items: Any, **rest: Any) -> None:
        """Commit, readings a poll at a time as the daemon does."""
        by_time: dict[int, list[Pair]] = {}
        for pair in readings:
            by_time.setdefault(pair[0].time, []).append(pair)
        if items or rest:
            self.store.commit(Batch(items=items, **rest))
        for at in sorted(by_time):
            self.store.commit(Batch(readings=tuple(by_time[at])))

    def settle(self, at: int = M - DAY, first: str = "p1") -> None:
        """Store the settings as the daemon does when it starts."""
        self.keep((), judge_settings(self.config(first), at))


class AskedBothWays(SiteHistory):
    """A site of a server whose newest readings are asked by themselves and with those of other sites: both must say the same."""

    def __init__(self, reader: ServerReader, number: int) -> None:
        super().__init__(reader, number)
        self._asked = reader, number

    def latest(self) -> Mapping[str, Stored]:
        """Return what both ways say."""
        (reader, number), found = self._asked, super().latest()
        names = [name for (name,) in reader.rows("SELECT name FROM probe WHERE site = %s", (number,))]
        others = {site: names for (site,) in reader.rows("SELECT number FROM site")}
        assert newest_of(reader, others).get(number, {}) == found
        for name in names:
            one = {name: found[name]} if name in found else {}
            assert newest_of(reader, {number: [name]}).get(number, {}) == one
        return found


Made = Callable[..., StoredPast]
Fill = Callable[[Book], object]


@pytest.fixture(scope="module")
def shared(server: Server) -> Iterator[Collector]:
    """One database for all cases: each is a site of its own."""
    made = Collector(server)
    with made.connect() as connection:
        connection.execute(f"CREATE ROLE reads_{made.name} LOGIN PASSWORD 'x' IN ROLE dewkeeper_reader")
    yield made
    with server.connect() as connection:
        connection.execute(f"DROP DATABASE {made.name} WITH (FORCE)")


@pytest.fixture(params=["file", "server"])
def told(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Made]:
    """Fill a store and return what was stored: asked of the file itself, or of the server it was sent to."""
    folder = tmp_path / "own"
    folder.mkdir()
    open_ones: list[Any] = []

    def make(fill: Fill, *, first: str = "p1") -> StoredPast:
        book = Book(Store.open(folder, Storage(folder=folder), ManualClock()), folder)
        fill(book)
        book.store.close()
        config = book.config(first)
        if request.param == "file":
            return StoredPast(History.open(folder), config)
        collector: Collector = request.getfixturevalue("shared")
        there = SendingSite.admitted(tmp_path / "n", f"site {next(_SITES)}", collector.owner, collector.host)
        there.shelf.store.close()
        send(folder, there.name, there.address)
        with Onward.open(folder) as onward, ServerLink(parameters(there.address, None)) as link:
            describe(link, there.place(), config, "1.0", onward.told_of())
        address = f"{collector.host} dbname={collector.name} user=reads_{collector.name} password=x"
        reader = ServerReader(lambda: parameters(address, None))
        open_ones.append(reader)
        return StoredPast(AskedBothWays(reader, there.place().number), config)

    yield make
    for one in open_ones:
        one.close()


def nothing(book: Book) -> None:
    """Store nothing at all."""


def test_of_an_empty_store_every_question_is_answered_with_nothing(told: Made) -> None:
    """No question fails, and none makes something up."""
    past = told(nothing)
    assert past.latest() == {}
    assert list(past.standing()) == []
    assert past.notes().get(OFF_TIMES) is None
    assert past.nights(M, M + HOUR) == {"T1": NightSums(), "T2": NightSums()}
    assert past.glimpses(M, M + HOUR, 2) == {"T1": [], "T2": []}
    assert list(past.events(0)) == []
    assert list(past.journal(0)) == []
    assert list(past.series("T1", M, M + HOUR, 10)) == []
    assert list(past.series("p1", M, M + HOUR, 10)) == []
    assert past.learned(M) == {}
    assert past.figures("outlook:") == {}
    assert past.days("T1", [M, M + DAY, M + 2 * DAY]) == {}
    assert [(one.probe, one.points) for one in past.traces("T2", M, M + HOUR, 10)] == [("p2", ()), ("w2", ())]
    assert past.above_target_seconds({"T1": M}, M + HOUR) == {"T1": 0}
    assert past.means(M, M + HOUR) == {}
    assert past.calibrations().all() == []
    force = past.in_force()
    assert force.settings(M) is None
    assert (force.began, force.limits("T1", M), force.judged("T1", M), force.poll_seconds(M)) == (None, None, (), 60)


def an_hour(book: Book) -> None:
    """Twelve polls: one too dry at 30 °C, one too damp, one too hot, one too cold."""
    book.settle()
    odd = {M + 600: (30.0, 50.0), M + 1200: (29.0, 75.0), M + 1800: (35.0, 65.0), M + 2100: (23.0, 65.0)}
    book.keep(judged("p1", at, *odd.get(at, (29.0, 65.0))) for at in range(M, M + HOUR, POLL))


def test_a_night_s_extremes_times_and_dose(told: Made) -> None:
    """50 % is 10 below target for 300 s, 75 % 5 above for 300 s: 4500 %RH s are 1.25 %RH h."""
    past = told(an_hour)
    night = past.nights(M, M + HOUR)["T1"]
    assert night.watched_seconds == 3600
    assert night.humidity_min == Mark(near(50), M + 600, "p1")
    assert night.humidity_min_temperature_c == near(30)
    assert night.humidity_max == Mark(near(75), M + 1200, "p1")
    assert night.temperature_min == Mark(near(23), M + 2100, "p1")
    assert night.temperature_max == Mark(near(35), M + 1800, "p1")
    assert (night.beyond_target_seconds, night.beyond_tolerable_seconds) == (600, 300)
    assert (night.too_hot_seconds, night.too_cold_seconds) == (300, 300)
    assert night.dose_percent_hours == pytest.approx(1.25, abs=0.001)
    assert past.nights(M, M + HOUR)["T2"] == NightSums()
    assert past.means(M, M + HOUR) == {
        "T1": (near(349 / 12), near(775 / 12))
    }  # nine times 29 °C, ten times 65 %, and those
    assert past.above_target_seconds({"T1": M, "T2": M}, M + HOUR) == {"T1": 300, "T2": 0}
    # From half-way through the damp poll on: a span has what was read in it, and that was read before.
    assert past.above_target_seconds({"T1": M + 1350}, M + HOUR) == {"T1": 0}


def test_a_span_that_ends_within_a_poll_ends_there(told: Made) -> None:
    """What the last reading stands for beyond the end is no part of the span; one second is a span, too."""
    past = told(an_hour)
    assert past.nights(M, M + 650)["T1"].watched_seconds == 650
    assert past.nights(M, M + 650)["T1"].beyond_tolerable_seconds == 50
    assert past.nights(M + 600, M + 601)["T1"].watched_seconds == 1
    assert past.nights(M + 601, M + 899)["T1"] == NightSums()


def test_spans_of_no_length_and_backwards_are_empty(told: Made) -> None:
    """Nothing happens within no time, and nothing fails over it."""
    past = told(an_hour)
    for start, end in ((M + 600, M + 600), (M + 900, M + 900), (M + 1200, M + 600)):
        assert past.nights(start, end) == {"T1": NightSums(), "T2": NightSums()}
        assert past.glimpses(start, end, 2) == {"T1": [], "T2": []}
        assert past.means(start, end) == {}
        assert list(past.series("T1", start, end, 10)) == []
        assert list(past.series("p1", start, end, 10)) == []
        assert list(past.traces("T1", start, end, 10)) == []
        assert list(past.events(start, until=end)) == []
        assert past.above_target_seconds({"T1": start}, end) == {"T1": 0}
    assert past.days("T1", [M]) == {}
    assert past.days("T1", [M, M]) == {}


def test_names_that_nobody_knows_have_no_answer(told: Made) -> None:
    """A tub, a probe and a subject that never were."""
    past = told(an_hour)
    assert list(past.series("p9", M, M + HOUR, 10)) == []
    assert list(past.traces("T9", M, M + HOUR, 10)) == []
    assert past.days("T9", [M, M + DAY]) == {}
    assert list(past.events(0, "T9")) == []
    assert list(past.journal(0, enclosure="T9")) == []
    assert list(past.journal(0, words=("no such word",))) == []
    assert list(past.journal(0, words=())) == []
    assert past.above_target_seconds({"T9": M}, M + HOUR) == {"T9": 0}
    assert past.figures("no such thing:") == {}
    force = past.in_force()
    assert (force.limits("T9", M), force.judged("T9", M), force.stage("T9", M)) == (None, (), ("", -1))
    assert force.out_of_service("T9") is None


def test_a_gap_is_watched_for_three_polls_and_no_longer(told: Made) -> None:
    """Polls at 0, 5 and from 40 minutes on: 300 s, 900 s of hold, then four polls of 300 s."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p1", M, M + 600), *polls("p1", M + 2400, M + HOUR)])

    past = told(fill)
    assert past.nights(M, M + HOUR)["T1"].watched_seconds == 300 + 900 + 1200
    assert [point.at for point in past.series("p1", M, M + HOUR, 4)] == [M, M + 1800, M + 2700]
    assert past.nights(M + 1200, M + 2400)["T1"] == NightSums()


def test_what_was_refused_moves_nothing_and_ends_what_stood(told: Made) -> None:
    """A reading that failed a test and a poll that failed: neither is in an extreme, both end the reading before them."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([
            *polls("p1", M, M + 300), judged("p1", M + 300, 60.0, 5.0, FAIL), judged("p1", M + 600, 0.0, 0.0, MISSING),
            *polls("p1", M + 900, M + 1800), doubted("p1", M + 1800, 50.0, 99.0, "rate_of_change"),
        ])  # fmt: skip

    past = told(fill)
    night = past.nights(M, M + HOUR)["T1"]
    assert night.watched_seconds == 300 + 900
    assert night.humidity_min == Mark(near(65), M, "p1")
    assert night.temperature_max == Mark(near(29), M, "p1")
    newest = past.latest()["p1"]
    assert (newest.reading.time, newest.reading.temperature_c) == (M + 1800, near(50))
    assert (newest.quality.flag, tuple(newest.quality.tests)) == (SUSPECT, ("rate_of_change",))
    assert not newest.quality.temperature_counts
    (point,) = past.series("p1", M, M + HOUR, 1)
    assert point == Point(M, HOUR, near(65), near(65), near(65), near(29), near(29), near(29))


def test_a_failed_poll_is_the_newest_of_its_probe_with_why_it_failed(told: Made) -> None:
    """The newest is the newest, whether or not it can be used."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p1", M, M + 300), judged("p1", M + 300, 0.0, 0.0, MISSING)])
        book.keep([(Reading(M + 300, "p2", None, None, failure="crc"), Quality(M + 300, "p2", MISSING))])

    past = told(fill).latest()
    assert {name: (one.reading.time, one.reading.failure, one.quality.flag) for name, one in past.items()} == {
        "p1": (M + 300, "missing", MISSING), "p2": (M + 300, "crc", MISSING),
    }  # fmt: skip


def test_the_newest_of_a_probe_that_was_silent_for_more_than_a_day_is_none(told: Made) -> None:
    """As of the newest reading of all: a day before it is the oldest that is told."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep(
            [*polls("p1", M, M + 300), *polls("p2", M + 600, M + 900), *polls("w2", M + 600 + DAY, M + 900 + DAY)]
        )

    assert {name: one.reading.time for name, one in told(fill).latest().items()} == {
        "p2": M + 600, "w2": M + 600 + DAY
    }  # fmt: skip


def stepped_back(book: Book) -> None:
    """An hour, then the clock is put back by half of one, and ten minutes at 50 %."""
    book.settle()
    book.keep([*polls("p1", M, M + HOUR), *polls("p2", M, M + HOUR)])
    book.keep((), Rebase(M + 1820, -1800))
    book.keep(polls("p1", M + 1860, M + 2460, 29.0, 50.0))


def test_after_the_clock_was_put_back_the_newest_is_what_came_last(told: Made) -> None:
    """What was dated half an hour ahead is no reading of now; of a probe that was not read since, it is the newest there is."""
    past = told(stepped_back)
    newest = past.latest()
    assert (newest["p1"].reading.time, newest["p1"].reading.humidity_percent) == (M + 2160, near(50))
    assert newest["p2"].reading.time == M + 3300


def test_once_the_clock_is_past_it_again_the_newest_is_the_latest(told: Made) -> None:
    """Nothing of the step is left."""

    def fill(book: Book) -> None:
        stepped_back(book)
        book.keep(polls("p1", M + HOUR, M + HOUR + 600, 29.0, 60.0))

    newest = told(fill).latest()
    assert (newest["p1"].reading.time, newest["p1"].reading.humidity_percent) == (M + HOUR + 300, near(60))


def test_of_doubted_humidity_the_temperature_is_kept(told: Made) -> None:
    """A wet probe in a hot tub: 100 % is in nothing, 36 °C is in everything, and the tub was not watched meanwhile."""

    def fill(book: Book) -> None:
        book.settle()
        wet = [doubted("p1", at, 36.0, 100.0, "saturated") for at in range(M + 900, M + 1800, POLL)]
        book.keep([*polls("p1", M, M + 900), *wet, *polls("p1", M + 1800, M + HOUR)])

    past = told(fill)
    night = past.nights(M, M + HOUR)["T1"]
    assert night.humidity_max == Mark(near(65), M, "p1")
    assert night.temperature_max == Mark(near(36), M + 900, "p1")
    assert (night.watched_seconds, night.too_hot_seconds, night.beyond_target_seconds) == (2700, 900, 0)
    points = past.series("p1", M, M + HOUR, 4)
    assert [(point.at, point.humidity_percent, point.temperature_high) for point in points] == [
        (M, near(65), near(29)), (M + 900, None, near(36)), (M + 1800, near(65), near(29)), (M + 2700, near(65), near(29)),
    ]  # fmt: skip
    assert [ends(one) for one in past.glimpses(M, M + HOUR, 1)["T1"]][1] == (M + 900, None, None, near(36), near(36))
    assert past.means(M, M + HOUR)["T1"] == (near((9 * 29 + 3 * 36) / 12), near(65))
    assert past.means(M + 900, M + 1800) == {}, "a temperature alone is no mean of a tub's air"
    alone = past.nights(M + 900, M + 1800)["T1"]
    assert (alone.humidity_min, alone.watched_seconds, alone.temperature_min) == (
        None, 0, Mark(near(36), M + 900, "p1")
    )  # fmt: skip


VIENNA = ZoneInfo("Europe/Vienna")


def utc(text: str) -> int:
    """Return the UTC second of an ISO time in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


@pytest.mark.parametrize(
    ("day", "start", "hours", "day_hours"),
    [("2026-10-25", "2026-10-24T19:00", 12, 25), ("2027-03-28", "2027-03-27T20:00", 10, 23), ("2026-11-01", "2026-10-31T20:00", 11, 24)],
)  # fmt: skip
def test_the_nights_of_a_changed_clock_are_an_hour_longer_and_shorter(
    told: Made, day: str, start: str, hours: int, day_hours: int
) -> None:
    """Vienna put the clock back on 25 October 2026 and on on 28 March 2027 (EU directive 2000/84/EC: last Sundays, 01:00 UTC)."""
    zone, morning = VIENNA, date.fromisoformat(day)
    config = parse(RACK.format(folder="/nowhere", first="p1").encode(), Path("/nowhere/rack.toml"))
    night = night_of(morning, config.site.night_start, config.site.night_end, zone)
    begin = utc(start)
    assert (night.start, night.end) == (begin, begin + hours * HOUR)
    first, last = day_start(morning, zone), day_start(date.fromordinal(morning.toordinal() + 1), zone)
    assert last - first == day_hours * HOUR

    def fill(book: Book) -> None:
        book.settle(begin - DAY)
        # At the changed hour, which comes twice or not at all, it was too dry.
        book.keep(
            judged("p1", at, 29.0, 50.0 if begin + 5 * HOUR <= at < begin + 6 * HOUR else 65.0)
            for at in range(begin - 2 * HOUR, last + HOUR, POLL)
        )

    past = told(fill)
    sums = past.nights(night.start, night.end)["T1"]
    assert (sums.watched_seconds, sums.beyond_tolerable_seconds) == (hours * HOUR, HOUR)
    found = past.days("T1", [first, last])
    assert list(found) == [first]
    assert found[first].watched_seconds == day_hours * HOUR
    assert found[first].beyond_seconds == max(0, min(HOUR, begin + 6 * HOUR - first))


def test_a_calibration_counts_from_its_own_second(told: Made) -> None:
    """Half an hour at 65 % and 29 °C, then the same words at 2 % less and 1 °C more."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep(polls("p1", M, M + 1800))
        book.keep((), Calibration(M + 1800, "p1", 1.0, -2.0, 1.0))
        for reading, quality in polls("p1", M + 1800, M + HOUR):
            book.keep(
                [(Reading(reading.time, "p1", 30.0, 63.0, reading.temperature_word, reading.humidity_word), quality)]
            )

    past = told(fill)
    night = past.nights(M, M + HOUR)["T1"]
    assert night.humidity_min == Mark(near(63), M + 1800, "p1")
    assert night.humidity_max == Mark(near(65), M, "p1")
    assert night.temperature_max == Mark(near(30), M + 1800, "p1")
    assert night.watched_seconds == HOUR
    assert [point.humidity_percent for point in past.series("p1", M, M + HOUR, 2)] == [near(65), near(63)]
    assert past.latest()["p1"].reading.humidity_percent == near(63)
    assert [(one.time, one.humidity_offset_percent) for one in past.calibrations().of("p1")] == [(M + 1800, -2.0)]


def test_a_calibration_that_is_dated_back_changes_what_was_measured_before_it_was_known(told: Made) -> None:
    """61 % all the hour, then it is known that the probe said 2 % too much from the half hour on: below target for 1800 s."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep(polls("p1", M, M + HOUR, 29.0, 61.0))
        book.keep((), Calibration(M + 1800, "p1", 0.0, -2.0, 1.0))

    night = told(fill).nights(M, M + HOUR)["T1"]
    assert (night.beyond_target_seconds, night.beyond_tolerable_seconds) == (1800, 0)
    assert night.humidity_min == Mark(near(59), M + 1800, "p1")
    assert night.dose_percent_hours == pytest.approx(0.5, abs=0.002)


def test_a_fault_that_is_found_late_takes_its_readings_away(told: Made) -> None:
    """Drift from half past on: what it then said was believed at first, and is not any more."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p1", M, M + 1800), *polls("p1", M + 1800, M + HOUR, 29.0, 40.0)])
        book.keep(exclusions=(Exclusion("p1", M + 1800, M + HOUR, ("drift",)),))

    past = told(fill)
    night = past.nights(M, M + HOUR)["T1"]
    assert (night.watched_seconds, night.beyond_target_seconds) == (1800, 0)
    assert night.humidity_min == Mark(near(65), M, "p1")
    newest = past.latest()["p1"].quality
    assert (newest.flag, tuple(newest.tests)) == (FAIL, ("drift",))
    assert [point.at for point in past.series("p1", M, M + HOUR, 4)] == [M, M + 900]


def test_a_retired_probe_tells_of_its_time_and_the_new_one_of_its_own(told: Made) -> None:
    """p1 was taken out at half past and p3 put in: each is judged for its half, and both curves are the tub's."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p1", M, M + 1800, 29.0, 62.0), *polls("p3", M, M + 1800, 20.0, 30.0)])
        book.settle(M + 1800, "p3")
        book.keep([*polls("p1", M + 1800, M + HOUR, 20.0, 30.0), *polls("p3", M + 1800, M + HOUR, 29.0, 68.0)])

    past = told(fill, first="p3")
    night = past.nights(M, M + HOUR)["T1"]
    assert (night.watched_seconds, night.beyond_target_seconds, night.too_cold_seconds) == (HOUR, 0, 0)
    assert night.humidity_min == Mark(near(62), M, "p1")
    assert night.humidity_max == Mark(near(68), M + 1800, "p3")
    traces = past.traces("T1", M, M + HOUR, 4)
    assert {one.probe: [point.at for point in one.points] for one in traces} == {
        "p1": [M, M + 900], "p3": [M + 1800, M + 2700]
    }  # fmt: skip
    assert [point.humidity_percent for point in past.series("T1", M, M + HOUR, 2)] == [near(62), near(68)]
    assert past.means(M, M + HOUR)["T1"] == (near(29), near(65))
    assert len(past.series("p1", M, M + HOUR, 4)) == 4, "a probe by its own name: all it ever read"
    assert (past.in_force().judged("T1", M), past.in_force().judged("T1", M + 1800)) == (("p1",), ("p3",))


def test_only_what_is_judged_moves_a_tub_s_night(told: Made) -> None:
    """The warm end informs: it has a curve of its own, after the judged probe's, and no part in the sums."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p2", M, M + HOUR), *polls("w2", M, M + HOUR, 38.0, 40.0)])

    past = told(fill)
    assert past.nights(M, M + HOUR)["T2"].temperature_max == Mark(near(29), M, "p2")
    assert past.nights(M, M + HOUR)["T2"].too_hot_seconds == 0
    traces = past.traces("T2", M, M + HOUR, 1)
    assert [(one.probe, one.role, one.judged) for one in traces] == [
        ("p2", "substrate", True),
        ("w2", "warm_end", False),
    ]
    assert [one.points[0].temperature_c for one in traces] == [near(29), near(38)]
    assert [point.temperature_c for point in past.series("T2", M, M + HOUR, 1)] == [near(29)]
    assert past.means(M, M + HOUR)["T2"] == (near(29), near(65))


def raised(name: str, at: int, tub: str, **more: Any) -> Event:
    """Return the event of a dry alarm that begins."""
    given: dict[str, Any] = {"event": "raised", "state": "unacknowledged", "since": at - HOUR} | more
    return Event(
        f"{name}-{given['event']}", name, given.pop("time", at), given.pop("event"), "dry", tub, "p" + tub[1:], "tolerable", "medium",
        given.pop("state"), given.pop("since"), value=48.0, limit=55.0, cause="moisture left", **given,
    )  # fmt: skip


def test_events_come_oldest_first_from_one_second_until_before_another(told: Made) -> None:
    """What stands is what the last event of each alarm says; what was seen stays until it is over."""
    each = (
        raised("a", M, "T1"), raised("b", M + 60, "T2"), raised("c", M + 120, "T1"),
        raised("a", M, "T1", time=M + 180, event="cleared", state="normal"),
        raised("b", M + 60, "T2", time=M + 240, event="acknowledged", state="acknowledged", who="Ina"),
    )  # fmt: skip

    def fill(book: Book) -> None:
        book.settle()
        book.keep(events=each)

    past = told(fill)
    assert list(past.events(0)) == list(each)
    assert list(past.events(M + 60, until=M + 180)) == [each[1], each[2]]
    assert list(past.events(M + 60, "T1")) == [each[2], each[3]]
    assert list(past.events(M + 241)) == []
    standing = {one.alarm: one for one in past.standing()}
    assert {name: one.state for name, one in standing.items()} == {"b": "acknowledged", "c": "unacknowledged"}
    seen = standing["b"]
    assert (seen.kind, seen.enclosure, seen.probe, seen.band, seen.priority) == (
        "dry",
        "T2",
        "p2",
        "tolerable",
        "medium",
    )
    assert (seen.since, seen.raised, seen.value, seen.limit, seen.cause) == (
        M + 60 - HOUR, M + 60, 48.0, 55.0, "moisture left"
    )  # fmt: skip


def test_the_journal_comes_by_the_time_of_the_deed_and_without_what_was_corrected(told: Made) -> None:
    """Written down late, corrected, taken back, of no tub, with words of any language."""
    fed = JournalEntry("fed", M + 60, "T1", "fed", 'a "rat" é 蛇 %s :x \\', who="Ina")
    late = JournalEntry("late", M, "T1", "misted", entered=M + 600)
    wrong = JournalEntry("wrong", M + 120, "T2", "misted")
    right = JournalEntry("right", M + 120, "T2", "spot_cleaned", replaces="wrong")
    taken = JournalEntry("taken", M + 180, "T2", "fed")
    back = JournalEntry("back", M + 180, "T2", "withdrawn", replaces="taken")
    power = JournalEntry("power", M + 240, None, "power_cut")

    def fill(book: Book) -> None:
        book.settle()
        book.keep((), fed, late, wrong, right, taken, back, power)

    past = told(fill)
    assert list(past.journal(0)) == [late, fed, right, power]
    assert [one.id for one in past.journal(0, replaced=True)] == [
        "late",
        "fed",
        "wrong",
        "right",
        "taken",
        "back",
        "power",
    ]
    assert list(past.journal(M + 60)) == [fed, right, power]
    assert list(past.journal(M + 241)) == []
    assert list(past.journal(0, words=("fed", "misted"))) == [late, fed]
    assert list(past.journal(0, words=("fed",), enclosure="T2")) == []
    assert list(past.journal(0, enclosure="T2")) == [right]


def test_settings_stages_bands_and_service_hold_when_they_held(told: Made) -> None:
    """An opaque snake for two hours, a timed band, a tub out of service and in again."""

    def fill(book: Book) -> None:
        book.settle(M)
        book.keep(
            (),
            JournalEntry("j1", M + HOUR, "T1", "opaque", until=M + 3 * HOUR),
            JournalEntry("j2", M + HOUR, "T2", "limits_for_a_time", "72-82", until=M + 2 * HOUR),
            Command("c1", M + HOUR, "out_of_service", "Ina", enclosure="T2", until=M + DAY, why="moult"),
            Command("c2", M + 3 * HOUR, "in_service", "Ina", enclosure="T2"),
            Command("c3", M + 4 * HOUR, "out_of_service", "Ina", enclosure="T1", until=M + DAY),
        )

    force = told(fill).in_force()
    assert [force.stage("T1", M + n * HOUR) for n in (0, 1, 2, 3)] == [
        ("", -1), ("opaque", M + 3 * HOUR), ("opaque", M + 3 * HOUR), ("", -1)
    ]  # fmt: skip
    assert [force.holding("T2", M + n * HOUR).band for n in (0, 1, 2)] == ["", "72-82", ""]
    limits = [force.limits("T2", M + n * HOUR) for n in (0, 1, 2)]
    assert [(one.humidity_target.low, one.humidity_target.high) for one in limits if one] == [
        (60, 70),
        (72, 82),
        (60, 70),
    ]
    assert force.poll_seconds(M + HOUR) == 300
    assert force.began == M
    assert force.out_of_service("T2") is None
    assert force.out_of_service_seconds("T2", M, M + DAY) == 2 * HOUR
    out = force.out_of_service("T1")
    assert out is not None
    assert (out.id, out.until) == ("c3", M + DAY)


def test_a_night_is_measured_by_the_limits_of_its_time(told: Made) -> None:
    """75 % for an hour; from the half hour on a band of 72 to 82 is wanted, and it is within."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep(polls("p2", M, M + 1800, 29.0, 75.0))
        book.keep((), JournalEntry("j1", M + 1800, "T2", "limits_for_a_time", "72-82", until=M + DAY))
        book.keep(polls("p2", M + 1800, M + HOUR, 29.0, 75.0))

    past = told(fill)
    assert past.nights(M, M + HOUR)["T2"].beyond_target_seconds == 1800
    assert past.above_target_seconds({"T2": M + 900}, M + HOUR) == {"T2": 900}


def test_what_was_learned_last_is_what_is_known(told: Made) -> None:
    """By tub, as of a time: what was learned later is not known yet, and what is not said any more is withdrawn."""
    old = Learned(M, "T1", (Fact("drying_hours", 6.0, until=M + 30 * DAY),))
    new = Learned(M + DAY, "T1", ())
    other = Learned(M + HOUR, "T2", (Fact("drying_hours", 4.0, until=M + 30 * DAY),))

    def fill(book: Book) -> None:
        book.settle()
        book.keep((), old, other, new)

    past = told(fill)
    assert past.learned(M - 1) == {}
    assert past.learned(M) == {"T1": old}
    assert past.learned(M + HOUR) == {"T1": old, "T2": other}
    assert past.learned(M + DAY) == {"T1": new, "T2": other}


def test_small_facts_and_large_ones_are_asked_for_apart(told: Made) -> None:
    """Figures by the rest of their names; when the daemon was off among the notes."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep(
            notes={
                OFF_TIMES: "[]",
                FIGURES + "outlook:T1": "{}",
                FIGURES + "outlook:T2": "[1]",
                FIGURES + "other:T1": "x",
            }
        )

    past = told(fill)
    assert past.notes()[OFF_TIMES] == "[]"
    assert not any(name.startswith(FIGURES) for name in past.notes())
    assert past.figures("outlook:") == {"T1": "{}", "T2": "[1]"}
    assert past.figures("other:") == {"T1": "x"}


def test_glimpses_and_days_tell_lowest_and_highest(told: Made) -> None:
    """A quarter hour at 50 and at 75 %, and two days of which one was not watched."""

    def fill(book: Book) -> None:
        book.settle()
        book.keep([*polls("p1", M, M + 900, 25.0, 50.0), *polls("p1", M + 900, M + 2700, 31.0, 75.0)])
        book.keep(polls("p1", M + 2 * DAY, M + 2 * DAY + 2 * HOUR))

    past = told(fill)
    assert [ends(one) for one in past.glimpses(M, M + 2700, 2)["T1"]] == [
        (M, near(50), near(75), near(25), near(31)), (M + 1800, near(75), near(75), near(31), near(31)),
    ]  # fmt: skip
    found = past.days("T1", [M + n * DAY for n in range(4)])
    assert list(found) == [M, M + 2 * DAY]
    one = found[M]
    # The last of nine polls stands for its longest, 900 s.
    assert (one.watched_seconds, one.beyond_seconds) == (8 * POLL + 900, 900)
    assert (one.humidity_low, one.humidity_high, one.temperature_low, one.temperature_high) == (
        near(50), near(75), near(25), near(31)
    )  # fmt: skip
    assert (found[M + 2 * DAY].humidity_low, found[M + 2 * DAY].beyond_seconds) == (near(65), 0)
