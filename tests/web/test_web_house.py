"""The page in its house: behind a proxy, in Fahrenheit, its audit log, and what it says of dewkeeper's own health."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import requests
from tests.web.conftest import PASSWORD, log_in

from dewkeeper.clock import ManualClock
from dewkeeper.notify.daily import path_name
from dewkeeper.service.page import health_lines
from dewkeeper.store import History
from dewkeeper.store.backup import back_up
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.web.serve import PageServer
from dewkeeper_config.models import Backup, Config


@contextmanager
def page(rig: Any, config: Config, clock: Any = None) -> Iterator[tuple[str, PageServer]]:
    """Serve the rig's history under another configuration, or another clock."""
    server = PageServer(
        config, lambda: History.open(config.storage.folder), rig.daemon.handle, list, clock or rig.clock
    )
    server.start()
    try:
        yield "http://{}:{}".format(*server.address), server
    finally:
        server.stop()


@contextmanager
def kept(rig: Any, config: Config, clock: Any = None) -> Iterator[tuple[str, requests.Session]]:
    """Serve it so and log the keeper in there."""
    with page(rig, config, clock) as (base, server), requests.Session() as session:
        session.trust_env = False
        log_in(session, server, (clock or rig.clock).wall())
        yield base, session


def changed(rig: Any, **parts: dict[str, Any]) -> Config:
    """Return the rig's configuration with values changed: section -> key -> value."""
    update = {name: getattr(rig.config, name).but(**values) for name, values in parts.items()}
    return rig.config.but(**update)  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("proxies", "trusted"),
    [(["127.0.0.1"], True), (["127.0.0.0/8"], True), (["10.9.9.9"], False), (["10.0.0.0/8", "fd00::/8"], False)],
)
def test_forwarded_headers_are_believed_from_named_proxies_only(rig: Any, proxies: list[str], trusted: bool) -> None:
    """Told by a named proxy or one of a named network that it is https, the cookie is Secure and each client has its own tries; else neither."""
    config = changed(rig, web={"trusted_proxies": proxies})
    rig.keeper()
    with page(rig, config) as (base, _), requests.Session() as session:
        session.trust_env = False
        statuses = []
        for client in range(8):  # one more than an address may try at once
            headers = {"X-Forwarded-For": f"192.0.2.{client}, 127.0.0.1", "X-Forwarded-Proto": "https"}
            form = {"name": "Ina", "password": "no"}
            statuses.append(session.post(base + "/login", data=form, headers=headers, timeout=60).status_code)
        assert (429 in statuses) is not trusted
        rig.clock.advance(3600)
        answer = session.post(
            base + "/login",
            data={"name": "Ina", "password": PASSWORD},
            headers=headers,
            timeout=60,
            allow_redirects=False,
        )
        assert ("Secure" in answer.headers["Set-Cookie"]) is trusted
        assert "HttpOnly" in answer.headers["Set-Cookie"]


def test_a_forged_forwarded_address_ends_at_the_first_stranger(rig: Any) -> None:
    """A client that sends its own X-Forwarded-For through the proxy is known by the address the proxy saw."""
    rig.keeper()
    with (
        page(rig, changed(rig, web={"trusted_proxies": ["127.0.0.1"]})) as (base, server),
        requests.Session() as session,
    ):
        session.trust_env = False
        form = {"name": "Ina", "password": "no"}
        session.post(base + "/login", data=form, headers={"X-Forwarded-For": "203.0.113.1, 192.0.2.7"}, timeout=60)
        assert server._memory.audited()[0].address == "192.0.2.7"


def test_fahrenheit_everywhere(rig: Any) -> None:
    """A site in °F shows no °C on any screen, and the limits of the chart are converted."""
    rig.keeper()
    with kept(rig, changed(rig, site={"units": "fahrenheit"})) as (base, session):
        for path in (
            "/",
            "/rack",
            "/enclosure/T1",
            "/enclosure/T1?span=week",
            "/probes",
            "/alarms",
            "/journal",
            "/health",
        ):
            text = session.get(base + path, timeout=60).text
            assert "°C" not in text
            assert path in ("/", "/alarms", "/journal", "/health") or "°F" in text
        cells = re.findall(r"<td>([\d.]+)\u00a0°F</td>", session.get(base + "/enclosure/T1?span=day", timeout=60).text)
        assert cells
        assert all(75 < float(cell) < 95 for cell in cells)  # the simulated air is between 24 and 35 °C
        assert "93.2 °F" in session.get(base + "/enclosure/T1", timeout=60).text  # 34 °C
        assert "75.2 °F" in session.get(base + "/enclosure/T1", timeout=60).text  # 24 °C


def test_limits_for_a_time_to_the_calendars_end_are_offered_with_their_usual_end(rig: Any) -> None:
    """A last day in the address that would be refused, and that could not even be shown in some time zones, is left out of the form."""
    rig.keeper()
    with kept(rig, changed(rig, site={"timezone": "America/New_York"})) as (base, session):
        for day in ("9999-12-31", "0001-01-01"):
            answer = session.get(f"{base}/journal?enclosure=T2&choice=limits&low=65&high=80&to={day}", timeout=60)
            assert answer.status_code == 200
            assert day not in re.sub(r"(?s)<a .*?>", "", answer.text)


def test_an_old_reading_says_so_wherever_it_is_shown(rig: Any) -> None:
    """When nothing new came for an hour every screen that shows a value calls it stale, and the morning says that nothing is watched."""
    rig.keeper()
    clock = ManualClock(wall=rig.clock.wall())
    with kept(rig, rig.config, clock) as (base, session):
        screens = ("/", "/rack", "/enclosure/T2", "/probes")
        for path in screens:
            assert "stale" not in session.get(base + path, timeout=60).text, path
        clock.step(3600)
        for path in screens:
            assert "stale" in session.get(base + path, timeout=60).text, path
        text = session.get(base + "/", timeout=60).text
        assert "<h1>Nothing is watched: 2 unwatched, 1 to see to</h1>" in text
        assert "Nothing is watched: dewkeeper runs, but has read nothing since" in text
        assert "Stale: newest reading" in text
        rows = text.partition('aria-label="As it stands"')[0]
        assert re.findall(r"needs-look.*?>(T\d)<", rows, re.DOTALL) == ["T1"]  # it has an alarm of its own
        assert re.findall(r'row rank-unwatched">.*?>(T\d)<', rows, re.DOTALL) == ["T2", "T3"]
        assert "Not measured" in session.get(base + "/enclosure/T2?span=day", timeout=60).text


def test_what_was_not_measured_is_worded_as_an_if(rig: Any) -> None:
    """The humidity at day temperature, which is reckoned and not measured, stands behind an “if” wherever it stands."""
    rig.clock.advance(8 * 3600)
    text = rig.keeper().get(rig.base + "/").text.replace("\u00a0", " ")
    assert re.search(r"min \d+ % [\d:]+, \d+ % if at 30 °C", text)
    assert "back at day temperature" in rig.keeper().get(rig.base + "/?numbers=all").text


def test_a_rack_tells_of_its_rooms_air(rig: Any) -> None:
    """Beside a rack's name stands what its room's probe reads, or what is the matter with it."""
    rig.keeper()
    room = rig.config.probe[1].but(name="t2", enclosure=None, room="room", role="room")
    new = room.but(name="air")
    for probe, said in ((room, r"room: \d+\u00a0%, \d+\.\d\u00a0°C"), (new, "room: never read")):
        config = rig.config.but(probe=[rig.config.probe[0], probe, rig.config.probe[2]])
        with kept(rig, config) as (base, session):
            assert re.search(said, session.get(base + "/rack", timeout=60).text)


def test_who_did_what_is_kept_without_secrets(first_run: Any, caplog: pytest.LogCaptureFixture) -> None:
    """The audit names logins, refused ones, deeds, sheets and the sitter, with addresses; no secret is in it, in the file or in the log."""
    code = first_run.page.first_run_code
    stranger = first_run.stranger()
    stranger.post(
        first_run.base + "/first", data={"code": "AAAA-BBBB-CCCC", "name": "Eve", "password": "long enough 1"}
    )
    keeper = first_run.keeper()
    stranger.post(first_run.base + "/login", data={"name": "Ina", "password": "a wrong guess"})
    token = first_run.csrf(keeper)
    keeper.post(first_run.base + "/journal", data={"csrf": token, "choice": "misted", "enclosure": "T1"})
    link = keeper.post(first_run.base + "/sitter", data={"csrf": token, "name": "Leo", "hours": "24"}).text
    path = link.split("http://rack.example")[1].split('"')[0]
    first_run.stranger().post(first_run.base + path, data={"choice": "refilled", "enclosure": "T2"})
    text = re.sub(r"<[^>]+>", "", keeper.get(first_run.base + "/health").text)
    for said in (
        "?: first-run code refused 127.0.0.1", "Ina: set the login", "?: login refused", "Ina: journal: misted T1",
        "Ina: made a sheet for Leo", "Leo: sitter: bowl refilled at T2",
    ):  # fmt: skip
        assert said in text, said
    kept = (first_run.config.storage.folder / "page.json").read_text()
    for secret in (PASSWORD, "a wrong guess", path.rsplit("/", 1)[1], token):
        assert secret not in text
        assert secret not in kept or secret == token  # what forms carry; without the session's cookie it opens nothing
        assert secret not in caplog.text
    assert code not in text + kept


def test_names_are_words_and_never_markup(rig: Any) -> None:
    """A snake named like a script, and a detail like a tag, are shown as written."""
    keeper = rig.keeper()
    name = "<script>alert(1)</script>&\"'"
    form = {"csrf": rig.csrf(keeper), "choice": "moved-in", "enclosure": "T1", "detail": name}
    assert keeper.post(rig.base + "/journal", data=form).status_code == 200
    for path in ("/animals", "/journal", "/enclosure/T1", "/rack"):
        text = keeper.get(rig.base + path).text
        assert "<script" not in text
        assert "&lt;script&gt;" in text


def test_health_tells_what_is_true(rig: Any, tmp_path: Path) -> None:
    """Parts, clock, recording, disk, channels, ways to people, backup and own alarms are each there, and change with the facts."""
    now = int(rig.clock.wall())

    def lines(config: Config, not_recorded: str = "", *, clock_trusted: bool = True) -> dict[str, Any]:
        found = health_lines(
            config,
            rig.daemon.heartbeats,
            not_recorded,
            now,
            rig.daemon.losses,
            rig.daemon.pulse,
            clock_trusted=clock_trusted,
        )
        return {line.what: line for line in found}

    usual = lines(rig.config)
    assert set(usual) == {
        "reading probes", "judging and writing", "sending messages", "clock", "recording", "dropped or set aside",
        "disk", "heartbeat", "channel phone",
        "way to Ina over phone", "backup", "own alarms",
    }  # fmt: skip
    assert {what for what, line in usual.items() if line.well} == set(usual) - {
        "heartbeat",
        "backup",
        "way to Ina over phone",
    }
    assert usual["heartbeat"].well is None
    assert usual["backup"].well is None
    assert usual["way to Ina over phone"].well is None
    wrong = lines(rig.config, "the disk is full", clock_trusted=False)
    assert wrong["recording"].well is False
    assert wrong["clock"].well is False
    assert "sending" not in wrong
    rig.daemon.losses.count("sends given up at their deadline and tried again", 2)
    assert lines(rig.config)["sending"].text == "since the start: 2 sends given up at their deadline and tried again"
    rig.daemon.losses.drop("readings", 7)
    rig.daemon.losses.set_aside("writer", "an item", "no text")
    given_up = lines(rig.config)["dropped or set aside"]
    assert given_up.well is False
    assert "7 readings" in given_up.text
    assert "an item: no text" in given_up.text
    full = lines(changed(rig, storage={"free_percent": 100.0}))
    assert full["disk"].well is False
    copies = tmp_path / "copies"
    kept = changed(rig, storage={"backup": Backup(folder=copies, require_mount=False)})
    assert lines(kept)["backup"].well is False
    assert "none in" in lines(kept)["backup"].text
    back_up(kept.storage.folder, kept.storage.backup, now - 3600)
    fresh = lines(kept)["backup"]
    assert fresh.well
    assert "1 h old" in fresh.text.replace("\u00a0", " ")


def test_a_test_message_is_sent_and_its_confirmation_shown(rig: Any) -> None:
    """One button sends a real message over every way; when it is confirmed the health screen says when."""
    keeper = rig.keeper()
    assert "never confirmed" in keeper.get(rig.base + "/health").text
    answer = keeper.post(rig.base + "/health/test", data={"csrf": rig.csrf(keeper)})
    assert "Tap the link" in answer.text
    rig.daemon.handle({"do": "notify_confirm", "way": path_name("Ina", "phone"), "who": "Ina"})
    rig.clock.advance(120)
    assert "last confirmed" in keeper.get(rig.base + "/health").text


def test_without_a_database_the_page_says_so(rig: Any) -> None:
    """When the history cannot be opened the keeper can still log in, and each screen says what is the matter."""

    def nothing() -> History:
        raise StoreUnusable("no database here")

    rig.keeper()
    server = PageServer(rig.config, nothing, rig.daemon.handle, list, rig.clock)
    server.start()
    try:
        with requests.Session() as session:
            session.trust_env = False
            base = "http://{}:{}".format(*server.address)
            answer = session.post(base + "/login", data={"name": "Ina", "password": PASSWORD}, timeout=60)
            assert answer.status_code == 503
            assert "no database here" in answer.text
            assert session.get(base + "/cautions", timeout=60).status_code == 200
    finally:
        server.stop()


def test_sheets_and_sessions_end_by_themselves(rig: Any) -> None:
    """A sheet made for two hours is closed after them, and a browser not seen for a month must log in again."""
    rig.keeper()
    clock = ManualClock(wall=rig.clock.wall())
    with kept(rig, rig.config, clock) as (base, session):
        found = re.search(r'name="csrf" value="([^"]+)"', session.get(base + "/journal", timeout=60).text)
        assert found is not None
        text = session.post(
            base + "/sitter", data={"csrf": found.group(1), "name": "Leo", "hours": "2"}, timeout=60
        ).text
        path = text.split("http://rack.example")[1].split('"')[0]
        clock.step(2 * 3600 - 60)
        assert session.get(base + path, timeout=60).status_code == 200
        clock.step(120)
        assert session.get(base + path, timeout=60).status_code == 410
        assert session.post(base + path, data={"choice": "misted", "enclosure": "T1"}, timeout=60).status_code == 410
        assert session.get(base + "/rack", timeout=60).url == base + "/rack"
        clock.step(31 * 86400)
        assert session.get(base + "/rack", timeout=60).url.startswith(base + "/login")
