"""Looking after all sites: which fell silent, which is in trouble, told by a whole daemon without a probe of its own."""

from __future__ import annotations

import queue
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal

import pytest
from tests.collect.conftest import Collector
from tests.collect.sites import SendingSite
from tests.daemon.conftest import Phone
from tests.store.conftest import reading

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import PASS, Event, Kind, Priority, Quality, SystemReport
from dewkeeper.notify.sites import SitesWatch
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper.store.records import Batch
from dewkeeper_config.lacking import missing_secrets
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config

MINUTE, HOUR = 60, 3600
_PATIENCE_SECONDS = 240


def _config(collector: Collector, folder: Path, url: str = "http://127.0.0.1:9/") -> Config:
    text = f"""
site = {{ name = "All sites", timezone = "Europe/Vienna" }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
web = {{ enabled = false }}
channel = [{{ kind = "webhook", name = "phone", url = "{url}" }}]
person = [{{ name = "Ina", channels = ["phone"], quiet_hours = {{ start = "03:00", end = "03:01" }} }}]
[collector]
address = "{_reader(collector)}"
minutes = 5
silent_minutes = 60
"""
    return parse(text.encode(), folder / "collector.toml")


def _reader(collector: Collector) -> str:
    with collector.connect() as connection:
        connection.execute(f"DROP ROLE IF EXISTS marit_{collector.name}")
        connection.execute(f"CREATE ROLE marit_{collector.name} LOGIN PASSWORD 'x' IN ROLE dewkeeper_reader")
    return f"{collector.host} dbname={collector.name} user=marit_{collector.name} password=x"


class Sites:
    """Sites of one server, and who looks after them by a clock moved by hand."""

    def __init__(self, collector: Collector, folder: Path, names: Sequence[str]) -> None:
        self.collector, self.clock = collector, ManualClock()
        self.said: queue.Queue[str] = queue.Queue()
        self.each = {name: SendingSite.admitted(folder / name, name, collector.owner, collector.host) for name in names}
        with collector.connect() as connection:
            self.now = int(connection.execute("SELECT extract(epoch FROM now())").fetchone()[0])  # type: ignore[index]  # one row
        for site in self.each.values():
            self.reads(site)
            site.send()
        self.watch = SitesWatch(_config(collector, folder), self.clock, self.said.put)
        self.watch.start()
        self.look()
        assert self.clock.expect("sites", _PATIENCE_SECONDS)

    def reads(self, site: SendingSite, ago: int = 0) -> None:
        site.shelf.store.commit(
            Batch(readings=((reading(self.now - ago, "b1", 27000, 42000), _plain(self.now - ago)),))
        )

    def look(self) -> str:
        return self.said.get(timeout=_PATIENCE_SECONDS)

    def after(self, minutes: int, *sending: str) -> None:
        """Let so many minutes pass, with a look every five; these sites send before each, the others nothing."""
        for _ in range(minutes // 5):
            for name in sending:
                self.each[name].send()
            self.clock.advance(5 * MINUTE)
            self.look()

    def told(self) -> dict[str, SystemReport]:
        return {report.what: report for report in self.watch.reports(0) if report.trouble}

    def close(self) -> None:
        self.watch.stop(_PATIENCE_SECONDS)
        for site in self.each.values():
            site.shelf.store.close()


def _plain(at: int) -> Quality:
    return Quality(at, "b1", PASS)


@pytest.fixture
def sites(collector: Collector, tmp_path: Path) -> Iterator[Sites]:
    """Three sites that have sent, and were looked at once."""
    made = Sites(collector, tmp_path, ("attic", "cellar", "north"))
    yield made
    made.close()


def test_a_site_that_sends_nothing_is_told_and_one_that_comes_back_is_not(sites: Sites) -> None:
    """An hour without anything of one site is told, with since when, and is over when it sends again; the others send."""
    sites.after(55, "attic", "cellar")
    assert sites.told() == {}
    sites.after(5, "attic", "cellar")
    (report,) = sites.told().values()
    assert (report.what, report.site, report.priority) == ("silence of north", "north", "urgent")
    assert HOUR <= report.lasted < HOUR + 5 * MINUTE
    assert report.text.startswith("north has sent nothing for 1 h")
    sites.each["north"].send()
    sites.after(5)
    assert sites.told() == {}
    assert {r.what for r in sites.watch.reports(0)} >= {"silence of north"}, "its end is reported"


def test_when_all_fall_silent_it_is_told_once(sites: Sites) -> None:
    """A network that is down here is one message and not thirty; the site that is left behind is then told by name."""
    sites.after(60)
    (report,) = sites.told().values()
    assert report.what == "silence of all sites"
    assert "any of the 3 sites" in report.text
    sites.each["attic"].send()
    sites.each["north"].send()
    sites.after(5)
    assert list(sites.told()) == ["silence of cellar"]


def test_while_the_server_is_away_no_site_is_called_silent(sites: Sites) -> None:
    """Told is that the server cannot be asked, after ten minutes; when it is back the sites have ten to send anew."""
    server = sites.collector.server
    server.kill()
    try:
        for _ in range(2 * 12):
            sites.clock.advance(5 * MINUTE)
            assert "does not answer" in sites.look()
        (report,) = sites.told().values()
        assert report.what == "server of all sites"
        assert 2 * HOUR - 5 * MINUTE <= report.lasted <= 2 * HOUR + 5 * MINUTE
    finally:
        server.start()
    sites.after(10)
    assert sites.told() == {}
    sites.after(5, "attic", "cellar")
    assert list(sites.told()) == ["silence of north"]


def test_a_clock_ahead_or_behind_is_told_after_ten_minutes(sites: Sites) -> None:
    """By the date of the newest reading, against the server's clock: in the future, or long ago while the site sends."""
    sites.reads(sites.each["attic"], ago=-3 * HOUR)
    sites.each["attic"].send()
    sites.after(5, "attic")
    assert sites.told() == {}
    sites.after(10, *sites.each)
    (report,) = sites.told().values()
    assert report.what == "clock of attic"
    assert "into the future" in report.text
    with sites.collector.connect() as connection:
        connection.execute(
            "UPDATE site SET readings_until = now() - interval '5 hours 20 seconds' WHERE name = 'attic'"
        )
    sites.after(5)
    assert "is dated 5 h ago: its clock is behind, or it reads nothing" in sites.told()["clock of attic"].text


def test_trouble_nobody_at_the_site_has_seen_is_told_here_after_an_hour(sites: Sites) -> None:
    """Its disk and a silent probe, each under its topic; what is acknowledged there, or of low priority, is not told."""
    site = sites.each["cellar"]

    def happens(
        name: str, kind: Kind, cause: str, *, probe: str | None = None, priority: Priority = "medium",
        state: Literal["unacknowledged", "acknowledged"] = "unacknowledged",
    ) -> None:  # fmt: skip
        event = Event(
            f"e-{name}-{state}", name, sites.now, "raised" if state == "unacknowledged" else "acknowledged", kind, None, probe,
            None, priority, state, sites.now, cause=cause,
        )  # fmt: skip
        site.shelf.store.commit(Batch(events=(event,)))

    happens("a1", "system", "3 % of the disk is free")
    happens("a2", "missing", "no answer", probe="b7")
    happens("a3", "system", "the backup is old", priority="low")
    happens("a4", "system", "seen", state="acknowledged")
    site.send()
    sites.after(55, *sites.each)
    assert sites.told() == {}
    sites.after(10, *sites.each)
    assert {what: report.text for what, report in sites.told().items()} == {
        "monitor of cellar": "nobody there has seen it: 3 % of the disk is free",
        "probes of cellar": "nobody there has seen it: b7: no answer",
    }
    happens("a1", "system", "3 % of the disk is free", state="acknowledged")
    site.send()
    sites.after(5, *sites.each)
    assert list(sites.told()) == ["probes of cellar"]


def test_a_site_that_was_released_is_not_missed(sites: Sites) -> None:
    """Until another Pi takes its place nothing is expected of it, and what stood of it is over."""
    sites.after(60, "attic", "cellar")
    assert list(sites.told()) == ["silence of north"]
    with sites.collector.connect() as connection:
        connection.execute("UPDATE site SET installation = NULL WHERE name = 'north'")
    sites.after(5)
    assert sites.told() == {}
    assert "silence of north" in {report.what for report in sites.watch.reports(0)}


def test_a_daemon_without_a_probe_tells_by_message(collector: Collector, tmp_path: Path, phone: Phone) -> None:
    """A real server, a real channel: the silence of a site on a phone, once, and its end."""
    site = SendingSite.admitted(tmp_path / "north", "north room", collector.owner, collector.host)
    other = SendingSite.admitted(tmp_path / "south", "south room", collector.owner, collector.host)
    site.send()
    other.send()
    clock = ManualClock()
    daemon = Daemon(_config(collector, tmp_path / "all", phone.url), clock=clock, alarm=SilentAlarm)
    daemon.start()
    try:
        clock.expect("sites")
        for _ in range(13):
            other.send()
            clock.advance(5 * MINUTE)
        phone.wait_for("system.raised")
        site.send()
        clock.advance(7 * MINUTE)
        phone.wait_for("system.cleared")
        titles = [message["title"] for message in phone.messages]
        assert [title.partition(" since ")[0] for title in titles[:1]] == ["north room: silent"]
        assert titles[1].startswith("north room: was silent ")
        assert len(titles) == 2
    finally:
        daemon.stop()
        site.shelf.store.close()
        other.shelf.store.close()


def test_a_file_without_racks_is_refused_unless_it_looks_after_sites(collector: Collector, tmp_path: Path) -> None:
    """Its secret is looked for by `config check` like every other."""
    config = _config(collector, tmp_path)
    assert config.enclosure == []
    assert missing_secrets(config) == []
    with pytest.raises(Exception, match="rack"):
        parse(b'[[channel]]\nkind = "webhook"\nname = "p"\nurl = "http://h/"\n', tmp_path / "x")


@pytest.fixture
def phone() -> Iterator[Phone]:
    """A phone that is reachable."""
    with Phone() as listening:
        yield listening
