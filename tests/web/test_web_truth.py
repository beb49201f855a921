"""What page, terminal and morning message say is so: urgent first, and "all well" only where everything was watched."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.daemon.conftest import Phone
from tests.web.house import DRY, GOOD, HOT, House, in_order

from dewkeeper.cli.glance import silence_line
from dewkeeper.notify.heartbeat import Pulse
from dewkeeper.report.alarm_words import headline
from dewkeeper.report.wording import Wording
from dewkeeper.service.page import health_lines
from dewkeeper.web.visit import HealthLine
from dewkeeper_config.door import checked
from dewkeeper_config.models import Notify
from dewkeeper_drivers.simulated import register_clock


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Return a house without tubs yet."""
    with Phone() as phone:
        made = House(tmp_path, phone.url)
        yield made
        made.close()


def test_an_acknowledged_heat_stands_above_dry_tubs_everywhere(house: House) -> None:
    """39.5 °C for hours, seen by somebody: still first in `morning`, `now`, on the page, in the alarms and the message."""
    house.start(DRY, DRY, HOT, later_hours=7)
    house.hours(3)
    house.do(do="acknowledge", alarm=house.alarm("hot"))
    house.hours(2.7)
    assert house.glance().enclosures[0].enclosure == "T3"
    assert house.now().probes[0].enclosure == "T3"
    assert house.now().to_act_on[0].enclosure == "T3"
    title, text = house.message()
    assert title.startswith("Morning: act now on T3: ")
    alarms, page, terminal = house.page("/alarms"), house.page(), house.terminal()
    for dry in ("T1", "T2"):
        assert in_order(terminal, "T3: dangerously hot", f"{dry}: too dry")
        assert in_order(page, "T3 act now", f"{dry} see to it")
        assert in_order(alarms, "T3", dry)
        assert in_order(text, "T3: dangerously hot", f"{dry}: too dry")


def test_a_heat_is_dangerous_in_every_place_until_it_has_cooled_below_danger(house: House) -> None:
    """Above 38 °C every screen, command and message says so; two hours later, at 36 °C, it is too hot, and none says more."""
    house.start({"temperature_c": 34.4, "swing_c": 6.5}, GOOD, later_hours=13)  # warmest at 15:00 UTC

    def said() -> dict[str, str]:
        probe = next(row for row in house.now().probes if row.enclosure == "T1")
        return {
            "morning": house.page(), "enclosure": house.page("/enclosure/T1"), "alarms": house.page("/alarms"),
            "away": house.page("/leave"), "sheet": house.sitters_sheet(), "terminal": house.terminal(),
            "message": house.message()[1], "now": "; ".join(map(headline, probe.alarms)),
        }  # fmt: skip

    house.hours(7.5)
    assert {where for where, text in said().items() if "dangerously hot" not in text} == set()
    house.hours(4)
    assert {where for where, text in said().items() if "dangerously" in text or "too hot" not in text} == set()


def test_of_two_that_are_too_hot_the_hotter_one_comes_first(house: House) -> None:
    """The dose of dryness does not lift 35 °C above 40 °C."""
    house.start({"temperature_c": 35.0, "humidity_percent": 40.0}, {"temperature_c": 40.0})
    house.hours(3)
    assert [row.enclosure for row in house.glance().enclosures] == ["T2", "T1"]


def test_the_curve_of_a_hot_tub_contains_now(house: House) -> None:
    """In the afternoon the page of a tub at 40.9 °C opens on the last 24 hours, that of a calm one on the night."""
    house.start({"temperature_c": 34.4, "swing_c": 6.5}, GOOD, later_hours=9)  # warmest at 15:00 UTC
    house.hours(11)
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
    assert {row.enclosure: row.rank for row in glance.enclosures} == {
        "T1": "out_of_service",
        "T2": "calm",
        "T3": "calm",
    }
    assert glance.all_well
    title, text = house.message()
    assert title == "2 calm; 1 out of service, not watched; night 21:00–08:00"
    assert "In service: all within their limits" in text
    assert re.search(r"Out of service, not watched, no alarm comes: T1 \(4\d %", text)
    for said in (house.terminal(), house.page()):
        assert "2 calm, 1 out of service (not watched)" in said
        assert " 3 calm" not in said
        assert "calm (3)" not in said
    assert "Out of service, not watched, no alarm comes: T1" in house.terminal()
    assert in_order(house.page(), "T1 out of service , not watched", "T2 calm", "T3 calm")


def test_a_shelved_alarm_is_not_all_well(house: House) -> None:
    """What the keeper put aside is called shelved, neither calm nor asking for a look."""
    house.start(DRY, GOOD, later_hours=7)
    house.hours(3)
    house.do(do="shelve", alarm=house.alarm("dry"), why="waits for the vet", until=house.at + 8 * 3600)
    house.hours(2)
    glance = house.glance()
    assert {row.enclosure: row.rank for row in glance.enclosures} == {"T1": "shelved", "T2": "calm"}
    assert not glance.all_well
    title, text = house.message()
    assert title.startswith("Morning: T1 silenced until ")
    assert ", now 4" in title
    assert ": waits for the vet; other alarms come; " in text
    assert " → refill the bowl)" in text
    assert "Shelved: T1 (too dry, silenced until " in text
    for said in (house.terminal(), house.page()):
        assert "All well" not in said
        assert "1 shelved, 1 calm" in said
    assert "Shelved: T1 (too dry, silenced until " in house.terminal()
    assert "T1 shelved : too dry, silenced until " in house.page()


def test_every_probe_unplugged_is_nothing_watched(house: House) -> None:
    """Said and explained once, at the top, in every place; each tub only "unwatched", none called calm, one out of service neither."""
    gone = {"fault": "drop", "fault_after_seconds": 10 * 3600}
    house.start(*[gone] * 5, later_hours=8)
    house.do(do="out_of_service", enclosure="T5", why="empty", until=house.at + 5 * 86400)
    house.hours(4)
    glance, page = house.glance(), house.page()
    assert glance.nothing_watched
    assert page.count("Nothing is watched") >= 1
    assert "to see to" not in page
    assert " calm" not in page
    assert page.count("no reading, since") == 0
    assert "Nothing is watched: 4 unwatched, 1 out of service" in page
    assert in_order(
        page,
        "Nothing is watched: the probes of all tubs are silent since ",
        "check the cable, plug or adapter they share",
        *[f"T{n} unwatched" for n in (1, 2, 3, 4)],
        "T5 out of service",
    )
    assert house.message()[0] == "Nothing is watched – look at the tubs yourself"
    assert "Nothing is watched: " in house.terminal()
    assert house.now().nothing_watched


def test_a_hot_tub_comes_before_nothing_watched(house: House) -> None:
    """Overheated until its probe fell silent, with all the others: the heat that nobody has seen is first."""
    gone = {"fault": "drop", "fault_after_seconds": 10 * 3600}
    house.start(gone, {**HOT, **gone}, later_hours=6)
    house.hours(6)
    assert house.glance().nothing_watched
    assert in_order(house.page(), "T2 act now", "Nothing is watched: the probes of all tubs are silent")
    assert house.message()[0].startswith("Morning: act now on T2")


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


def test_a_heartbeat_that_nobody_answers_is_a_line_on_the_health_screen(house: House) -> None:
    """Whether anybody would notice a dead Pi: not set up is said, then pings unanswered, then answered again."""
    house.start(GOOD)
    assert "heartbeat : not yet , nobody outside would notice a dead Pi" in house.page("/health")
    config = house.config.but(notify=checked(Notify, {"heartbeat_url": "http://127.0.0.1:9/"}))
    pulse = Pulse(house.racks.clock.monotonic)

    def line() -> HealthLine:
        losses, beats = house.daemon.losses, house.daemon.heartbeats
        lines = health_lines(config, beats, "", house.at, losses, pulse, clock_trusted=True)
        return next(line for line in lines if line.what == "heartbeat")

    assert line().well is None
    for _ in range(648):
        pulse.felt("connection refused")
    assert (line().well, line().text) == (False, "the last 648 pings were not answered (connection refused)")
    pulse.felt("")
    assert line().well


def test_the_sitters_sheet_is_worst_first_and_calls_nothing_calm_that_nobody_watches(house: House) -> None:
    """Heat first, then the tub whose probe is silent, told to be looked at; shelved and out of service are no calm either."""
    gone = {"fault": "drop", "fault_after_seconds": 3600}
    house.start(GOOD, DRY, gone, HOT, DRY)
    house.do(do="out_of_service", enclosure="T5", why="empty", until=house.at + 5 * 86400)
    house.hours(3)
    house.do(do="shelve", alarm=house.alarm("dry"), why="waits for the vet", until=house.at + 8 * 3600)
    said = house.sitters_sheet()
    assert in_order(
        said, "T4 dangerously hot", "T3 not watched: look whether tub and snake are well", "T2 the keeper knows about it",
        "T5 not in use", "T1 calm",
    ), said  # fmt: skip
    assert said.count("calm") == 1
    # Who may touch no heater and take out no snake is not told to: the owner's own words for too hot stand above.
    assert (
        said.count("do what is said above for too hot, look at the other tubs on that plug, and call the keeper now")
        == 1
    )
    assert "move the snake" not in said
    assert in_order(said, "no reading", "leave the probe and its cable")
