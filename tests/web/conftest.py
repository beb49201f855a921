"""A whole daemon after a dry evening, and its page on loopback."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.daemon.conftest import Phone, Racks

from dewkeeper.notify.links import NOTE_KEY
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper_config.models import Config, Web

PASSWORD = "four plain words here"  # noqa: S105  a test's own


class Rig:
    """The daemon, its page, and browsers as plain HTTP sessions. phone: where its messages go."""

    phone: Phone

    def __init__(self, folder: Path, url: str) -> None:
        self.racks = Racks(folder, url)
        self.config = self.rack().but(web=Web(port=0, vet_phone="+43 1 234", base_url="http://rack.example"))
        self.clock = self.racks.clock
        self.daemon: Daemon = self.racks.start(self.config)
        self.clock.advance(2 * 3600)
        assert self.daemon.page is not None
        self.page = self.daemon.page
        self.base = "http://{}:{}".format(*self.page.address)
        self._sessions: list[requests.Session] = []

    def rack(self) -> Config:
        """Return the configuration: three tubs, the first of them dry."""
        return self.racks.config(3, humidity_percent=48.0)

    def stranger(self) -> requests.Session:
        """Return a browser nobody is logged in with."""
        session = requests.Session()
        session.trust_env = False
        self._sessions.append(session)
        return session

    def keeper(self) -> requests.Session:
        """Return the browser of the keeper, logged in."""
        session = self.stranger()
        code = self.page.first_run_code
        if code is not None:
            answer = session.post(self.base + "/first", data={"code": code, "name": "Ina", "password": PASSWORD})
        else:
            answer = session.post(self.base + "/login", data={"name": "Ina", "password": PASSWORD})
        assert answer.status_code == 200
        return session

    def csrf(self, session: requests.Session) -> str:
        """Return the token the keeper's forms carry."""
        found = re.search(r'name="csrf" value="([^"]+)"', session.get(self.base + "/journal").text)
        assert found is not None
        return found.group(1)

    def history(self) -> History:
        """Open what the daemon stored."""
        return History.open(self.config.storage.folder)

    def link_key(self) -> str:
        """Return the key the daemon signs links with."""
        with self.history() as history:
            return next(v for k, v in history.notes().items() if k == NOTE_KEY)

    def written(self) -> tuple[Any, ...]:
        """Return everything a visitor could have written, to compare before and after."""
        with self.history() as history:
            alarms = [(a.alarm, a.state) for a in history.standing()]
            return alarms, list(history.journal(replaced=True)), len(history.events(0))

    def close(self) -> None:
        """Stop the daemon, and with it the page."""
        for session in self._sessions:
            session.close()
        self.racks.stop_all()


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """Return a running rig."""
    with Phone() as phone:
        made = Rig(tmp_path, phone.url)
        made.phone = phone
        yield made
        made.close()
