"""What the keeper does on the page, over real HTTP: undone, for many tubs at once, kept through a login, done once."""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime, timedelta
from html import unescape
from typing import Any
from zoneinfo import ZoneInfo

import requests

from dewkeeper.judge.words import WITHDRAWN
from dewkeeper.report.due import say_day
from dewkeeper.web.drafts import local_path, packed, unpacked


def words(text: str) -> str:
    """Return a page's text without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", text))).replace("\u00a0", " ").replace("\u2060", "")


def token(session: requests.Session, base: str, path: str = "/journal") -> str:
    """Return what a form of this page carries; every time a page is shown it is another."""
    found = re.search(r'name="csrf" value="([^"]+)"', session.get(base + path).text)
    assert found is not None
    return found.group(1)


def journal(rig: Any, *, replaced: bool = False) -> list[tuple[str | None, str]]:
    """Return what stands in the journal."""
    with rig.history() as history:
        return [(e.enclosure, e.what) for e in history.journal(replaced=replaced)]


def test_what_was_just_written_is_taken_back_and_stays_in_the_journal_struck_through(rig: Any) -> None:
    """One tap undoes it: nothing of it counts, its quiet ends, and who looks at the journal sees both."""
    keeper = rig.keeper()
    data = {"csrf": token(keeper, rig.base), "enclosure": "T2", "choice": "deep", "back": "1"}
    shown = keeper.post(rig.base + "/journal", data=data)
    assert "Quiet until" in words(shown.text)
    assert "Heat is told all the same." in words(shown.text)
    entry = re.search(r'name="entry" value="([^"]+)"', shown.text)
    assert entry is not None
    undo = {"csrf": token(keeper, rig.base), "entry": entry.group(1)}
    answer = keeper.post(rig.base + "/journal/undo", data=undo)
    assert "Taken back" in words(answer.text)
    assert "<s>cleaned out</s>" in answer.text
    assert journal(rig) == []
    assert journal(rig, replaced=True) == [("T2", "cleaned"), ("T2", WITHDRAWN)]
    assert keeper.post(rig.base + "/journal/undo", data=undo | {"csrf": token(keeper, rig.base)}).status_code == 404


def test_a_whole_shelf_is_told_in_one_form_and_taken_back_in_one_tap(rig: Any) -> None:
    """Three tubs ticked are three entries; one tap takes all three back; nothing ticked is refused with what was typed."""
    keeper = rig.keeper()
    page = keeper.get(rig.base + "/several?shelf=left/1")
    assert page.text.count(" checked") >= 1
    data = {"csrf": token(keeper, rig.base), "tub": ["T1", "T2", "T3"], "choice": "spot", "detail": "after the shed"}
    shown = keeper.post(rig.base + "/several", data=data)
    assert journal(rig) == [(f"T{n}", "spot_cleaned") for n in (1, 2, 3)]
    entries = re.findall(r'name="entry" value="([^"]+)"', shown.text)
    assert len(entries) == 3
    keeper.post(rig.base + "/journal/undo", data={"csrf": token(keeper, rig.base), "entry": entries})
    assert journal(rig) == []
    refused = keeper.post(
        rig.base + "/several", data={"csrf": token(keeper, rig.base), "choice": "spot", "detail": "two words"}
    )
    assert refused.status_code == 400
    assert 'value="two words"' in refused.text


def test_two_equal_posts_are_one(rig: Any) -> None:
    """A double tap writes one entry, and both taps lead to the same place; another page's form is another deed."""
    keeper = rig.keeper()
    data = {"csrf": token(keeper, rig.base), "enclosure": "T2", "choice": "misted", "back": "1"}
    first, second = (keeper.post(rig.base + "/journal", data=data, allow_redirects=False) for _ in range(2))
    assert first.headers["Location"] == second.headers["Location"]
    assert journal(rig) == [("T2", "misted")]
    keeper.post(rig.base + "/journal", data=data | {"csrf": token(keeper, rig.base)})
    assert journal(rig) == [("T2", "misted")] * 2


def test_where_one_wanted_to_go_and_what_one_typed_survive_the_login(rig: Any) -> None:
    """A deep link leads there after the login; a form that found nobody logged in is offered again, and then done."""
    rig.keeper()
    stranger = rig.stranger()
    login = stranger.get(rig.base + "/enclosure/T2?span=week")
    then = re.search(r'name="then" value="([^"]+)"', login.text)
    assert then is not None
    known = {"name": "Ina", "password": "four plain words here"}
    there = stranger.post(rig.base + "/login", data=known | {"then": unescape(then.group(1))})
    assert there.url == rig.base + "/enclosure/T2?span=week"
    late = rig.stranger()
    asked = late.post(rig.base + "/journal", data={"enclosure": "T2", "choice": "note", "detail": 'a "long" note'})
    assert asked.status_code == 403
    hidden = {name: unescape(value) for name, value in re.findall(r'name="(kept\w*)" value="([^"]*)"', asked.text)}
    again = late.post(rig.base + "/login", data=known | hidden)
    assert 'value="a &#34;long&#34; note"' in again.text
    assert journal(rig) == []
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', again.text))
    late.post(rig.base + "/journal", data={name: unescape(value) for name, value in fields.items()})
    assert journal(rig) == [("T2", "note")]
    old = late.post(rig.base + "/journal", data={"csrf": "old", "enclosure": "T3", "choice": "note", "detail": "kept"})
    assert old.status_code == 403
    assert 'value="kept"' in old.text


def test_nobody_is_led_to_another_site_and_no_secret_is_written_into_a_page() -> None:
    """Only addresses within the page are followed; passwords and tokens are left out of what is kept."""
    for bad in ("//elsewhere.example/", "https://elsewhere.example/", "/\\elsewhere", "elsewhere", "/\n/x"):
        assert local_path(bad) == "/"
    assert local_path("/enclosure/T1?span=week") == "/enclosure/T1?span=week"
    assert unpacked(packed([("csrf", "x"), ("password", "y"), ("detail", "z")])) == [("detail", "z")]
    assert unpacked("{broken") == unpacked("[1]") == unpacked("[" * 20_000) == []


def test_a_stage_says_what_it_changes_before_and_after(rig: Any) -> None:
    """The form names the limits and the day they end; afterwards the page says the same, and the enclosure shows it."""
    keeper = rig.keeper()
    before = words(keeper.get(rig.base + "/journal?enclosure=T2&choice=opaque").text)
    promised = re.search(r"Limits: target .*? until \w{3} \d+ \w{3}\.", before)
    assert promised is not None
    assert "24–34 °C (target 27–32 °C, not judged) until" in promised.group()
    shown = keeper.post(
        rig.base + "/journal",
        data={"csrf": token(keeper, rig.base), "enclosure": "T2", "choice": "opaque", "back": "1"},
    )
    assert promised.group() in words(shown.text)
    page = words(keeper.get(rig.base + "/enclosure/T2").text)
    assert promised.group() in page
    assert "limits.humidity_target = { low = 60, high = 70 }" in page
    bad = {"csrf": token(keeper, rig.base), "enclosure": "T2", "choice": "misted", "until": "2026-10-09T10:00"}
    assert keeper.post(rig.base + "/journal", data=bad).status_code == 400


def test_limits_for_a_time_say_what_they_change_before_and_after(rig: Any) -> None:
    """Lowest, highest and a last day give a form that names the limits; written down, the enclosure shows them with their end, and the
    lines to put into the file to keep them; they are ended by a tap; what is no band is refused whole."""
    keeper = rig.keeper()
    day = datetime.fromtimestamp(rig.clock.wall(), ZoneInfo(rig.config.site.timezone)).date() + timedelta(days=12)
    form = keeper.get(f"{rig.base}/journal?enclosure=T2&choice=limits&low=65&high=80&to={day:%Y-%m-%d}").text
    said = f"Limits: target 65–70 %, tolerable 65–80 %, 24–34 °C (target 27–32 °C, not judged) until {say_day(day)}."
    assert said in words(form)
    until = re.search(r'name="until" type="datetime-local" value="([^"]+)"', form)
    assert until is not None
    data = {"enclosure": "T2", "choice": "limits", "detail": "65-80", "until": until[1], "back": "1"}
    assert said in words(keeper.post(rig.base + "/journal", data=data | {"csrf": token(keeper, rig.base)}).text)
    page = words(keeper.get(rig.base + "/enclosure/T2").text)
    assert f"limits 65–80 % until {say_day(day)}" in page
    assert "T2 limits 65–80 %" in words(keeper.get(rig.base + "/").text)
    assert f"{said} Then the usual ones: target 60–70 %" in page
    assert "limits.humidity_tolerable = { low = 65, high = 80 }" in page
    over = {"enclosure": "T2", "choice": "limits-over", "back": "1", "csrf": token(keeper, rig.base)}
    assert "Limits: target 60–70 %, tolerable 55–80 %, 24–34 °C (target 27–32 °C, not judged)." in words(
        keeper.post(rig.base + "/journal", data=over).text
    )
    for bad in ({"detail": "80-65"}, {"detail": "65-80", "enclosure": "*"}, {"detail": ""}):
        answer = keeper.post(rig.base + "/journal", data={**data, **bad, "csrf": token(keeper, rig.base)})
        assert answer.status_code == 400


def test_quiet_while_working_ends_by_itself_or_by_a_tap(rig: Any) -> None:
    """Both go through the command handler; more than four hours are refused."""
    keeper = rig.keeper()
    quiet = {"tub": "T2", "hours": "1", "way": "quiet"}
    assert (
        "Quiet while you work"
        in keeper.post(rig.base + "/several", data=quiet | {"csrf": token(keeper, rig.base)}).text
    )
    told = quiet | {"way": "told", "csrf": token(keeper, rig.base)}
    assert "told again" in keeper.post(rig.base + "/several", data=told).text
    long = quiet | {"hours": "5", "csrf": token(keeper, rig.base)}
    assert keeper.post(rig.base + "/several", data=long).status_code == 400


def test_logins_are_added_changed_reset_and_taken_away(rig: Any) -> None:
    """A second keeper gets a login of their own; one's own password is asked for; a forgotten one is set by a code."""
    keeper, path = rig.keeper(), rig.base + "/logins"
    mine = "four plain words here"

    def put(name: str, new: str, old: str) -> int:
        data = {"csrf": token(keeper, rig.base), "name": name, "password": new, "old": old}
        return int(keeper.post(path, data=data).status_code)

    assert put("Ole", "another long one", "wrong") == 403
    assert put("Ole", "short", mine) == 403
    assert put("Ole", "another long one", mine) == 200
    second = rig.stranger()
    assert second.post(rig.base + "/login", data={"name": "Ole", "password": "another long one"}).url == rig.base + "/"
    assert put("Ole", "hijacked by me", mine) == 403
    assert put("Ina", "five plain words and more", mine) == 200
    assert "Ole" in keeper.get(path).text
    code = str(rig.daemon.handle({"do": "page_reset"})["code"])
    reset = {"code": code, "name": "Ina", "password": "set again by the code"}
    assert rig.stranger().post(rig.base + "/first", data=reset).status_code == 200
    assert rig.stranger().post(rig.base + "/first", data=reset).status_code == 403
    third = rig.stranger()
    third.post(rig.base + "/login", data={"name": "Ina", "password": "set again by the code"})
    gone = third.post(rig.base + "/logins/remove", data={"csrf": token(third, rig.base), "name": "Ole"})
    assert "That login is gone" in gone.text
    assert second.get(rig.base + "/").url.startswith(rig.base + "/login")


def test_the_data_leave_as_files_others_read(rig: Any) -> None:
    """Journal and readings come as RFC 4180 tables with the headers `dewkeeper import` knows."""
    keeper = rig.keeper()
    keeper.post(
        rig.base + "/journal",
        data={"csrf": token(keeper, rig.base), "enclosure": "T2", "choice": "misted", "back": "1"},
    )
    rows = list(csv.reader(io.StringIO(keeper.get(rig.base + "/export/journal.csv").text)))
    assert rows[0][:3] == ["time", "enclosure", "what"]
    assert rows[1][1:3] == ["T2", "misted"]
    rows = list(csv.reader(io.StringIO(keeper.get(rig.base + "/export/readings.csv?enclosure=T1&days=1").text)))
    assert rows[0] == ["time", "probe", "temperature_c", "humidity_pct"]
    assert len(rows) > 20
    assert all(row[0].endswith("Z") and 0 <= float(row[3]) <= 100 for row in rows[1:])


def test_the_screens_that_ask_are_complete(rig: Any) -> None:
    """Several tubs, away, logins and export are served, whole and without script."""
    keeper = rig.keeper()
    for path in ("/several", "/leave", "/away", "/logins", "/export", "/journal?word=misted&enclosure=T1"):
        answer = keeper.get(rig.base + path)
        assert answer.status_code == 200, path
        assert "<script" not in answer.text
        assert "</html>" in answer.text
