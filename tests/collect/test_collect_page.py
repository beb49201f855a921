"""The page over all sites: a whole daemon of `[collector]`, a real server, several sites that sent."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import closing
from html import unescape
from pathlib import Path
from time import monotonic

import pytest
import requests
from tests.collect.conftest import Collector
from tests.collect.over_all import HOUR, AllSitesRig, lines_of

from dewkeeper.clock import ManualClock
from dewkeeper.collect.all_sites import AllSites
from dewkeeper.judge.types import JournalEntry
from dewkeeper.notify.round_message import round_now
from dewkeeper.report.animals import WHO_WORDS, animals
from dewkeeper.report.eggs import EGG_WORDS, clutches
from dewkeeper.report.evening import evening
from dewkeeper.report.morning import morning as morning_of
from dewkeeper.report.past import StoredPast
from dewkeeper.report.shed_air import animal_sheds
from dewkeeper.report.site_line import read_said, site_said
from dewkeeper.report.sitter import while_away
from dewkeeper.report.vet_sheet import vet_sheet
from dewkeeper.report.wording import Wording
from dewkeeper.service.settings import judge_settings
from dewkeeper.store.records import Batch
from dewkeeper_config.door import checked
from dewkeeper_config.models import Collector as Settings


@pytest.fixture
def rig(collector: Collector, tmp_path: Path) -> Iterator[AllSitesRig]:
    """A server that sites can be let in to."""
    made = AllSitesRig(collector, tmp_path)
    yield made
    made.close()


@pytest.fixture
def three(rig: AllSitesRig) -> AllSitesRig:
    """Three sites: all well in the attic, a dry tub in the north room, and nothing from the cellar for three hours."""
    rig.site("attic").send()
    north = rig.site("north room", 7)
    for tub in ("T3", "T5"):
        north.dry(tub)
    north.notes(
        JournalEntry("a1", rig.now - 20 * HOUR, "T4", "moved_in", "Cinder"),
        JournalEntry("a2", rig.now - 9 * HOUR, "T4", "weighed", "1450 g"),
        JournalEntry("a3", rig.now - 8 * HOUR, "T4", "shed"),
        # Before the night shown began, at whatever hour this runs: the limits of eggs hold for all of it.
        JournalEntry("a4", rig.now - 26 * HOUR, "T6", "eggs", "6 eggs, 480 g"),
        JournalEntry("j1", rig.now - HOUR, "T3", "misted", "well", who="Ina"),
    )
    north.send()
    cellar = rig.site("cellar", silent_hours=3, base=False)
    cellar.dry("T1")
    cellar.send()
    rig.silence("cellar", 3)
    rig.start()
    return rig


def test_the_silent_site_is_first_then_the_worst_and_every_tub_names_its_site(three: AllSitesRig) -> None:
    """What needs a look is said by site and enclosure with its next step; of the silent one nothing is told as of now."""
    html = three.keeper().get(three.base + "/").text
    assert "<h1>1 silent, 1 to see to, 1 all well</h1>" in html
    lines = lines_of(html)
    assert lines[0].startswith("cellar silent: nothing has come from cellar since ")
    assert lines[0].endswith("for 3 h: nothing is known of it since")
    assert lines[1] == "→ call who is there; look at its power, its network and the Pi itself"
    assert lines[2] == "north room 2 to see to, 1 was beyond limits, 4 calm"
    assert lines[3].startswith("T3 of north room see to it: too dry, since ")
    assert lines[4] == "→ mist, then look at the lid"
    assert lines[5].startswith("T5 of north room see to it: too dry, since ")
    assert "attic All well: 2 calm" in lines
    assert "T1" not in html.partition("north room")[0], "nothing of the silent one's tubs"


SCREENS = {
    "": "T3 see to it: too dry, since", "?numbers=all": "beyond tolerable", "rack": "see to it: too dry", "enclosure/T3": "too dry, since",
    "enclosure/T3?span=week": "The last week", "alarms": "nobody has seen it yet", "journal": "T3 misted: well Ina", "probes": "T3 p3",
    "round": "not sent, so that is on no list here", "animals": "Cinder lives in T4 since", "animals/Cinder": "1450", "animals/Cinder/vet": "1450 g",
    "sheds": "not graded yet", "eggs": "6 eggs", "away": "T3 Ina", "health": "sending on: well, last heard",
}  # fmt: skip


def test_a_site_s_own_screens_are_to_look_at_only(three: AllSitesRig) -> None:
    """The same screens, said to be as of when it sent last, without a form that changes anything, with the way to its own page."""
    keeper = three.keeper()
    reached: set[str] = set()
    for path, says in SCREENS.items():
        html = keeper.get(f"{three.base}/site/2/{path}").text
        lines = lines_of(html)
        assert lines[0].startswith("north room as it was when it sent last"), path
        assert any(says in line for line in lines), path
        assert 'method="post"' not in html, path
        own = path.partition("?")[0]
        assert f'<a href="http://north.example:8080/{own}">' in html
        main = html.partition('<main id="content">')[2].partition("</main>")[0]
        reached |= set(re.findall(r'(?:href|action)="(/[^"]*)"', main))
    for address in reached:
        assert address.startswith("/site/2/") or address == "/cautions", address
        assert keeper.get(three.base + unescape(address)).status_code == 200, address


def test_nothing_of_a_site_can_be_changed_here(three: AllSitesRig) -> None:
    """Whatever is posted about a site is refused, and so are the screens that are only for acting."""
    keeper = three.keeper()
    csrf = re.findall(r'name="csrf" value="([^"]+)"', keeper.get(three.base + "/health").text)[0]
    before = _state(three)
    for path in (
        "/site/2/journal",
        "/site/2/alarms/dry-T3/acknowledge",
        "/site/2/enclosure/T3/service",
        "/site/2/round",
        "/site/2/animals/Cinder/about",
        "/site/2/sheds/a3",
        "/journal",
        "/site/2/",
    ):
        assert keeper.post(three.base + path, data={"csrf": csrf, "choice": "misted"}).status_code in (404, 405), path
    for path in (
        "/round",
        "/animals",
        "/several",
        "/site/2/several",
        "/site/2/export",
        "/site/9/",
        "/rack",
        "/site/2/enclosure/T8",
    ):
        assert keeper.get(three.base + path).status_code == 404, path
    assert _state(three) == before


def test_what_the_server_does_not_hold_is_said_and_not_shown_as_empty(three: AllSitesRig) -> None:
    """Of the Pi's own parts, and of the ways to its people, nothing is sent."""
    keeper = three.keeper()
    health = lines_of(keeper.get(three.base + "/site/2/health").text)
    assert any("it does not send: that stands on its own page" in line for line in health)
    assert not any(line.startswith(("disk", "backup", "channel")) for line in health)
    assert any(
        "is not sent, so that is on no list here" in line
        for line in lines_of(keeper.get(three.base + "/site/2/round").text)
    )


def test_what_a_site_s_screens_are_made_of_is_what_its_own_page_is_made_of(three: AllSitesRig) -> None:
    """The book: the same reports from the Pi's own file and from the server, as of when it sent last."""
    own = three.each["north room"].config
    server = AllSites(checked(Settings, {"address": three.address}))
    with closing(server), StoredPast.open(own) as here:
        (site,) = [one for one in server.sites() if one.name == "north room"]
        assert site.config is not None
        now, there = int(site.sent or 0), StoredPast(site.history, site.config)
        made = []
        for past, config in ((here, own), (there, site.config)):
            known = animals(past.journal(0, words=WHO_WORDS))
            made.append([
                round_now(past, config, now), known, clutches(past, config, past.journal(0, words=EGG_WORDS), now),
                while_away(past, config, now - 14 * 24 * HOUR, now), animal_sheds(past, animals(past.journal(0), nameless=True)),
                vet_sheet(past, known[0], past.journal(0), Wording.of(config.site), now),
            ])  # fmt: skip
    assert made[0] == made[1]


def test_a_silent_site_s_screens_say_so_first(three: AllSitesRig) -> None:
    """Everything is as it was last heard, and says so; that its tubs are unwatched nobody knows, nor where its page is."""
    keeper = three.keeper()
    morning = lines_of(keeper.get(three.base + "/site/3/").text)
    assert morning[0].startswith("Nothing has come from cellar since ")
    assert "What follows is as it was last heard then; nothing is known of it since." in morning[0]
    assert "where that is [web] base_url there would say" in morning[0]
    assert not any("Nothing is watched" in line or "dewkeeper runs" in line for line in morning), (
        "that is not known here"
    )
    assert "<h1>cellar is silent</h1>" in keeper.get(three.base + "/site/3/").text
    tub = keeper.get(three.base + "/site/3/enclosure/T1").text
    assert "<h1>" in tub
    assert (
        " then 64"
        in lines_of(tub.replace("<main id", "<p></p><main id").replace('<header class="top">', '<main id="content">'))[
            0
        ]
    )
    alarms = lines_of(keeper.get(three.base + "/alarms").text)
    assert alarms[0].startswith("nothing has come from cellar since ")
    assert any(line.startswith("T1 of cellar") for line in alarms)
    assert any("(last heard " in line and ", not known since)" in line for line in alarms)


def test_alarms_and_journal_of_all_name_the_site(three: AllSitesRig) -> None:
    """One list each, over all sites: the most needed first, the newest first."""
    keeper = three.keeper()
    alarms = lines_of(keeper.get(three.base + "/alarms").text)
    assert [line for line in alarms if " of " in line and line.startswith("T")] == [
        "T1 of cellar",
        "T3 of north room",
        "T5 of north room",
    ]
    (entry,) = [line for line in lines_of(keeper.get(three.base + "/journal").text) if "misted" in line]
    assert entry.endswith("north room T3 misted: well Ina")


def test_every_link_and_form_of_the_machine_s_own_screens_leads_somewhere(three: AllSitesRig) -> None:
    """Health, logins, away and own alarms are about the machine that looks after the sites; nothing there is of a rack."""
    keeper = three.keeper()
    for path in ("/health", "/own", "/leave", "/logins", "/cautions"):
        html = keeper.get(three.base + path).text
        for address in re.findall(r'href="(/[^"#]*)', html):
            assert keeper.get(three.base + unescape(address)).status_code == 200, (path, address)
        for address in re.findall(r'method="post" action="(/[^"]*)"', html):
            assert keeper.post(three.base + unescape(address)).status_code != 404, (path, address)


def test_who_is_not_logged_in_sees_nothing(three: AllSitesRig) -> None:
    """Every screen asks who it is first, as the page of a site does."""
    three.keeper()
    for path in ("/", "/alarms", "/journal", "/site/2/", "/site/2/enclosure/T3"):
        answer = requests.get(three.base + path, timeout=60)
        assert "Log in" in answer.text, path
        assert "north" not in answer.text.partition("<body")[2].partition('name="then"')[0], path


def test_a_site_that_does_not_say_how_its_rooms_stand_is_named_with_the_reason(rig: AllSitesRig) -> None:
    """An older version's, one that was only let in, and one that was released: each is a line, and none hides the others."""
    rig.site("attic").send(said=False)
    rig.site("old").there.send()
    rig.site("new")
    rig.site("gone").send()
    with rig.collector.connect() as connection:
        connection.execute("UPDATE site SET installation = NULL WHERE name = 'gone'")
        connection.execute(
            "UPDATE note SET value = '{\"rack\": 7}' WHERE site = (SELECT number FROM site WHERE name = 'attic')"
        )
    rig.start()
    lines = lines_of(rig.keeper().get(rig.base + "/").text)
    assert lines[0] == "new silent: new was let in and has never sent anything"
    assert lines[2].startswith(
        "attic cannot be shown: what it says of its rooms is not understood here: it runs version 1.0"
    )
    assert lines[3].startswith("old cannot be shown: it has not said yet how its rooms stand")
    assert lines[4].startswith("gone released: nothing is expected of it any more; nothing has come from gone since ")
    assert rig.keeper().get(f"{rig.base}/site/2/").status_code == 404


def test_an_address_that_a_site_claims_is_only_followed_as_a_web_page(rig: AllSitesRig) -> None:
    """What a site calls its own page is no script and no file."""
    site = rig.site("attic")
    site.send()
    with rig.collector.connect() as connection:
        connection.execute(
            "UPDATE note SET value = replace(value, 'http://attic.example:8080', 'javascript:alert(1)//')"
        )
    rig.start()
    html = rig.keeper().get(rig.base + "/site/1/").text
    assert "javascript" not in html
    assert "to act, open its own page" in html


def test_while_the_server_is_away_the_page_says_so(three: AllSitesRig) -> None:
    """And shows everything again when it is back."""
    keeper = three.keeper()
    assert keeper.get(three.base + "/").status_code == 200
    three.collector.server.kill()
    try:
        for _ in range(2):
            answer = keeper.get(three.base + "/")
            assert answer.status_code == 503
            assert "cannot be read just now" in answer.text
        assert keeper.get(three.base + "/own").status_code == 200
    finally:
        three.collector.server.start()
    assert "1 silent" in keeper.get(three.base + "/").text


def test_what_was_told_of_a_site_is_told_until_it_sends_again(three: AllSitesRig) -> None:
    """Nothing of a site changes on the server unless it sends; then what it says is told, or its rows are read where it says nothing."""
    keeper = three.keeper()
    assert "T3" in keeper.get(three.base + "/").text
    with three.collector.connect() as connection:
        connection.execute(
            "UPDATE alarm SET what = 'normal', data = jsonb_set(data, '{state}', '\"normal\"') WHERE id = 'dry-T3'"
        )
    assert "T3" in keeper.get(three.base + "/").text
    three.each["north room"].dry("T6")
    three.each["north room"].send(said=False)
    html = keeper.get(three.base + "/").text
    assert "T3" not in html
    assert "T6" in html


class Hurried(ManualClock):
    """A clock on which, once it is let go, six seconds pass whenever it is looked at."""

    hurries = False

    def wall(self) -> float:
        """Return the wall clock."""
        if self.hurries:
            self.step(6)
        return super().wall()


def test_a_screen_of_many_sites_ends_in_time(rig: AllSitesRig) -> None:
    """What was not looked at says so or has the line of before, and is looked at first the next time."""
    for name in ("a", "b", "c"):
        rig.site(name).send(said=False)
    clock = Hurried(wall=float(rig.now + 5))
    rig.start(clock)
    keeper = rig.keeper()  # which looks at all three
    for name in ("e", "f"):
        rig.site(name)
    for site in rig.each.values():
        site.send(said=False)
    clock.hurries = True
    first = lines_of(keeper.get(rig.base + "/").text)
    assert "e All well: 2 calm" in first
    assert "f cannot be shown: not looked at yet: the next look begins with it" in first
    before = "All well: 2 calm (when it sent before; the next look begins with it)"
    assert sum(before in line for line in first) == 3
    second = lines_of(keeper.get(rig.base + "/").text)
    assert "f All well: 2 calm" in second
    assert sum(before in line for line in second) == 3
    third = lines_of(keeper.get(rig.base + "/").text)
    assert sum(before in line for line in third) == 2


def test_the_morning_a_site_tells_is_the_one_the_server_s_rows_come_to(rig: AllSitesRig) -> None:
    """Of the same moment, from the Pi's own file, from the server, and as it went over the wire: the same lines."""
    calm, dry = rig.site("calm"), rig.site("dry", 7)
    for tub in ("T1", "T3", "T4", "T5", "T7"):
        dry.dry(tub)
    unread = rig.site("unread")
    unread.store.commit(Batch(items=(judge_settings(unread.config, rig.now - HOUR),)))
    blind = rig.site("blind", silent_hours=1)
    blind.now = rig.now
    for one in (calm, dry, unread, blind):
        one.send()
    server = AllSites(checked(Settings, {"address": rig.address}))
    with closing(server):
        before = server.reader.asked
        sites, told = server.sites(), server.said()
        assert server.reader.asked - before == 2, "whatever the number of sites"
        assert told.keys() == {site.number for site in sites}
        for site in sites:
            own = rig.each[site.name].config
            assert site.config is not None
            there = morning_of(StoredPast(site.history, site.config), site.config, rig.now)
            with StoredPast.open(own) as past:
                here = morning_of(past, own, rig.now)
            w = Wording.of(own.site, space="\u00a0")
            assert read_said(told[site.number].said) == site_said(here, w) == site_said(there, w), site.name
            assert abs(told[site.number].told - (site.sent or 0)) < 0.001
        assert read_said(told[2].said).look == 5
        assert read_said(told[4].said).state == "unwatched"


def test_who_is_catching_up_tells_no_old_morning_as_new(rig: AllSitesRig) -> None:
    """After an outage what is stored comes first, and the morning with the end of it."""
    rig.site("attic").send()
    with rig.collector.connect() as connection:
        connection.execute(
            "UPDATE note SET value = jsonb_set(value::jsonb, '{told}', to_jsonb((value::jsonb ->> 'told')::float8 - 7200))::text "
            "WHERE name = 'line'"
        )
    rig.start()
    html = rig.keeper().get(rig.base + "/").text
    assert "<h1>1 not to be shown</h1>" in html
    assert lines_of(html)[0].startswith("attic catching up: it is sending what it stored while it was not heard")
    assert "All well" not in html


@pytest.mark.parametrize(
    "text",
    ["", "7", "{}", '{"told": "x", "said": {}}', '{"told": 1, "said": {"state": "well"}}', '{"told": 1, "said": {"state": "fine", "rank": "calm", "word": "", "look": 0, "tubs": []}}'],
)  # fmt: skip
def test_of_who_says_what_nobody_understands_the_rows_are_asked(rig: AllSitesRig, text: str) -> None:
    """It comes from elsewhere, of any version: the server's own rows tell the same."""
    rig.site("attic").send()
    with rig.collector.connect() as connection:
        connection.execute("UPDATE note SET value = %s WHERE name = 'line'", (text,))
    rig.start()
    assert "attic All well: 2 calm" in lines_of(rig.keeper().get(rig.base + "/").text)


def test_of_very_many_alarms_and_entries_none_is_passed_over(rig: AllSitesRig) -> None:
    """The first are shown, how many more there are is said, and every entry is on one of the pages behind."""
    large, small = rig.site("large", 41), rig.site("small")
    for number in range(1, 42):
        large.dry(f"T{number}")
    small.dry("T1")
    at_once = range(90, 130)  # for many tubs, in one second: it may not fall between two parts
    minutes = [at_once[0] if n in at_once else n for n in range(305)]
    large.notes(
        *(JournalEntry(f"j{n}", rig.now - HOUR - m * 60, "T1", "misted", f"time {n}.") for n, m in enumerate(minutes))
    )
    small.notes(
        JournalEntry("last", rig.now - 20 * HOUR, "T1", "fed", "of the small one"),
        JournalEntry("wrong", rig.now - 20 * HOUR, "T1", "fed", "of the small one"),
        JournalEntry("back", rig.now - 20 * HOUR, "T1", "withdrawn", replaces="wrong"),
    )
    for one in (large, small):
        one.send()
    rig.start()
    keeper = rig.keeper()
    html = keeper.get(rig.base + "/alarms").text
    assert html.count('<div class="alarm ') == 41
    assert "1 more alarm stands" in html
    seen, address = [], "/journal"
    for _ in range(5):
        html = keeper.get(rig.base + address).text
        seen += re.findall(r"time \d+\.|of the small one", html)
        address = unescape(re.findall(r'href="(/journal\?before=\d+)"', html)[0])
    numbers = [*range(90), *reversed(at_once), *range(130, 305)]
    assert seen == [*(f"time {n}." for n in numbers), "of the small one"]


STATEMENTS = 40
"""For the morning of a site, and for the air of its round, whatever its number of tubs; and two for the list of all."""


def test_the_morning_of_all_sites_asks_a_bounded_number_of_statements(rig: AllSitesRig) -> None:
    """Morning and round as many for twenty tubs as for two; of a site that was looked at before and has not sent since fewer."""
    for name, tubs in (("small", 2), ("large", 20)):
        site = rig.site(name, tubs)
        site.dry("T1")
        site.send()
    there = AllSites(checked(Settings, {"address": rig.address}))
    counts: dict[str, list[int]] = {"small": [], "large": []}
    rounds: dict[str, int] = {}
    for _ in range(2):
        before = there.reader.asked
        sites = there.sites()
        assert there.reader.asked - before <= 2
        for one in sites:
            assert one.config is not None
            before, began = there.reader.asked, monotonic()
            morning_of(StoredPast(one.history, one.config), one.config, rig.now)
            counts[one.name].append(there.reader.asked - before)
            print(f"morning of {one.name}: {counts[one.name][-1]} statements, {1000 * (monotonic() - began):.0f} ms")
            before = there.reader.asked
            evening(StoredPast(one.history, one.config), one.config, rig.now)
            rounds[one.name] = there.reader.asked - before
    there.close()
    assert counts["small"] == counts["large"]
    assert rounds["small"] == rounds["large"]
    assert max(*counts["large"], rounds["large"]) <= STATEMENTS
    assert counts["large"][1] < counts["large"][0]


def _state(rig: AllSitesRig) -> list[tuple[object, ...]]:
    with rig.collector.connect() as connection:
        return connection.execute(
            "SELECT (SELECT count(*) FROM item), (SELECT count(*) FROM event), (SELECT string_agg(what || id, ',' ORDER BY id) FROM alarm)"
        ).fetchall()
