"""What the reports ask: one contract, kept by a site's own store and by the server it sent to."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from tests.collect.conftest import Collector
from tests.collect.sites import SendingSite, send
from tests.report.conftest import FAIL, MISSING, PASS, judged
from tests.store.conftest import MIDNIGHT

from dewkeeper.clock import ManualClock
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import ServerRefused
from dewkeeper.collect.layout import layout_config, layout_text
from dewkeeper.collect.queries import ServerReader, SiteHistory
from dewkeeper.collect.sending import describe
from dewkeeper.judge.types import SUSPECT, Calibration, Command, Event, Exclusion, JournalEntry, Learned
from dewkeeper.report.past import StoredPast
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History, Store
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.onward import Onward
from dewkeeper.store.records import Batch
from dewkeeper_config import effective_limits
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config

RACK = """
site = {{ timezone = "UTC", poll_seconds = {poll} }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
rack = [{{ name = "R", room = "cellar" }}]
enclosure = [{{ name = "T1", rack = "R" }}, {{ name = "T2", rack = "R", place = 2, profile = "{profile}" }}]
probe = [
  {{ name = "p2", enclosure = "T2", driver = "simulated" }}, {{ name = "p1", enclosure = "T1", driver = "simulated" }},
  {{ name = "p1b", enclosure = "T1", driver = "simulated" }}, {{ name = "w1", enclosure = "T1", role = "warm_end", driver = "simulated" }},
  {{ name = "air", role = "room", room = "cellar", driver = "simulated" }},
]
channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
"""
HOUR, DAY = 3600, 86400
END = MIDNIGHT + 3 * DAY
"""Of what is stored: three days."""
SALT = Calibration(MIDNIGHT + 30 * HOUR, "p1", 0.4, -2.5, 1.03, note="salt")


def config(folder: Path, *, poll: int = 300, profile: str = "adult") -> Config:
    """Return the configuration that belongs to what is stored."""
    return parse(RACK.format(folder=folder, poll=poll, profile=profile).encode(), folder / "rack.toml")


def fill(store: Store, folder: Path, seed: int) -> None:
    """Store three days: doubts, gaps, failed polls, a calibration, other limits, a stage, corrections, alarms that stand and that are over."""
    rng = random.Random(seed)
    store.commit(Batch(items=(judge_settings(config(folder), MIDNIGHT),)))
    walk = {name: [rng.uniform(24, 30), rng.uniform(50, 75)] for name in ("p1", "p1b", "p2", "w1", "air")}
    for at in range(MIDNIGHT, END, 300):
        if at == MIDNIGHT + 30 * HOUR:
            store.commit(Batch(items=(
                SALT,
                judge_settings(config(folder, profile="hatchling"), at, "Ina", "it hatched"),
                JournalEntry("j1", at, "T1", "opaque", until=at + 20 * HOUR), JournalEntry("j2", at + 1, "T2", "misted"),
            )))  # fmt: skip
        if at == MIDNIGHT + 50 * HOUR:
            store.commit(Batch(items=(
                JournalEntry("j3", at, "T2", "fed", 'a "rat" é', who="Ina", replaces="j2"), Command("c1", at, "out_of_service", enclosure="T2", until=at + DAY, who="Ina", why="moult"),
                JournalEntry("j4", at - HOUR, "T1", "misted", entered=at), JournalEntry("j5", at, None, "power_cut"),
                Learned(at, "T1", ()), Learned(at - DAY, "T2", ()),
            )))  # fmt: skip
        readings = []
        for name, now in walk.items():
            now[0] = min(38.0, max(16.0, now[0] + rng.gauss(0, 0.3)))
            now[1] = min(99.0, max(20.0, now[1] + rng.gauss(0, 1.0)))
            chance = rng.random()
            if chance < 0.03 or (name == "p1b" and MIDNIGHT + 40 * HOUR < at < MIDNIGHT + 44 * HOUR):
                continue
            reading, quality = judged(
                name, at, now[0], now[1], MISSING if chance < 0.06 else FAIL if chance < 0.1 else PASS
            )
            if (
                reading.temperature_c is not None
                and reading.humidity_percent is not None
                and name == "p1"
                and at >= SALT.time
            ):
                corrected = SALT.corrected(reading.temperature_c, reading.humidity_percent)
                reading = replace(reading, temperature_c=corrected[0], humidity_percent=corrected[1])
            if 0.1 < chance < 0.2:  # the humidity alone is doubted, or the whole reading
                quality = replace(quality, flag=SUSPECT, tests=("saturated",) if chance < 0.16 else ("rate_of_change",))
            readings.append((reading, quality))
        store.commit(Batch(readings=tuple(readings)))
    store.commit(Batch(exclusions=(Exclusion("p2", MIDNIGHT + 60 * HOUR, MIDNIGHT + 62 * HOUR, ("drift",)),)))
    for n in range(12):
        raised = MIDNIGHT + n * 5 * HOUR
        first = Event(
            f"e{n}", f"a{n}", raised, "raised", "dry" if n % 2 else "hot", f"T{n % 2 + 1}", f"p{n % 2 + 1}", "tolerable", "medium",
            "unacknowledged", raised, value=40.25 + n, limit=55.0, cause="moisture left",
        )  # fmt: skip
        over = replace(first, id=f"f{n}", time=raised + HOUR, event="cleared", state="normal")
        store.commit(Batch(events=(first,) if n % 3 == 0 else (first, over)))


@pytest.fixture
def site(collector: Collector, tmp_path: Path) -> SendingSite:
    """A site that was filled and sent."""
    made = SendingSite.admitted(tmp_path / "site", "north room", collector.owner, collector.host)
    made.shelf.store.close()
    folder = tmp_path / "own"
    folder.mkdir()
    store = Store.open(folder, config(folder).storage, ManualClock())
    fill(store, folder, 11)
    store.close()
    made.shelf.folder = folder
    send(folder, made.name, made.address)
    return made


@pytest.fixture
def reader(collector: Collector) -> Iterator[ServerReader]:
    """The server, in the role of one who reads."""
    with collector.connect() as connection:
        connection.execute(f"CREATE ROLE reads_{collector.name} LOGIN PASSWORD 'x' IN ROLE dewkeeper_reader")
    address = f"{collector.host} dbname={collector.name} user=reads_{collector.name} password=x"
    made = ServerReader(lambda: parameters(address, None))
    yield made
    made.close()


def asked(past: StoredPast) -> Iterator[tuple[str, Any]]:
    """Yield every question of the protocol, over whole nights and ragged spans, with its answer."""
    spans = [
        (MIDNIGHT, END),
        (MIDNIGHT + 20 * HOUR, MIDNIGHT + 32 * HOUR),
        (MIDNIGHT + 45 * HOUR + 77, END - 131),
        (END - HOUR, END),
    ]
    yield "latest", past.latest()
    yield "standing", past.standing()
    yield "calibrations", past.calibrations().all()
    yield "learned", past.learned(END)
    for start, end in spans:
        yield f"nights {start}", past.nights(start, end)
        yield f"means {start}", past.means(start, end)
        yield f"glimpses {start}", past.glimpses(start, end, 2)
        yield f"above {start}", past.above_target_seconds({"T1": start, "T2": start + HOUR}, end)
        yield f"events {start}", past.events(start, until=end)
        yield f"events of T1 {start}", past.events(start, "T1")
        yield f"journal {start}", past.journal(start)
        yield f"all journal {start}", past.journal(start, replaced=True)
        yield f"some journal {start}", past.journal(start, words=("misted", "fed"), enclosure="T1")
        for place in ("T1", "T2", "air"):
            for points in (7, 60, 500):
                yield f"series {place} {start} {points}", past.series(place, start, end, points)
        yield f"traces {start}", past.traces("T1", start, end, 40)
    yield "days", past.days("T1", [MIDNIGHT + n * DAY for n in range(4)])
    force = past.in_force()
    yield "moments", force.moments()
    for at in range(MIDNIGHT, END, 7 * HOUR):
        yield (
            f"in force {at}",
            [
                (force.limits(n, at), force.holding(n, at), force.judged(n, at), force.poll_seconds(at))
                for n in ("T1", "T2")
            ],
        )
    yield (
        "out of service",
        (force.out_of_service("T1"), force.out_of_service("T2"), force.out_of_service_seconds("T2", MIDNIGHT, END)),
    )


def test_every_question_answers_the_same_from_both(
    site: SendingSite, collector: Collector, reader: ServerReader
) -> None:
    """One store, sent by the sender: its own file and the server's rows say the same."""
    own = config(site.shelf.folder)
    with History.open(site.shelf.folder) as history:
        here = StoredPast(history, own)
        there = StoredPast(SiteHistory(reader, site.place().number), own)
        for (what, expected), (_, found) in zip(asked(here), asked(there), strict=True):
            assert _rounded(found) == _rounded(expected), what


def _rounded(value: Any) -> Any:
    """Return a value with its numbers to nine digits: sums of the same are added up in another order."""
    match value:
        case float():
            return float(f"{value:.9g}")
        case str() | int() | None:
            return value
        case Mapping():
            return {name: _rounded(one) for name, one in value.items()}
        case tuple() | list():
            return [_rounded(one) for one in value]
    if is_dataclass(value):
        return type(value).__name__, {field.name: _rounded(getattr(value, field.name)) for field in fields(value)}
    return value


def test_a_site_says_how_its_rooms_stand_and_nobody_s_secret(
    site: SendingSite, collector: Collector, reader: ServerReader
) -> None:
    """What the reader makes of the layout is the configuration where it says something of rooms; facts go along, keys and people do not."""
    own = config(site.shelf.folder, profile="hatchling")
    with closing(Store.open(site.shelf.folder, own.storage, ManualClock())) as store:
        store.commit(Batch(notes={"off times": "[]", "figures:outlook:T1": "{}", "link key": "hush", "planner": "{}"}))
    with Onward.open(site.shelf.folder) as onward, ServerLink(parameters(site.address, None)) as link:
        for _ in range(2):
            describe(link, site.place(), own, "1.0", onward.told_of())
    with collector.connect() as connection:
        notes = dict(connection.execute("SELECT name, value FROM note").fetchall())
    assert notes.keys() == {"off times", "figures:outlook:T1", "layout"}
    assert "http" not in notes["layout"]
    assert "Ina" not in notes["layout"]
    made = layout_config(notes["layout"])
    for name in ("site", "rack", "enclosure", "probe", "profile", "round"):
        assert getattr(made, name) == getattr(own, name)
    assert effective_limits(made, "T2") == effective_limits(own, "T2")
    there = SiteHistory(reader, site.place().number)
    assert there.figures("outlook:") == {"T1": "{}"}
    assert there.notes()["off times"] == "[]"


def test_old_and_new_versions_get_along(site: SendingSite, collector: Collector, reader: ServerReader) -> None:
    """A sender of this version before a schema without notes sends all but them; who reads there is told what to do."""
    own = config(site.shelf.folder)
    with collector.connect() as connection:
        connection.execute("DROP TABLE note")
    with ServerLink(parameters(site.address, None)) as link:
        describe(link, site.place(), own, "1.0", {"off times": "[]"})
    with collector.connect() as connection:
        assert connection.execute("SELECT program FROM site").fetchall() == [("1.0",)]
    there = SiteHistory(reader, site.place().number)
    assert len(there.overnight(MIDNIGHT, END)) == 5
    with pytest.raises(StoreUnusable, match="collect init"):
        there.notes()


def test_a_sender_s_notes_are_its_own(site: SendingSite, collector: Collector, tmp_path: Path) -> None:
    """Row level security: another site's login neither sees nor changes them."""
    other = SendingSite.admitted(tmp_path / "other", "south", collector.owner, collector.host)
    own = config(site.shelf.folder)
    with ServerLink(parameters(site.address, None)) as link:
        describe(link, site.place(), own, "1.0", {})
    with ServerLink(parameters(other.address, None)) as link, link.batch() as cursor:
        assert cursor.execute("SELECT count(*) FROM note").fetchone() == (0,)
        assert cursor.execute("DELETE FROM note").rowcount == 0
    with pytest.raises(ServerRefused), ServerLink(parameters(other.address, None)) as link, link.batch() as cursor:
        cursor.execute("INSERT INTO note (site, name, value) VALUES (%s, 'layout', '{}')", (site.place().number,))
    other.shelf.store.close()


def test_what_the_server_is_not_asked_is_refused_aloud(site: SendingSite, reader: ServerReader) -> None:
    """A question that only a site's own store can answer is no empty answer."""
    with pytest.raises(StoreUnusable, match="not of the server"):
        SiteHistory(reader, site.place().number).messages()


def _changed(**tables: Any) -> str:
    said = json.loads(layout_text(config(Path("/nowhere"))))
    return json.dumps({name: value for name, value in (said | tables).items() if value is not None})


@pytest.mark.parametrize(
    "text",
    [
        "", "7", "[]", "{}", _changed(rack=7), _changed(rack=None), _changed(enclosure=None), _changed(probe=None),
        _changed(rack=[{"name": "Q"}]), _changed(enclosure=[{"name": "T1", "rack": "R", "profile": "dragon"}]),
        _changed(enclosure=[{"name": "T9", "rack": "R"}]), _changed(web=[]), _changed(web={"base_url": 7}), _changed(site={"timezone": "Mars"}),
    ],
)  # fmt: skip
def test_a_layout_that_is_none_is_refused_whole(text: str) -> None:
    """What a site says of its rooms comes from elsewhere: each thing that screens would fail over is found first."""
    with pytest.raises(ValueError, match=r"."):
        layout_config(text)
    assert layout_config(_changed()).rack[0].name == "R"
