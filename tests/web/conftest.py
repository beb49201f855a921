"""A whole daemon after a dry evening, and its page on loopback."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.daemon.conftest import Phone, Racks

from dewkeeper.notify.links import NOTE_KEY
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper.web.auth_store import FILE, AuthStore, Login
from dewkeeper.web.serve import PageServer
from dewkeeper.web.visit import COOKIE
from dewkeeper_config.models import Config, Web

PASSWORD = "four plain words here"  # noqa: S105  a test's own


@lru_cache(maxsize=1)
def _login() -> Login:
    """Return how the keeper's password is kept: made slow on purpose, so once for all tests."""
    return AuthStore._hashed(PASSWORD)


def set_login(folder: Path) -> None:
    """Set the keeper's login in a folder where no page was yet, as the first run would."""
    contents = {"people": {"Ina": asdict(_login())}, "sessions": {}, "sitters": {}, "audit": []}
    (folder / FILE).write_text(json.dumps(contents), encoding="utf-8")


def log_in(session: requests.Session, page: PageServer, wall: float) -> None:
    """Give a browser a session of the keeper's. What the form does with a password is tested where the claim is that."""
    session.cookies.set(COOKIE, page._memory.open_session("Ina", int(wall)), domain=page.address[0])


class Rig:
    """The daemon, its page, and browsers as plain HTTP sessions. phone: where its messages go."""

    def __init__(self, racks: Racks, config: Config, phone: Phone) -> None:
        self.racks = racks
        self.config = with_page(config)
        self.phone = phone
        self.clock = self.racks.clock
        self.daemon: Daemon = self.racks.start(self.config)
        assert self.daemon.page is not None
        self.page = self.daemon.page
        self.base = "http://{}:{}".format(*self.page.address)
        self._sessions: list[requests.Session] = []

    def stranger(self) -> requests.Session:
        """Return a browser nobody is logged in with."""
        session = requests.Session()
        session.trust_env = False
        self._sessions.append(session)
        return session

    def keeper(self) -> requests.Session:
        """Return the browser of the keeper, logged in; who has no login yet sets it with the printed code."""
        session = self.stranger()
        code = self.page.first_run_code
        if code is None:
            log_in(session, self.page, self.clock.wall())
        else:
            answer = session.post(self.base + "/first", data={"code": code, "name": "Ina", "password": PASSWORD})
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


def with_page(config: Config) -> Config:
    """Return a configuration with a page on a free port."""
    return config.but(web=Web(port=0, vet_phone="+43 1 234", base_url="http://rack.example"))


def rack(racks: Racks) -> Config:
    """Return three tubs, the first of them dry."""
    return racks.config(3, humidity_percent=48.0)


@contextmanager
def after_two_hours(folder: Path, configured: Callable[[Racks], Config]) -> Iterator[Rig]:
    """Run a daemon and its page on these tubs, their first two hours over: the phone has been told."""
    with Phone() as phone:
        racks = Racks(folder, phone.url)
        made = Rig(racks, configured(racks), phone)
        made.clock.advance(2 * 3600)
        yield made
        made.close()


@dataclass(frozen=True)
class Evening:
    """What a daemon stored that was stopped after two hours, and the UTC second it was. Only to be copied."""

    folder: Path
    wall: float


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Evening:
    """Live the dry evening once."""
    folder = tmp_path_factory.mktemp("evening")
    with Phone() as phone:
        racks = Racks(folder, phone.url)
        racks.stop_after(racks.start(with_page(rack(racks))), 2 * 3600)
        return Evening(folder, racks.clock.wall())


@pytest.fixture
def first_run(tmp_path: Path, evening: Evening) -> Iterator[Rig]:
    """Return a rig that goes on where the evening ended, nobody having set a login."""
    with _gone_on(tmp_path, evening) as made:
        yield made


@pytest.fixture
def rig(tmp_path: Path, evening: Evening) -> Iterator[Rig]:
    """Return the same where the keeper has set a login."""
    set_login(tmp_path)
    with _gone_on(tmp_path, evening) as made:
        yield made


@contextmanager
def _gone_on(folder: Path, evening: Evening) -> Iterator[Rig]:
    shutil.copytree(evening.folder, folder, dirs_exist_ok=True)
    with Phone() as phone:
        racks = Racks(folder, phone.url, wall=evening.wall)
        made = Rig(racks, rack(racks), phone)
        yield made
        made.close()
