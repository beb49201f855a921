"""Two whole daemons, each the other's neighbour over real HTTP: silence is told, and when it is over."""

from __future__ import annotations

import base64
import json
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.daemon.conftest import CLOCK, Phone, Racks

from dewkeeper.notify import signing
from dewkeeper.notify.neighbour import HEARTBEAT_PATH
from dewkeeper.service.daemon import Daemon
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.simulated import register_clock

MINUTE = 60
KEY = signing.PREFIX + base64.b64encode(bytes(range(32))).decode()
OTHER_KEY = signing.PREFIX + base64.b64encode(bytes(32)).decode()


class Pair:
    """The north and the south room, their ports, and a phone each."""

    def __init__(self, folder: Path, north: Phone, south: Phone) -> None:
        self.ports = dict(zip(("North room", "South room"), _free_ports(2), strict=True))
        self.phones = {"North room": north, "South room": south}
        self.racks = {name: Racks(folder / name[:5], phone.url) for name, phone in self.phones.items()}
        self.clock = self.racks["North room"].clock
        for racks in self.racks.values():
            racks.clock = self.clock
            racks.folder.mkdir()
        register_clock(CLOCK, self.clock.wall)
        self._running: dict[str, Daemon] = {}

    def config(self, name: str, key: str = KEY) -> Config:
        (other,) = self.ports.keys() - {name}
        text = self.racks[name].text().replace("Test rack", name)
        text = text.replace("web = { enabled = false }", f'web = {{ host = "127.0.0.1", port = {self.ports[name]} }}')
        text += (
            f'\n[neighbour]\nname = "{other}"\naddress = "http://127.0.0.1:{self.ports[other]}"\nkey = "{key}"\n'
            "minutes = 1\nsilent_minutes = 15\n"
        )
        return parse(text.encode(), self.racks[name].folder / "test.toml")

    def start(self, *names: str, key: str = KEY) -> None:
        for name in names:
            self._running[name] = self.racks[name].start(self.config(name, key))
            self.clock.expect("neighbour")
            self.clock.settle()

    def stop(self, name: str) -> None:
        self.racks[name].stop(self._running.pop(name))

    def told(self, name: str, kind: str = "system.raised") -> list[dict[str, Any]]:
        return [message for message in self.phones[name].messages if message["type"] == kind]


def _free_ports(count: int) -> list[int]:
    """Return free ports, no two alike: what is let go of at once is soon given again."""
    with ExitStack() as held:
        probes = [held.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]


@pytest.fixture
def pair(tmp_path: Path, phone: Phone) -> Iterator[Pair]:
    """Two sites, not yet started."""
    with Phone() as another:
        made = Pair(tmp_path, phone, another)
        yield made
        for racks in made.racks.values():
            racks.stop_all()


def test_silence_is_told_and_so_is_its_end(pair: Pair) -> None:
    """The south room's daemon stops: fourteen minutes later nothing is told, then that it is silent; its return ends it."""
    pair.start("North room", "South room")
    pair.clock.advance(10 * MINUTE)
    assert pair.told("North room") == pair.told("South room") == []
    pair.stop("South room")
    pair.clock.advance(13 * MINUTE)
    assert pair.told("North room") == []
    pair.clock.advance(4 * MINUTE)
    pair.phones["North room"].wait_for("system.raised")
    (message,) = pair.told("North room")
    assert message["title"].startswith("South room: silent since ")
    assert message["title"].endswith(" – look there")
    assert message["priority"] == "urgent"
    assert any("nothing comes from South room any more" in line for line in message["lines"])
    assert any("power, network and Pi" in line for line in message["lines"])
    pair.start("South room")
    pair.clock.advance(5 * MINUTE)
    pair.phones["North room"].wait_for("system.cleared")
    (over,) = pair.told("North room", "system.cleared")
    assert over["title"].startswith("South room: was silent ")
    pair.clock.advance(20 * MINUTE)
    assert len(pair.told("North room")) == 1
    assert pair.told("South room") == []


def test_a_restart_beside_a_silent_neighbour_ends_nothing(pair: Pair) -> None:
    """What stands is not called over because a daemon that has just begun has not heard anything yet."""
    pair.start("North room", "South room")
    pair.clock.advance(5 * MINUTE)
    pair.stop("South room")
    pair.clock.advance(20 * MINUTE)
    pair.phones["North room"].wait_for("system.raised")
    pair.stop("North room")
    pair.start("North room")
    pair.clock.advance(30 * MINUTE)
    assert pair.told("North room", "system.cleared") == []
    assert len(pair.told("North room")) == 1


def test_both_go_on_after_each_others_restart(pair: Pair) -> None:
    """Whoever starts anew begins its count elsewhere; the other is told where, and nothing is told to people."""
    pair.start("North room", "South room")
    for name in ("North room", "South room", "North room"):
        pair.clock.advance(7 * MINUTE)
        pair.stop(name)
        pair.start(name)
    pair.clock.advance(30 * MINUTE)
    assert pair.told("North room") == pair.told("South room") == []


def test_another_key_is_silence_and_says_why(pair: Pair) -> None:
    """With different keys neither hears the other, and both messages name the key."""
    pair.start("North room")
    pair.start("South room", key=OTHER_KEY)
    pair.clock.advance(17 * MINUTE)
    for name in ("North room", "South room"):
        pair.phones[name].wait_for("system.raised")
        (message,) = pair.told(name)
        assert any("not signed with the key that is set here" in line for line in message["lines"])


def test_clocks_that_differ_are_told_and_the_heartbeat_still_counts(pair: Pair) -> None:
    """A neighbour three hours behind is heard, and its clock is told, by low priority, once."""
    pair.start("North room")
    heard = _heartbeat_by(pair, "South room", at=int(pair.clock.wall()) - 3 * 3600)
    assert heard.status_code == 200
    watch = pair._running["North room"].outward.neighbour
    assert watch is not None
    (clock,) = [report for report in watch.reports(0) if report.what == "clock of South room"]
    assert clock.trouble
    assert clock.priority == "low"
    assert clock.text == "the clock of South room is 3 h behind the one here: one of the two is wrong"


def test_one_direction_that_does_not_work_is_told(pair: Pair) -> None:
    """A neighbour that is heard, whose page answers something else, is named: it would not notice our silence."""
    pair.start("North room")
    for _ in range(17):
        _heartbeat_by(pair, "South room", at=int(pair.clock.wall()))
        pair.clock.advance(MINUTE)
    pair.phones["North room"].wait_for("system.raised")
    (message,) = pair.told("North room")
    assert message["title"].startswith("South room: does not hear us since ")
    assert any("it does not answer" in line for line in message["lines"])


def test_what_is_not_the_neighbours_heartbeat_is_refused(pair: Pair) -> None:
    """No signature, another's, a changed time, a site's own sent back, rubbish, an old one once more: none counts."""
    pair.start("North room")
    watch = pair._running["North room"].outward.neighbour
    assert watch is not None
    now = int(pair.clock.wall())
    body = json.dumps({"site": "South room", "count": 1}).encode()
    good = signing.headers([KEY], "i", now, body)
    assert _post(pair, body, {}).status_code == 403
    assert _post(pair, body, signing.headers([OTHER_KEY], "i", now, body)).status_code == 403
    assert _post(pair, body, {**good, "webhook-timestamp": str(now + 60)}).status_code == 403
    assert _post(pair, body, {**good, "webhook-id": "j"}).status_code == 403
    own = json.dumps({"site": "North room", "count": 1}).encode()
    assert _post(pair, own, signing.headers([KEY], "i", now, own)).status_code == 403
    for rubbish in (
        b"", b"[]", b"{}", b'{"site": "South room"}', b'{"site": "South room", "count": "x"}', b"\xff",
        b'{"site": "South room", "count": 1e999}', b"[" * 1000,
    ):  # fmt: skip
        assert _post(pair, rubbish, signing.headers([KEY], "i", now, rubbish)).status_code == 400
    assert _post(pair, body, good).status_code == 409
    assert all(report.what != "silence of South room" for report in watch.reports(now)), "nothing has been heard yet"
    taken = _heartbeat_by(pair, "South room", at=now)
    assert taken.status_code == 200
    assert _once_more(taken).status_code == 409


def test_a_heartbeat_from_before_a_restart_is_not_taken_again(pair: Pair) -> None:
    """Who listened before has forgotten which it heard, and begins at a number that no old heartbeat has."""
    pair.start("North room")
    taken = _heartbeat_by(pair, "South room", at=int(pair.clock.wall()))
    pair.stop("North room")
    pair.start("North room")
    assert (taken.status_code, _once_more(taken).status_code) == (200, 409)


def test_without_a_neighbour_the_page_takes_no_heartbeat(racks: Any) -> None:
    """A site that has none answers as it does for any page it does not have."""
    (port,) = _free_ports(1)
    text = racks.text().replace("web = { enabled = false }", f"web = {{ port = {port} }}")
    racks.start(parse(text.encode(), racks.folder / "test.toml"))
    assert requests.post(f"http://127.0.0.1:{port}{HEARTBEAT_PATH}", data=b"{}", timeout=60).status_code == 404


def _heartbeat_by(pair: Pair, name: str, at: int) -> requests.Response:
    """Send a heartbeat as the site of this name would, asking first where to go on."""
    body = json.dumps({"site": name, "count": 0}).encode()
    asked = _post(pair, body, signing.headers([KEY], "ask", at, body))
    body = json.dumps({"site": name, "count": asked.json()["last"] + 1}).encode()
    return _post(pair, body, signing.headers([KEY], "beat", at, body))


def _once_more(taken: requests.Response) -> requests.Response:
    """Send the same again, as somebody would who listened."""
    with requests.Session() as session:
        return session.send(taken.request, timeout=60)


def _post(pair: Pair, body: bytes, headers: dict[str, str]) -> requests.Response:
    address = f"http://127.0.0.1:{pair.ports['North room']}{HEARTBEAT_PATH}"
    return requests.post(address, data=body, headers=headers, timeout=60)
