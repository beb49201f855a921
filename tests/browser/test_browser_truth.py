"""What asks for no look, and what nobody watches, as a person sees it: own words, nothing cut off, at any width and in the dark."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.browser.visitor import Visitor
from tests.daemon.conftest import Phone
from tests.web.house import DRY, GOOD, HOT, House, in_order

from dewkeeper_config.models import BusConfig

Browser = Callable[..., Visitor]
WINDOWS = ((360, 740, "light"), (360, 740, "dark"), (1280, 900, "light"), (1280, 900, "dark"))
GONE = {"fault": "drop", "fault_after_seconds": 4 * 3600}
PATCHY = {"fault": "drop", "fault_after_seconds": 3600, "fault_for_seconds": 8 * 60}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """Return a house without tubs yet."""
    with Phone() as phone:
        made = House(tmp_path / "state", phone.url)
        made.racks.folder.mkdir()
        yield made
        made.close()


def seen(browser: Browser, house: House, *paths: str) -> dict[str, str]:
    """Return what each screen says, after looking at it in every window: nothing cut off, nothing on something else."""
    one, said = browser(), {}
    one.log_in(house.base, house.first_code)
    one.go(house.base + "/health")
    one.fill(name="Leo")
    one.press("Make a link")
    sheet = one.one("main a").get_attribute("href")
    paths = (*paths, "/sitter/" + sheet.rpartition("/")[2])
    for path in paths:
        for width, height, scheme in WINDOWS:
            one.look_like(width, height, scheme)
            one.go(house.base + path)
            assert one.layout_faults() == [], (path, width, scheme)
            if folder := os.environ.get("SCREENS"):
                one.driver.save_screenshot(f"{folder}/{house.name}{path.replace('/', '-')[:12]}-{width}-{scheme}.png")
        said[path] = " ".join(f"{one.driver.title} {one.text}".split())
    return said


def test_each_of_the_four_words_is_its_own_place_on_the_page(browser: Browser, house: House) -> None:
    """Shelved, out of service, watched in part and calm stand under their own words, and none is called well."""
    house.name = "mixed"
    house.start(DRY, DRY, PATCHY, GOOD, GOOD, poll_seconds=60, first_run=True)
    house.do(do="out_of_service", enclosure="T2", why="empty", until=house.at + 5 * 86400)
    house.hours(4)
    house.do(do="shelve", alarm=house.alarm("dry"), why="waits for the vet", until=house.at + 8 * 3600)
    house.hours(0.2)
    said = seen(browser, house, "/", "/rack", "/health", "/probes")
    assert said["/"].startswith("1 shelved, 3 calm (")
    for line in (
        "T1 shelved: too dry, silenced until",
        "T2 out of service, not watched",
        "T3 calm, unwatched 2",
    ):
        assert line in said["/"]
    assert "out of service" in said["/rack"]
    assert "shelved: too dry" in said["/rack"]
    assert "heartbeat: not yet" in said["/health"]


def test_nothing_watched_is_one_line_and_heat_stands_above_it(browser: Browser, house: House) -> None:
    """Every probe fell silent, one tub was too hot before: the heat first, then that nobody watches, then which."""
    house.name = "nothing"
    house.start({**HOT, **GONE}, *[GONE] * 7, first_run=True)
    house.hours(6)
    said = seen(browser, house, "/", "/rack", "/enclosure/T1")["/"]
    assert said.startswith("Nothing is watched")
    assert in_order(said, "act now: dangerously hot", "Nothing is watched: the probes of all tubs", "T2 unwatched"), (
        said
    )


def test_a_bus_that_is_not_switched_on_is_the_first_thing_on_the_page(browser: Browser, house: House) -> None:
    """Minutes after a first start: nothing is watched, why, and the command, on the first screen and beside the probes."""
    house.name = "first"
    house.start(GOOD, GOOD, bus=BusConfig(name="i2c1", number=250), first_run=True)
    house.hours(0.1)
    said = seen(browser, house, "/", "/probes", "/alarms")
    assert said["/"].startswith("Nothing is watched")
    for path in ("/", "/alarms", "/probes"):
        assert "/dev/i2c-250 is not there" in said[path]
        assert "sudo raspi-config nonint do_i2c 0" in said[path]
