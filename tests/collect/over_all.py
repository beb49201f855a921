"""Several sites of one server, and the daemon that looks after them with the page over all."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import unescape
from pathlib import Path
from typing import Any

import requests
from tests.collect.conftest import Collector
from tests.collect.sites import SendingSite
from tests.report.conftest import judged
from tests.web.conftest import PASSWORD

from dewkeeper.clock import ManualClock
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.sending import describe
from dewkeeper.judge.types import Event, JournalEntry
from dewkeeper.report.site_line import said_now
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper.service.settings import judge_settings
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config

MINUTE, HOUR = 60, 3600
_SITE = """
site = {{ name = "its own words", timezone = "Europe/Vienna", poll_seconds = 300 }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
rack = [{{ name = "R", room = "cellar" }}]
channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
web = {{ base_url = "http://{host}.example:8080" }}
enclosure = [{enclosures}]
probe = [{probes}]
"""
ALL = """
site = {{ name = "All sites", timezone = "Europe/Vienna" }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
web = {{ port = 0 }}
[collector]
address = "{address}"
silent_minutes = {silent_minutes}
"""


class OneSite:
    """A site with so many tubs of one probe each, a night of readings up to `now`, and what stands of it."""

    def __init__(
        self,
        collector: Collector,
        folder: Path,
        name: str,
        now: int,
        tubs: int,
        *,
        silent_hours: float = 0,
        base: bool = True,
    ) -> None:
        self.there = SendingSite.admitted(folder, name, collector.owner, collector.host)
        self.now = now - int(silent_hours * HOUR)
        tubs_of = range(1, tubs + 1)
        text = _SITE.format(
            folder=folder,
            host=name.partition(" ")[0],
            enclosures=", ".join(
                f'{{ name = "T{n}", rack = "R", shelf = {1 + n // 5}, place = {1 + n % 5} }}' for n in tubs_of
            ),
            probes=", ".join(f'{{ name = "p{n}", enclosure = "T{n}", driver = "simulated" }}' for n in tubs_of),
        )
        kept = text if base else re.sub(r"web = .*", "", text)
        self.config: Config = parse(kept.encode(), folder / "site.toml")
        self.store = self.there.shelf.store
        self.store.commit(Batch(items=(judge_settings(self.config, now - 26 * HOUR),)))
        times = range(now - 26 * HOUR, self.now, 300)
        polls = [judged(probe.name, at, 29.0, 64.0) for at in times for probe in self.config.probe]
        for first in range(0, len(polls), 2000):
            self.store.commit(Batch(readings=tuple(polls[first : first + 2000])))

    def dry(self, tub: str) -> None:
        """Let a dry alarm stand of a tub for two hours."""
        since = self.now - 2 * HOUR
        event = Event(
            f"e-{tub}", f"dry-{tub}", since + HOUR, "raised", "dry", tub, f"p{tub[1:]}", "tolerable", "medium", "unacknowledged", since,
            value=48.0, limit=55.0, cause="moisture left", consequence="bad sheds", response="mist, then look at the lid", within_seconds=HOUR,
        )  # fmt: skip
        self.store.commit(Batch(events=(event,)))

    def notes(self, *entries: JournalEntry) -> None:
        """Write into the site's journal."""
        self.store.commit(Batch(items=entries))

    def send(self, *, said: bool = True) -> None:
        """Do one pass, as the daemon's thread does it. said: whether it tells of its morning, as older versions do not."""
        self.there.send()
        folder = self.there.shelf.folder
        with Onward.open(folder) as onward, ServerLink(parameters(self.there.address, None)) as link:
            line = said_now(self.config, self.now) if said else None
            describe(link, self.there.place(), self.config, "1.0", onward.told_of(), line)


class AllSitesRig:
    """The daemon that looks after all sites, its page, and browsers as plain HTTP sessions."""

    def __init__(self, collector: Collector, folder: Path) -> None:
        self.collector = collector
        self.folder = folder
        with collector.connect() as connection:
            row = connection.execute("SELECT extract(epoch FROM now())::bigint").fetchone()
            assert row is not None
            self.now = int(row[0])
            connection.execute(f"CREATE ROLE looks_{collector.name} LOGIN PASSWORD 'x' IN ROLE dewkeeper_reader")
        self.address = f"{collector.host} dbname={collector.name} user=looks_{collector.name} password=x"
        self.each: dict[str, OneSite] = {}
        self._daemon: Daemon | None = None
        self._sessions: list[requests.Session] = []

    def site(self, name: str, tubs: int = 2, **more: Any) -> OneSite:
        """Let a site in, with a night of readings that are not sent yet."""
        self.each[name] = OneSite(self.collector, self.folder / f"site{len(self.each)}", name, self.now, tubs, **more)
        return self.each[name]

    def start(self, clock: ManualClock | None = None) -> None:
        """Start the daemon, by this clock or one that shows the server's time."""
        folder = self.folder / "all"
        folder.mkdir()
        config = parse(ALL.format(folder=folder, address=self.address, silent_minutes=60).encode(), folder / "all.toml")
        self._daemon = Daemon(config, clock=clock or ManualClock(wall=float(self.now + 5)), alarm=SilentAlarm)
        self._daemon.start()
        assert self._daemon.page is not None
        self.page = self._daemon.page
        self.base = "http://{}:{}".format(*self.page.address)

    def silence(self, name: str, hours: float) -> None:
        """Let a site have sent nothing for so long."""
        with self.collector.connect() as connection:
            connection.execute(
                "UPDATE site SET sent_at = sent_at - %s * interval '1 hour' WHERE name = %s", (hours, name)
            )

    def keeper(self) -> requests.Session:
        """Return a browser that is logged in."""
        session = requests.Session()
        session.trust_env = False
        self._sessions.append(session)
        code = self.page.first_run_code
        fields = {"name": "Ina", "password": PASSWORD} | ({"code": code} if code else {})
        answer = session.post(self.base + ("/first" if code else "/login"), data=fields)
        assert answer.status_code == 200
        return session

    def close(self) -> None:
        """Stop everything."""
        for session in self._sessions:
            session.close()
        if self._daemon is not None:
            self._daemon.stop()
        for one in self.each.values():
            one.store.close()


def lines_of(html: str) -> Sequence[str]:
    """Return what a page's main part says, a line an element, without marks."""
    main = html.partition('<main id="content">')[2].partition("</main>")[0]
    main = re.sub(r"<svg.*?</svg>", "", main, flags=re.DOTALL)
    text = re.sub(r"</(p|li|h1|h2|h3|td|tr)>", "\n", main)
    plain = unescape(re.sub(r"<[^>]+>", "", text)).replace("\u00a0", " ")
    return [" ".join(line.split()) for line in plain.splitlines() if line.strip()]
