"""What page, terminal and morning message say is so: urgent first, and "all well" only where everything was watched."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.daemon.conftest import CLOCK, Phone, Racks
from tests.web.conftest import PASSWORD

from dewkeeper.cli.glance import morning_lines, silence_line
from dewkeeper.notify.daily import morning_words
from dewkeeper.report.model import MorningGlance
from dewkeeper.report.morning import morning
from dewkeeper.report.now import NowGlance, now
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper.service.daemon import Daemon
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config, Web
from dewkeeper_drivers.simulated import register_clock

EVENING = 1_790_017_200.0  # 21 September 2026, 19:00 UTC: 21:00 in Vienna, when the night of the glance begins


class House:
    """A daemon on tubs of one's choice, and everything that is said about them."""

    def __init__(self, folder: Path, url: str) -> None:
        self.racks = Racks(folder, url, wall=EVENING)
        self.config: Config
        self.daemon: Daemon
        self._browser = requests.Session()
        self._browser.trust_env = False

    def start(self, *tubs: dict[str, Any], poll_seconds: int = 300, **storage: Any) -> None:
        """Start a daemon on tubs T1, T2 ...: of each what its simulated probe is to do. Few polls, for nights are long."""
        text = self.racks.text(len(tubs), poll_seconds)
        for number, tub in enumerate(tubs, start=1):
            options = {"clock": CLOCK, "swing_percent": 0.5, "swing_c": 0.5, **tub}
            written = ", ".join(f"{key} = {json.dumps(value)}" for key, value in options.items())
            text = re.sub(
                rf'(name = "t{number}"\nenclosure = "T{number}"\ndriver = "simulated"\noptions = ){{[^}}]*}}',
                lambda found, written=written: f"{found[1]}{{ {written} }}",
                text,
            )
        config = parse(text.encode(), self.racks.folder / "test.toml")
        kept = config.storage.model_copy(update=storage)
        self.config = config.model_copy(update={"web": Web(port=0), "storage": kept})
        self.daemon = self.racks.start(self.config)

    def hours(self, hours: float) -> None:
        """Let time pass."""
        self.racks.clock.advance(hours * 3600)

    @property
    def at(self) -> int:
        """The second it is."""
        return int(self.racks.clock.wall())

    def glance(self) -> MorningGlance:
        """Return the morning glance of this moment."""
        with StoredPast.open(self.config) as past:
            return morning(past, self.config, self.at)

    def now(self) -> NowGlance:
        """Return how it is now."""
        with StoredPast.open(self.config) as past:
            return now(past, self.config, self.at)

    def message(self) -> tuple[str, str]:
        """Return first line and text of the morning message."""
        title, lines = morning_words(self.glance(), Wording.of(self.config.site))
        return title, "\n".join(lines)

    def terminal(self) -> str:
        """Return what `dewkeeper morning` prints."""
        return "\n".join(morning_lines(self.glance(), Wording.of(self.config.site)))

    def page(self, path: str = "/") -> str:
        """Return a screen's text as the keeper sees it, without its tags."""
        page = self.daemon.page
        assert page is not None
        base = "http://{}:{}".format(*page.address)
        if page.first_run_code is not None:
            data = {"code": page.first_run_code, "name": "Ina", "password": PASSWORD}
            assert self._browser.post(base + "/first", data=data).status_code == 200
        answer = self._browser.get(base + path)
        assert answer.status_code == 200
        return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", answer.text))).replace("\u00a0", " ")

    def do(self, **request: Any) -> None:
        """Have the daemon carry out a request."""
        self.daemon.handle({"who": "Ina", **request})

    def alarm(self, kind: str) -> str:
        """Return the id of the one standing alarm of a kind."""
        with StoredPast.open(self.config) as past:
            (found,) = [alarm.alarm for alarm in past.standing() if alarm.kind == kind]
        return found

    def close(self) -> None:
        """Stop everything."""
        self._browser.close()
        self.racks.stop_all()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Return a house without tubs yet."""
    with Phone() as phone:
        made = House(tmp_path, phone.url)
        yield made
        made.close()


GOOD: dict[str, Any] = {}
DRY = {"humidity_percent": 46.0}
HOT = {"temperature_c": 39.5}


def in_order(text: str, *parts: str) -> bool:
    """Return whether all of these come, one after the other."""
    at = [text.find(part) for part in parts]
    return -1 not in at and at == sorted(at)


def test_an_acknowledged_heat_stands_above_dry_tubs_everywhere(house: House) -> None:
    """39.5 °C for hours, seen by somebody: still first in `morning`, `now`, on the page, in the alarms and the message."""
    house.start(DRY, DRY, HOT)
    house.hours(10)
    house.do(do="acknowledge", alarm=house.alarm("hot"))
    house.hours(2.7)
    assert [row.enclosure for row in house.glance().enclosures][0] == "T3"
    assert [row.enclosure for row in house.now().probes][0] == "T3"
    assert [alarm.enclosure for alarm in house.now().to_act_on][0] == "T3"
    title, text = house.message()
    assert title.startswith("Morning: T3, ")
    alarms, page, terminal = house.page("/alarms"), house.page(), house.terminal()
    for dry in ("T1", "T2"):
        assert in_order(terminal, "T3: too hot", f"{dry}: too dry")
        assert in_order(page, "T3 act now", f"{dry} see to it")
        assert in_order(alarms, "T3", dry)
        assert in_order(text, "T3: too hot", f"{dry}: too dry")


def test_of_two_that_are_too_hot_the_hotter_one_comes_first(house: House) -> None:
    """The dose of dryness does not lift 35 °C above 40 °C."""
    house.start({"temperature_c": 35.0, "humidity_percent": 40.0}, {"temperature_c": 40.0})
    house.hours(3)
    assert [row.enclosure for row in house.glance().enclosures] == ["T2", "T1"]


def test_the_curve_of_a_hot_tub_contains_now(house: House) -> None:
    """In the afternoon the page of a tub at 40.9 °C opens on the last 24 hours, that of a calm one on the night."""
    house.start({"temperature_c": 34.4, "swing_c": 6.5}, GOOD)  # warmest at 15:00 UTC
    house.hours(20)
    assert re.search(r"highest 40\.\d °C", house.page("/enclosure/T1"))
    assert not re.search(r"highest 40\.\d °C", house.page("/enclosure/T1?span=night"))
    calm = house.page("/enclosure/T2")
    assert calm == house.page("/enclosure/T2?span=night")


def test_all_well_counts_only_what_is_in_service_and_names_the_rest(house: House) -> None:
    """One tub out of service at 46 %: the others are well, and it is said that it is out, and its air; never "every enclosure"."""
    house.start(DRY, GOOD, GOOD)
    house.do(do="out_of_service", enclosure="T1", why="empty", until=house.at + 5 * 86400)
    house.hours(12)
    glance = house.glance()
    assert {row.enclosure: row.rank for row in glance.enclosures} == {"T1": "out_of_service", "T2": "calm", "T3": "calm"}
    assert glance.all_well
    title, text = house.message()
    assert title == "All well: 2 in service, 1 not; night 21:00–08:00"
    assert "every enclosure in service was watched" in text
    assert re.search(r"Out of service, nobody is told of them: T1 \(4\d %", text)
    for said in (house.terminal(), house.page()):
        assert "Out of service, nobody is told of them: T1" in said
        assert "calm (3)" not in said
        assert not re.search(r"\b3 calm:?,? lowest|calm (3)", said)


def test_a_shelved_alarm_is_not_all_well(house: House) -> None:
    """What the keeper put aside is called shelved, neither calm nor asking for a look."""
    house.start(DRY, GOOD)
    house.hours(10)
    house.do(do="shelve", alarm=house.alarm("dry"), why="waits for the vet", until=house.at + 8 * 3600)
    house.hours(2)
    glance = house.glance()
    assert {row.enclosure: row.rank for row in glance.enclosures} == {"T1": "shelved", "T2": "calm"}
    assert not glance.all_well
    title, text = house.message()
    assert title == "Morning: calm; shelved: T1"
    assert "Shelved: T1 (too dry until " in text
    for said in (house.terminal(), house.page()):
        assert "All well" not in said
        assert "Shelved: T1" in said


def test_every_probe_unplugged_is_nothing_watched(house: House) -> None:
    """Once, at the top, in every place: not a row for each tub, and no tub called calm, one out of service neither."""
    gone = {"fault": "drop", "fault_after_seconds": 6 * 3600}
    house.start(*[gone] * 5)
    house.do(do="out_of_service", enclosure="T5", why="empty", until=house.at + 5 * 86400)
    house.hours(12)
    glance, page = house.glance(), house.page()
    assert glance.nothing_watched
    assert page.count("Nothing is watched") >= 1
    assert "4 need a look" not in page
    assert " calm" not in page
    assert page.count("no reading, since") == 0
    assert "Not watched: T1 T2 T3 T4" in page
    assert house.message()[0] == "Nothing is watched – look at the tubs yourself"
    assert "Nothing is watched." in house.terminal()
    assert house.now().nothing_watched


def test_a_hot_tub_comes_before_nothing_watched(house: House) -> None:
    """Overheated until its probe fell silent, with all the others: the heat that nobody has seen is first."""
    gone = {"fault": "drop", "fault_after_seconds": 6 * 3600}
    house.start(gone, {**HOT, **gone})
    house.hours(12)
    assert house.glance().nothing_watched
    assert in_order(house.page(), "T2 act now", "No enclosure is watched")
    assert house.message()[0].startswith("Morning: T2")


def test_eight_minutes_without_readings_are_no_night_all_well(house: House) -> None:
    """Silent for eight minutes and back: calm, and the message says that it was not always watched."""
    house.start({"fault": "drop", "fault_after_seconds": 3 * 3600, "fault_for_seconds": 8 * 60}, GOOD, poll_seconds=60)
    house.hours(6)
    glance = house.glance()
    assert [row.rank for row in glance.enclosures] == ["calm", "calm"]
    assert not glance.all_well
    assert [row.enclosure for row in glance.patchy] == ["T1"]
    title, text = house.message()
    assert title == "Morning: calm, not always watched: T1"
    assert "All well" not in text


def test_one_poll_that_failed_leaves_a_tub_watched(house: House) -> None:
    """The newest poll of a probe gave nothing, the one before did: a gap of up to three polls is no break."""
    house.start({"fault": "drop", "fault_after_seconds": 2 * 3600, "fault_for_seconds": 60}, GOOD, poll_seconds=60)
    house.hours(2)
    house.racks.clock.advance(30)
    (row,) = [row for row in house.glance().enclosures if row.enclosure == "T1"]
    assert not row.unwatched.now


def test_a_night_before_the_first_start_is_not_called_unwatched(house: House) -> None:
    """Installed at nine in the evening, looked at an hour later: nothing is missing, and nothing is claimed of last night."""
    house.start(GOOD, GOOD)
    house.hours(1)
    glance = house.glance()
    assert [row.unwatched.minutes for row in glance.enclosures] == [0.0, 0.0]
    assert not glance.all_well


def test_readings_committed_every_five_minutes_are_of_now(house: House) -> None:
    """With `commit_minutes = 5` no glance in a quarter of an hour, taken every half minute, says that nothing is new."""
    house.start(GOOD, GOOD, poll_seconds=60, commit_minutes=5.0)
    house.hours(1)
    for _ in range(30):
        house.racks.clock.advance(30)
        glance = house.now()
        assert glance.silent_since is None
        assert {row.trust for row in glance.probes} == {"measured"}
        assert not house.glance().nothing_watched


def test_silence_is_put_down_to_the_daemon_only_where_it_does_not_answer(house: House) -> None:
    """With nothing new stored, the daemon's own sign of life decides what is said."""
    house.start(GOOD)
    house.hours(1)
    wording = Wording.of(house.config.site)
    assert set(house.daemon.handle({"do": "alive"})) == {"ages", "dead"}
    assert "The daemon runs" in str(silence_line(house.at - 600, wording, house.at, alive=True))
    assert "does not answer" in str(silence_line(house.at - 600, wording, house.at, alive=False))


def test_after_the_clock_went_back_now_shows_what_is_read_now(house: House) -> None:
    """Three hours back: the newest reading is the one that came last, not the one with the latest stamp."""
    house.start(GOOD, GOOD, poll_seconds=60)
    house.hours(4)
    before = house.now().probes
    house.racks.clock.step(-3 * 3600)
    house.racks.clock.advance(10 * 60)
    rows = {row.probe: row for row in house.now().probes}
    assert {row.trust for row in rows.values()} == {"measured"}
    # To a second or so: where an older reading has a second already, the next one is taken.
    assert all(row.at is not None and abs(house.at - row.at) <= 120 for row in rows.values())
    assert max(row.at or 0 for row in before) > house.at


def test_a_probe_silent_since_before_the_clock_went_back_is_stale(house: House) -> None:
    """Its last reading bears a time that is yet to come: that is no reading of now."""
    register_clock("never steps", house.racks.clock.monotonic)
    house.start({"fault": "drop", "fault_after_seconds": 4 * 3600 - 90, "clock": "never steps"}, GOOD, poll_seconds=60)
    house.hours(4)
    house.racks.clock.step(-3 * 3600)
    house.racks.clock.advance(10 * 60)
    rows = {row.probe: row for row in house.now().probes}
    assert rows["t2"].trust == "measured"
    assert rows["t1"].trust in ("stale", "no reading")
