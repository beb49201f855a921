"""Real Chromium on the page of a whole daemon: on the demo's rack with a week of history, or on three simulated tubs."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from tests.browser.visitor import Visitor
from tests.daemon.conftest import Racks
from tests.web.conftest import Rig, after_two_hours, rack

from dewkeeper.clock import ManualClock
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper_config.models import Config
from dewkeeper_demo import night
from dewkeeper_demo.inbox import Inbox
from dewkeeper_demo.scenes import EVENING, moment
from dewkeeper_demo.show import Show
from dewkeeper_demo.stage import NIGHT_POLL_SECONDS, Stage

ZONE, THE_EVENING = "Europe/Vienna", date(2026, 11, 23)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars", "--lang=en-US",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


class DemoRack:
    """The demonstration's morning after: its daemon, its page, and animals, a stage and a service note besides."""

    def __init__(self, folder: Path) -> None:
        self.clock = ManualClock(wall=moment(THE_EVENING, EVENING, ZONE))
        self._stage = Stage(folder, ZONE, THE_EVENING).__enter__()
        night.play(self._stage, Show(ZONE), self.clock)
        self.daemon = Daemon(self._stage.write_config(NIGHT_POLL_SECONDS), clock=self.clock, alarm=SilentAlarm)
        self.daemon.start()
        night.until(self.clock, self.daemon, self.clock.wall() + 900)
        now = int(self.clock.wall())
        self._tell(what="moved_in", enclosure="A1", detail="Cinder", time=now - 6 * 86400)
        self._tell(what="moved_in", enclosure="A4", detail="Cinder", time=now - 2 * 86400)
        self._tell(what="fed", enclosure="A4", detail="one mouse", time=now - 86400)
        for days, place, grams in ((6, "A1", 1510), (4, "A1", 1490), (1, "A4", 1340)):
            self._tell(what="weighed", enclosure=place, detail=f"{grams} g", time=now - days * 86400 + 600)
        self._tell(what="mesh_cover_changed", enclosure="A1", detail="covered, half", time=now - 5 * 86400)
        self._tell(what="belly_rough", enclosure="A4", time=now - 86400)
        self._tell(
            what="shed", enclosure="A1", detail="in pieces, both spectacles off, tail tip off", time=now - 3 * 86400
        )
        self._tell(what="described", enclosure="A4", detail="Cinder, hatched 2021-06, female, eats only at night")
        self._tell(what="opaque", enclosure="A3")
        self.daemon.handle({"do": "out_of_service", "enclosure": "B4", "why": "empty, being dried", "who": "Runa"})
        assert self.daemon.page is not None
        self.page = self.daemon.page
        self.base = "http://{}:{}".format(*self.page.address)

    def _tell(self, **entry: Any) -> None:
        self.daemon.handle({"do": "journal", "who": "Runa", **entry})

    @property
    def inbox(self) -> Inbox:
        """Return what the demonstration's people were sent."""
        return self._stage.inbox

    def make_trouble(self) -> None:
        """Beside the dry, the unplugged and the overheated tub: one that overheats, one that cools, one in a draught."""
        tubs = self._stage.world.tubs
        tubs["B1"].heater_stuck, tubs["B2"].heater_stuck = True, False
        tubs["A1"].vents_factor = 12.0
        night.until(self.clock, self.daemon, self.clock.wall() + 4 * 3600)

    def close(self) -> None:
        """Stop the daemon and take the stage down."""
        self.daemon.stop()
        self._stage.__exit__(None, None, None)


@pytest.fixture
def demo_rack(tmp_path: Path) -> Iterator[DemoRack]:
    """Return the demo's rack with a week of history and a night behind it."""
    made = DemoRack(tmp_path / "rack")
    yield made
    made.close()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """Return a running daemon with its page."""
    (tmp_path / "state").mkdir()
    with after_two_hours(tmp_path / "state", rack) as made:
        yield made


LONGEST_NAMES = tuple(
    f"Quarantine rack left {word} tub number {n}".ljust(40, "x") for n, word in enumerate(("top", "low") * 3)
)
"""Names as long as a configuration takes them."""


def _crowded(racks: Racks) -> Config:
    """Return six dry tubs with the longest names there may be; the first has a second judged probe, too hot, and two that inform."""
    config = racks.config(6, humidity_percent=48.0)
    first = config.probe[0]
    enclosures = [e.but(name=n) for e, n in zip(config.enclosure, LONGEST_NAMES, strict=True)]
    probes = [
        p.but(name=f"{n[:38]} 1", enclosure=n, options=first.options)
        for p, n in zip(config.probe, LONGEST_NAMES, strict=True)
    ]
    more = (("back", "substrate", 36.0), ("warm end", "warm_end", 33.0), ("humid hide", "humid_hide", 29.0))
    for name, role, degrees in more:
        options = {**first.options, "humidity_percent": 60.0, "temperature_c": degrees}
        probes.append(first.but(name=name, role=role, enclosure=LONGEST_NAMES[0], options=options))
    return config.but(enclosure=enclosures, probe=probes)


@pytest.fixture
def crowded(tmp_path: Path) -> Iterator[Rig]:
    """Return a running daemon of six tubs in trouble with long names and several probes."""
    (tmp_path / "state").mkdir()
    with after_two_hours(tmp_path / "state", _crowded) as made:
        yield made


@pytest.fixture(params=[True, False], ids=["script", "no-script"])
def script(request: pytest.FixtureRequest) -> bool:
    """Say whether the browser runs script at all."""
    return bool(request.param)


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Callable[..., Visitor]]:
    """Open browsers: width, height, colour scheme, with or without script, size of the letters."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="needs the test extra with selenium")
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        pytest.skip("needs Chromium and chromedriver")
    opened: list[Any] = []

    def open_one(
        width: int = 360, height: int = 740, scheme: str = "light", *, script: bool = True, font_pixels: int = 16
    ) -> Visitor:
        options = webdriver.ChromeOptions()
        options.binary_location = chromium
        for flag in (*FLAGS, f"--user-data-dir={tmp_path / f'profile{len(opened)}'}"):
            options.add_argument(flag)
        wishes: dict[str, int] = {"webkit.webprefs.default_font_size": font_pixels}
        if not script:
            wishes["profile.managed_default_content_settings.javascript"] = 2
        options.add_experimental_option("prefs", wishes)
        one = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
        opened.append(one)
        visitor = Visitor(one)
        visitor.look_like(width, height, scheme)
        return visitor

    yield open_one
    for one in opened:
        one.quit()
