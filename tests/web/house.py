"""A daemon on tubs of one's choice, and everything that page, terminal and message say of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path
from typing import Any

import requests
from tests.daemon.conftest import CLOCK, Racks
from tests.web.conftest import log_in, set_login

from dewkeeper.cli.glance import morning_lines
from dewkeeper.notify.daily import morning_words
from dewkeeper.report.model import MorningGlance
from dewkeeper.report.morning import morning
from dewkeeper.report.now import NowGlance, now
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper.web.serve import PageServer
from dewkeeper_config.loading import parse
from dewkeeper_config.models import BusConfig, Config, Web

EVENING = 1_790_017_200.0  # 21 September 2026, 19:00 UTC: 21:00 in Vienna, when the night of the glance begins


class House:
    """A daemon on tubs of one's choice, and everything that is said about them. name: of what it shows."""

    name = ""

    def __init__(self, folder: Path, url: str) -> None:
        self.racks = Racks(folder, url, wall=EVENING)
        self.config: Config
        self.daemon: Daemon
        self._stored_page: PageServer | None = None
        self._browser = requests.Session()
        self._browser.trust_env = False

    def start(
        self,
        *tubs: dict[str, Any],
        poll_seconds: int = 300,
        bus: BusConfig | None = None,
        later_hours: float = 0,
        first_run: bool = False,
        **storage: Any,
    ) -> None:
        """Start a daemon on tubs T1, T2 ...: of each what its simulated probe is to do. Few polls, for nights are long.

        bus: on which every probe hangs instead. later_hours: than the evening. first_run: nobody has set a login.
        """
        self.racks.clock.step(later_hours * 3600)
        if not first_run:
            set_login(self.racks.folder)
        text = self.racks.text(len(tubs), poll_seconds)
        for number, tub in enumerate(tubs, start=1):
            options = {"clock": CLOCK, "swing_percent": 0.5, "swing_c": 0.5, **tub}
            written = ", ".join(f"{key} = {json.dumps(value)}" for key, value in options.items())
            head = f'name = "t{number}"\nenclosure = "T{number}"\ndriver = "simulated"\noptions = '
            text = re.sub(f"({re.escape(head)}){{[^}}]*}}", rf"\g<1>{{ {written} }}", text)
        config = parse(text.encode(), self.racks.folder / "test.toml")
        kept = config.storage.but(**storage)
        self.config = config.but(web=Web(port=0), storage=kept)
        if bus is not None:
            wired = {"driver": "sht31d", "bus": bus.name, "options": {}}
            probes = [p.but(**{**wired, "address": 0x44 + n}) for n, p in enumerate(config.probe)]
            self.config = self.config.but(bus=[bus], probe=probes)
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

    @property
    def server(self) -> PageServer:
        """The page: the daemon's, or that of `only_page`."""
        found = self._stored_page or self.daemon.page
        assert found is not None
        return found

    @contextmanager
    def only_page(self) -> Iterator[House]:
        """Serve what is stored after the house was closed: so days are lived once for many tests that only look."""
        folder = self.config.storage.folder
        page = PageServer(self.config, lambda: History.open(folder), self.daemon.handle, list, self.racks.clock)
        page.start()
        self._stored_page = page
        try:
            yield self
        finally:
            self._browser.close()
            page.stop()
            self._stored_page = None

    @property
    def base(self) -> str:
        """The page's address."""
        return "http://{}:{}".format(*self.server.address)

    @property
    def first_code(self) -> str | None:
        """The code that sets the login, None once there is one."""
        return self.server.first_run_code

    def page(self, path: str = "/") -> str:
        """Return a screen's text as the keeper sees it, without its tags."""
        if not self._browser.cookies:
            log_in(self._browser, self.server, self.racks.clock.wall())
        return _words(self.html(path))

    def html(self, path: str = "/") -> str:
        """Return a screen as it is sent, to the keeper who is logged in."""
        answer = self._browser.get(self.base + path)
        assert answer.status_code == 200
        return answer.text

    def status(self, path: str) -> int:
        """Return the HTTP status of an address."""
        return self._browser.get(self.base + path).status_code

    def sitters_sheet(self) -> str:
        """Return what a sitter sees who opens the link the keeper made."""
        self.page("/health")
        token = re.search(r'name="csrf" value="([^"]+)"', self._browser.get(self.base + "/health").text)
        assert token is not None
        made = self._browser.post(self.base + "/sitter", data={"csrf": token[1], "name": "Leo", "hours": "24"})
        path = re.search(r"/sitter/[\w-]+", made.text)
        assert path is not None
        return _words(self._browser.get(self.base + path[0]).text)

    def do(self, **request: Any) -> None:
        """Have the daemon carry out a request."""
        self.daemon.handle({"who": "Ina", **request})

    def alarm(self, kind: str) -> str:
        """Return the id of the one alarm of a kind that is told."""
        with StoredPast.open(self.config) as past:
            (found,) = [
                alarm.alarm for alarm in past.standing() if alarm.kind == kind and alarm.state != "out_of_service"
            ]
        return found

    def close(self) -> None:
        """Stop everything."""
        self._browser.close()
        self.racks.stop_all()


def _words(page: str) -> str:
    """Return a page's text without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", page))).replace("\u00a0", " ")


GOOD: dict[str, Any] = {}
DRY = {"humidity_percent": 46.0}
HOT = {"temperature_c": 39.5}


def in_order(text: str, *parts: str) -> bool:
    """Return whether all of these come, one after the other."""
    at = [text.find(part) for part in parts]
    return -1 not in at and at == sorted(at)
