"""The page over real HTTP on loopback, on a whole daemon."""

from __future__ import annotations

import re
import socket
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
import requests

from dewkeeper.notify.links import make
from dewkeeper.web.visit import COOKIE

SCREENS = ("/", "/rack", "/alarms", "/journal", "/probes", "/health", "/cautions", "/enclosure/T1")


def test_every_screen_is_served_to_the_keeper_only(rig: Any) -> None:
    """Logged in, each screen is 200 with strict headers and under 100 kB; to a stranger each is only a redirect."""
    keeper, stranger = rig.keeper(), rig.stranger()
    size = len(keeper.get(rig.base + "/page.css").content)
    for path in SCREENS:
        answer = keeper.get(rig.base + path)
        assert answer.status_code == 200, path
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
        assert "<script" not in answer.text
        assert size + len(answer.content) < 100_000
        assert stranger.get(rig.base + path, allow_redirects=False).headers["Location"].startswith("/login")


@pytest.mark.parametrize("span", ["night", "day", "week", "month", "year"])
def test_enclosure_shows_its_curve_with_the_numbers_as_a_table(rig: Any, span: str) -> None:
    """Every span shows three drawings, the third folded, and a table of the same numbers."""
    text = rig.keeper().get(f"{rig.base}/enclosure/T1?span={span}").text
    assert text.count('role="img"') == 3
    assert "The same numbers as a table" in text


def test_morning_names_the_dry_tub_and_what_to_do(rig: Any) -> None:
    """The first screen says which tub, since when and what to do."""
    text = rig.keeper().get(rig.base + "/").text
    assert "too dry, since" in text
    assert "→" in text


def test_first_run_code_is_used_up_and_wrong_ones_are_limited(first_run: Any) -> None:
    """A wrong code sets nothing; the right one works once; after a few wrong logins an address must wait."""
    stranger = first_run.stranger()
    wrong = {"code": "AAAA-BBBB-CCCC", "name": "Eve", "password": "long enough 1"}
    assert stranger.post(first_run.base + "/first", data=wrong).status_code == 403
    code = first_run.page.first_run_code
    first_run.keeper()
    assert first_run.page.first_run_code is None
    assert stranger.post(first_run.base + "/first", data=wrong | {"code": code}).status_code == 403
    answers = [
        stranger.post(first_run.base + "/login", data={"name": "Ina", "password": "no"}).status_code for _ in range(8)
    ]
    assert answers[-1] == 429
    assert 403 in answers


def test_login_makes_a_new_session_and_logout_ends_it(rig: Any) -> None:
    """A session id planted before login is worth nothing afterwards, and logging out closes the real one."""
    rig.keeper()
    session = rig.stranger()
    session.cookies.set(COOKIE, "planted", domain="127.0.0.1")
    session.post(rig.base + "/login", data={"name": "Ina", "password": "four plain words here"})
    tokens = [c.value for c in session.cookies if c.name == COOKIE]
    assert tokens[-1] != "planted"
    planted = requests.get(rig.base + "/", cookies={COOKIE: "planted"}, allow_redirects=False, timeout=60)
    assert planted.status_code == 303
    session.cookies.clear()
    session.cookies.set(COOKIE, str(tokens[-1]))
    assert session.get(rig.base + "/").url == rig.base + "/"
    session.post(rig.base + "/logout", data={"csrf": rig.csrf(session)})
    session.cookies.set(COOKIE, str(tokens[-1]))
    assert session.get(rig.base + "/").url.startswith(rig.base + "/login")


def test_forms_without_token_or_from_elsewhere_change_nothing(rig: Any) -> None:
    """A POST without the session's token, or that a browser says comes from another site, is refused."""
    keeper = rig.keeper()
    before, entry = rig.written(), {"choice": "misted", "enclosure": "T1"}
    assert keeper.post(rig.base + "/journal", data=entry).status_code == 403
    entry["csrf"] = rig.csrf(keeper)
    for header in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert keeper.post(rig.base + "/journal", data=entry, headers=header).status_code == 403
    assert rig.written() == before


def test_a_corrected_stage_keeps_its_end(rig: Any) -> None:
    """A word corrected leaves time and end as they were, to the second; an emptied end is the usual one again."""
    keeper, now = rig.keeper(), int(rig.clock.wall())
    rig.daemon.handle(
        {"do": "journal", "who": "Ina", "what": "opaque", "enclosure": "T1", "time": now - 3601, "until": now + 86405}
    )
    with rig.history() as history:
        entry = history.journal()[-1]
    text = keeper.get(f"{rig.base}/journal/{entry.id}").text
    at, until = (re.search(rf'name="{name}"[^>]*value="([^"]+)"', text) for name in ("at", "until"))
    assert at is not None
    assert until is not None
    form = {"csrf": rig.csrf(keeper), "choice": "opaque", "enclosure": "T1", "detail": "dull", "at": at[1]}
    assert keeper.post(f"{rig.base}/journal/{entry.id}", data={**form, "until": until[1]}).status_code == 200
    with rig.history() as history:
        (kept,) = history.journal()
    assert (kept.detail, kept.time, kept.until) == ("dull", now - 3601, now + 86405)
    assert keeper.post(f"{rig.base}/journal/{kept.id}", data={**form, "until": ""}).status_code == 200
    with rig.history() as history:
        (usual,) = history.journal()
    assert (usual.time, usual.until) == (now - 3601, None)


def test_journal_is_written_backdated_and_corrected(rig: Any) -> None:
    """Two taps write an entry; a correction replaces it, keeps the old one and may lie in the past."""
    keeper = rig.keeper()
    token = rig.csrf(keeper)
    keeper.post(rig.base + "/journal", data={"csrf": token, "choice": "misted", "enclosure": "T1", "back": "1"})
    with rig.history() as history:
        entry = history.journal()[-1]
    assert (entry.what, entry.enclosure, entry.who) == ("misted", "T1", "Ina")
    at = "2026-09-21T15:30"
    change = {"csrf": token, "choice": "refilled", "enclosure": "T2", "at": at, "detail": "to the rim"}
    assert keeper.post(f"{rig.base}/journal/{entry.id}", data=change).status_code == 200
    with rig.history() as history:
        assert [(e.what, e.enclosure, e.detail) for e in history.journal()] == [("refilled", "T2", "to the rim")]
        assert len(history.journal(replaced=True)) == 2
        newest = history.journal()[-1].id
    assert "Before it was corrected" in keeper.get(f"{rig.base}/journal/{newest}").text
    assert (
        keeper.post(rig.base + "/journal", data={"csrf": token, "choice": "note", "at": "2031-01-01T00:00"}).status_code
        == 400
    )


def test_a_long_journal_comes_in_parts(rig: Any) -> None:
    """A hundred entries to a page; "Earlier" leads to the others, each shown once, also of one enclosure only."""
    keeper = rig.keeper()
    for n in range(130):
        rig.daemon.handle(
            {
                "do": "journal",
                "what": "note",
                "enclosure": "T1",
                "detail": f"number {n}.",
                "time": int(rig.clock.wall()) - 60 * n,
            }
        )
    first = keeper.get(rig.base + "/journal?enclosure=T1").text
    link = re.search(r'href="(/journal\?before=[^"]+)"', first)
    assert link is not None
    second = keeper.get(rig.base + link.group(1).replace("&amp;", "&")).text
    numbers = [int(n) for text in (first, second) for n in re.findall(r"number (\d+)\.", text)]
    assert numbers == list(range(130))
    assert "number" not in keeper.get(rig.base + "/journal?enclosure=T2").text
    for before in ("9" * 30, "-" + "9" * 30, "0", "x"):
        assert keeper.get(rig.base + f"/journal?before={before}").status_code == 200


def test_no_entry_of_a_long_journal_falls_between_two_pages(rig: Any) -> None:
    """Of what was written for many at once, in one second, "Earlier" leaves out nothing, and shows nothing twice."""
    keeper, at = rig.keeper(), int(rig.clock.wall())
    for n in range(130):
        together = at - 600 if 60 <= n < 120 else at - 60 - n * 10
        rig.daemon.handle(
            {"do": "journal", "what": "note", "enclosure": "T1", "detail": f"number {n}.", "time": together}
        )
    path, numbers = "/journal?enclosure=T1", []
    for _ in range(2):
        text = keeper.get(rig.base + path).text
        numbers += [int(n) for n in re.findall(r"number (\d+)\.", text)]
        link = re.search(r'href="(/journal\?before=[^"]+)"', text)
        assert link is not None
        path = link.group(1).replace("&amp;", "&")
    assert sorted(numbers) == list(range(130))


def test_signs_of_illness_bring_the_vet_not_advice(rig: Any) -> None:
    """Writing down a wheeze shows the vet's number, and so does correcting an entry to a retained spectacle."""
    keeper = rig.keeper()
    entry = {"csrf": rig.csrf(keeper), "choice": "wheeze", "enclosure": "T2"}
    assert "+43 1 234" in keeper.post(rig.base + "/journal", data=entry).text
    with rig.history() as history:
        path = f"{rig.base}/journal/{history.journal()[-1].id}"
    entry |= {"choice": "shed-eyes", "at": "2026-09-21T15:30"}
    assert "+43 1 234" in keeper.post(path, data=entry).text


def test_alarm_is_acknowledged_shelved_and_brought_back(rig: Any) -> None:
    """The three buttons reach the judge; shelving needs a reason and an end within 24 hours."""
    keeper = rig.keeper()
    token, alarm = rig.csrf(keeper), rig.daemon.writer.alarms[0].alarm
    keeper.post(f"{rig.base}/alarms/{alarm}/acknowledge", data={"csrf": token})
    assert rig.daemon.writer.judge.alarms()[0].state == "acknowledged"
    shelf = f"{rig.base}/alarms/{alarm}/shelve"
    for hours in ("25", "nan", "-1", "x"):
        assert keeper.post(shelf, data={"csrf": token, "why": "cleaning", "hours": hours}).status_code == 400
    assert keeper.post(shelf, data={"csrf": token, "why": "", "hours": "2"}).status_code == 400
    keeper.post(shelf, data={"csrf": token, "why": "cleaning", "hours": "2"})
    assert rig.daemon.writer.judge.alarms()[0].state == "shelved"
    keeper.post(f"{rig.base}/alarms/{alarm}/unshelve", data={"csrf": token})
    assert rig.daemon.writer.judge.alarms()[0].state != "shelved"


def test_link_acknowledges_by_post_only_and_expires(rig: Any) -> None:
    """A mail scanner's GET changes nothing, a POST acknowledges, an expired or changed link is gone."""
    browser, alarm = rig.stranger(), rig.daemon.writer.alarms[0].alarm
    good = make(rig.link_key(), alarm, "Ina", int(rig.clock.wall()) + 60)
    before = rig.written()
    assert browser.get(f"{rig.base}/ack/{good}").status_code == 200
    assert browser.head(f"{rig.base}/ack/{good}").status_code == 200
    assert rig.written() == before
    old = make(rig.link_key(), alarm, "Ina", int(rig.clock.wall()) - 1)
    for token in (old, good.swapcase(), "x", "é.ü"):
        assert browser.post(f"{rig.base}/ack/{token}").status_code == 410
    assert rig.written() == before
    assert browser.post(f"{rig.base}/ack/{good}").status_code == 200
    assert rig.daemon.writer.judge.alarms()[0].state == "acknowledged"


def test_sitter_sheet_opens_nothing_else_and_ends(rig: Any) -> None:
    """The sitter's link shows the sheet, writes its two actions, no third, and closes when the keeper says so."""
    keeper = rig.keeper()
    token = rig.csrf(keeper)
    text = keeper.post(rig.base + "/sitter", data={"csrf": token, "name": "Leo", "hours": "24"}).text
    path = text.split("http://rack.example")[1].split('"')[0]
    sitter = rig.stranger()
    assert "Do not touch" in sitter.get(rig.base + path).text
    sitter.post(rig.base + path, data={"choice": "misted", "enclosure": "T1"})
    with rig.history() as history:
        assert [(e.what, e.who) for e in history.journal()] == [("misted", "Leo")]
    assert sitter.post(rig.base + path, data={"choice": "fed", "enclosure": "T1"}).status_code == 400
    assert sitter.get(rig.base + "/rack", allow_redirects=False).status_code == 303
    keeper.post(rig.base + "/sitter/end", data={"csrf": token})
    assert sitter.get(rig.base + path).status_code == 410


def test_paths_headers_and_bodies_that_mean_harm_are_refused(rig: Any) -> None:
    """Climbing out of the folder, breaking headers and oversized bodies end in 4xx."""
    keeper = rig.keeper()
    token = rig.csrf(keeper)
    for path in ("/../page.json", "/static/../memory.py", "/%2e%2e/%2e%2e/etc/passwd", "/enclosure/..%2f..%2fx"):
        assert 400 <= keeper.get(rig.base + path).status_code < 500
    big = {"csrf": token, "choice": "note", "detail": "x" * 200_000}
    assert keeper.post(rig.base + "/journal", data=big).status_code == 413
    answer = keeper.get(rig.base + "/?said=%0d%0aSet-Cookie:x=1")
    assert "Set-Cookie" not in answer.headers


def test_damaged_memory_is_begun_anew_with_a_code(rig: Any) -> None:
    """Hashes only are kept on disk, readable by the owner alone."""
    rig.keeper()
    path = rig.config.storage.folder / "page.json"
    assert path.stat().st_mode & 0o077 == 0
    assert "four plain words" not in path.read_text()


def test_slow_clients_do_not_starve_a_request(rig: Any) -> None:
    """With 200 connections that never finish their request, the morning is still served and the sampler goes on."""
    keeper = rig.keeper()
    slow = [socket.create_connection(rig.page.address) for _ in range(200)]
    try:
        for connection in slow:
            connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
        assert keeper.get(rig.base + "/", timeout=60).status_code == 200
        with ThreadPoolExecutor(4) as pool:
            codes = list(pool.map(lambda _: keeper.get(rig.base + "/rack", timeout=60).status_code, range(8)))
        assert set(codes) == {200}
        before = rig.daemon.sampler.heartbeat
        rig.clock.advance(120)
        assert rig.daemon.sampler.heartbeat > before
    finally:
        for connection in slow:
            connection.close()


def test_the_probes_screen_tells_corrections_and_checks(rig: Any) -> None:
    """How a probe is corrected and when it was checked stands beside it, and when the next check is due, half a year on."""
    rig.daemon.handle({"do": "calibrate", "probe": "t2", "jars": [["NaCl", 74.1, 25.0]], "who": "Ina"})
    rig.clock.advance(60)
    text = rig.keeper().get(rig.base + "/probes").text
    assert "humidity +1.2" in text
    assert "next check by" in text
    assert text.count("checked ") == 1
    assert "never in an enclosure" in text
