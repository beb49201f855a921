"""What the server lets whom do, and what a person reads there."""

from __future__ import annotations

import statistics
import threading
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import psycopg
import pytest
from tests.collect.conftest import Collector
from tests.collect.sites import MIDNIGHT, SendingSite, fill, live, unlike

from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import CollectError, SentMeanwhile, ServerRefused, ServerUnreachable
from dewkeeper.collect.place import Cursor, enter, installation, move
from dewkeeper.collect.sending import describe
from dewkeeper.collect.server import admit, initialise, release_site, sites
from dewkeeper_config import loading
from dewkeeper_config.reference import examples

DAY = 86400


@pytest.fixture
def other(collector: Collector, tmp_path: Path) -> SendingSite:
    """A second site, whose readings are on the server."""
    made = SendingSite.admitted(tmp_path / "south", "south room", collector.owner, collector.host)
    fill(made.shelf, MIDNIGHT, 1, 77)
    live(made.shelf, MIDNIGHT, 77)
    made.send()
    made.shelf.store.close()
    return made


def test_to_make_the_schema_again_changes_nothing(collector: Collector, site: SendingSite) -> None:
    """`init` on a server that has everything keeps it."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    assert initialise(parameters(collector.owner, None)) == collector.revision
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []


def test_two_sites_that_begin_a_month_at_once_are_both_given_room(collector: Collector) -> None:
    """The second waits for the first, and finds the month's partition there then; it is not refused."""
    room = "SELECT make_room('2025-03-01', '2025-03-02')"
    waits = "SELECT EXISTS (SELECT FROM pg_locks WHERE locktype = 'advisory' AND NOT granted)"
    with collector.connect() as first, collector.connect() as second, ThreadPoolExecutor(1) as aside:
        with first.transaction():
            first.execute(room)
            later = aside.submit(second.execute, room)
            while not later.done() and first.execute(waits).fetchone() != (True,):
                pass
        later.result()


_FOREIGN = [
    "UPDATE reading SET t = 1 WHERE site = {other}",
    "UPDATE item SET data = '{{}}' WHERE site = {other}",
    "UPDATE alarm SET what = 'normal' WHERE site = {other}",
    "UPDATE probe SET name = 'x' WHERE site = {other}",
    "UPDATE site SET mark = 'x' WHERE number = {other}",
    "UPDATE resend SET moved = true WHERE site = {other}",
]
_REFUSED = [
    "INSERT INTO reading VALUES (now(), 1, 1, {other}, 1, 1)",
    "INSERT INTO item VALUES ({other}, 'x', 1, now(), 'JournalEntry', '{{}}')",
    "INSERT INTO resend (site, start, stop, moved) VALUES ({other}, now(), now(), false)",
    "UPDATE reading SET site = {other}",
    "UPDATE item SET site = {other}",
    "UPDATE site SET name = 'south room'",
    "UPDATE site SET login = 'x'",
    "UPDATE site SET installation = NULL",
    "INSERT INTO site (name, login) VALUES ('x', 'x')",
    "DELETE FROM reading",
    "DELETE FROM item",
    "TRUNCATE reading",
    "SELECT * FROM reading_202609",
    "SELECT * FROM readings",
    "SELECT * FROM journal",
    "DROP TABLE reading",
    "CREATE TABLE dewkeeper.mine (n int)",
    "SET ROLE dewkeeper_owner",
    "SET SESSION AUTHORIZATION postgres",
]


def test_a_site_sees_and_changes_nothing_of_another(
    collector: Collector, site: SendingSite, other: SendingSite
) -> None:
    """By its login it finds only its own rows, and every way to write another's, or to take away, is refused."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    live(site.shelf, MIDNIGHT, 1)
    site.send()
    number = other.place().number
    with collector.connect() as owner, psycopg.connect(**parameters(site.address, None), autocommit=True) as mine:
        before = owner.execute(
            "SELECT xmin::text, ctid::text FROM reading WHERE site = %s ORDER BY 2", (number,)
        ).fetchall()
        for table in ("reading", "item", "event", "alarm", "probe", "resend"):
            rows = mine.execute(f"SELECT DISTINCT site FROM {table}").fetchall()  # noqa: S608  our own names
            assert rows in ([(site.place().number,)], [])
        assert mine.execute("SELECT name FROM site").fetchall() == [("north room",)]
        for statement in _FOREIGN:
            assert mine.execute(statement.format(other=number)).rowcount == 0
        for statement in _REFUSED:
            with pytest.raises(psycopg.Error):
                mine.execute(statement.format(other=number))
        after = owner.execute(
            "SELECT xmin::text, ctid::text FROM reading WHERE site = %s ORDER BY 2", (number,)
        ).fetchall()
    assert after == before


def test_a_reader_sees_all_and_changes_nothing(collector: Collector, site: SendingSite, other: SendingSite) -> None:
    """A role that may read has every site's rows and views, and no more."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    role = f"reader_{collector.name}"
    with collector.connect() as owner:
        owner.execute(f"CREATE ROLE {role} LOGIN IN ROLE dewkeeper_reader")
        try:
            address = f"host={collector.server.folder} port={collector.server.port} user={role} dbname={collector.name}"
            with psycopg.connect(**parameters(address, None), autocommit=True) as reader:
                seen = reader.execute("SELECT DISTINCT site FROM readings ORDER BY 1").fetchall()
                assert seen == [("north room",), ("south room",)]
                for view in ("nights", "journal", "alarms", "events", "site", "item"):
                    assert reader.execute(f"SELECT count(*) FROM {view}").fetchone() is not None  # noqa: S608  our own names
                for statement in ("UPDATE reading SET t = 1", "DELETE FROM item", "SELECT claim(gen_random_uuid())"):
                    with pytest.raises(psycopg.errors.InsufficientPrivilege):
                        reader.execute(statement)
        finally:
            owner.execute(f"DROP ROLE {role}")
    assert other.name == "south room"


def test_two_pis_with_one_name_are_told_apart(collector: Collector, site: SendingSite, tmp_path: Path) -> None:
    """The second is refused in words and stores nothing there; once released, it takes the first's place, and the first is refused."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    second = SendingSite(tmp_path / "second", site.name, site.address)
    fill(second.shelf, MIDNIGHT + 10 * DAY, 1, 2)
    with pytest.raises(ServerRefused, match=r"another installation sends as 'north room'.*collect release"):
        second.send()
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []
    with ServerLink(parameters(collector.owner, None)) as link:
        release_site(link, site.name)
    second.send()
    with pytest.raises(ServerRefused, match="another installation"):
        site.send()
    second.shelf.store.close()


def test_a_cursor_that_moved_undoes_the_batch(site: SendingSite) -> None:
    """When somebody sent as this site between two batches, nothing of the second is stored."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    address = parameters(site.address, None)
    with ServerLink(address) as link:
        place = enter(link, site.name, installation(site.shelf.folder))
        site.send()
        with pytest.raises(SentMeanwhile, match="not stored"):
            _put(link, place)
    assert site.place().items_until != 5
    with psycopg.connect(**address) as connection:
        assert connection.execute("SELECT count(*) FROM item WHERE id = 'x'").fetchone() == (0,)


def _put(link: ServerLink, place: Cursor) -> None:
    with link.batch() as cursor:
        cursor.execute("INSERT INTO item VALUES (%s, 'x', 1, now(), 'JournalEntry', '{}')", (place.number,))
        move(cursor, place, {"items_until": 5})


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda a: a.replace("password=", "password=x"), "lets nobody in"),
        (lambda a: a.replace("user=", "user=x"), "lets nobody in"),
        (lambda a: a.replace("dbname=", "dbname=x"), "lets nobody in"),
        (lambda a: a.replace("dbname=", "") + " sesame", "none that PostgreSQL understands"),
        (lambda a: a.replace("port=", "port=1"), "does not answer|none that"),
    ],
)
def test_a_wrong_address_is_said_without_its_password(
    site: SendingSite, change: Callable[[str], str], said: str
) -> None:
    """Whatever is wrong with the address, the words say what, and never the secret."""
    address = change(site.address)
    secret = site.address.rpartition("password=")[2]
    with pytest.raises(CollectError, match=said) as caught:
        ServerLink(parameters(address, None))
    seen: BaseException | None = caught.value
    while seen is not None:
        assert secret not in repr(seen)
        assert "sesame" not in repr(seen)
        seen = seen.__cause__  # what a traceback in the log would show too


def test_another_name_than_the_logins_is_refused(site: SendingSite) -> None:
    """A configuration that names another site than the login's sends nothing."""
    with (
        ServerLink(parameters(site.address, None)) as link,
        pytest.raises(ServerRefused, match="login is for the site 'north room'"),
    ):
        enter(link, "south room", uuid.uuid4())


@pytest.mark.parametrize(("oldest", "newest", "said"), [(2, 3, "update dewkeeper here"), (0, 0, "collect init")])
def test_old_and_new_versions_side_by_side(
    collector: Collector, site: SendingSite, oldest: int, newest: int, said: str
) -> None:
    """A server takes every way of sending from its oldest to its newest; any other is refused, and who must do something is said."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    with collector.connect() as connection:
        for first, last in ((1, 7), (0, 1)):
            _speaks(connection, first, last)
            site.send()
        _speaks(connection, oldest, newest)
        with pytest.raises(ServerRefused, match=said):
            site.send()
        assert unlike(site.shelf, connection, site.name) == []


def _speaks(connection: psycopg.Connection[tuple[object, ...]], oldest: int, newest: int) -> None:
    connection.execute(
        "CREATE OR REPLACE FUNCTION speaks(OUT oldest integer, OUT newest integer) LANGUAGE sql IMMUTABLE AS "
        f"'SELECT {oldest}, {newest}'"
    )


def test_a_server_without_the_schema_says_so(collector: Collector, site: SendingSite) -> None:
    """A database nobody prepared is refused, with the command that prepares it."""
    with collector.connect() as connection:
        connection.execute("DROP SCHEMA dewkeeper CASCADE")
    with pytest.raises(ServerRefused, match="collect init"):
        site.send()


def test_a_night_there_is_the_night_here(collector: Collector, site: SendingSite) -> None:
    """`nights` gives of every probe what the Pi's own night gives, in the site's time zone, an hour's change included."""
    text = examples()["first_probe"].replace('timezone = "UTC"', 'timezone = "Europe/Vienna"')
    config = loading.parse(text.encode(), Path("example"))
    start = 1_792_800_000 // 900 * 900  # 24 October 2026: the night in which Vienna's clocks go back
    fill(site.shelf, start - DAY, 4, 5)
    live(site.shelf, start, 5)
    # The hottest of the night came from a probe whose humidity alone was doubted then.
    site.shelf.put([(1_792_868_400 + 3601, "b1", 65535, 65535, None)])
    site.send()
    with ServerLink(parameters(site.address, None)) as link:
        describe(link, site.place(), config, "1.0")
    assert config.site.timezone == "Europe/Vienna"
    with collector.connect() as connection, site.shelf.history() as history:
        rows = connection.execute(
            "SELECT probe, counted, temperature_min_c, temperature_max_c, humidity_min_percent, humidity_mean_percent, "
            "humidity_max_percent FROM nights WHERE site = 'north room' AND morning = %s ORDER BY probe",
            (date(2026, 10, 25),),
        ).fetchall()
        # 21:00 summer time to 08:00 winter time: 19:00 to 07:00 UTC.
        span = 1_792_868_400, 1_792_868_400 + 12 * 3600
        spans, believed = history.overnight(*span), history.believed(*span)
    assert [row[0] for row in rows] == sorted(spans)
    for probe, counted, cold, hot, dry, mean, damp in rows:
        night = spans[probe]
        assert counted == night.n
        assert (cold, hot) == pytest.approx((night.temperature_min.value, night.temperature_max.value))
        assert night.humidity_min is not None
        assert night.humidity_max is not None
        assert (dry, damp) == pytest.approx((night.humidity_min.value, night.humidity_max.value))
        assert mean == pytest.approx(statistics.mean(h for _, _, h in believed[probe] if h is not None))


def test_where_probes_are_now_stands_there(collector: Collector, site: SendingSite) -> None:
    """Each probe's enclosure, role and room follow the configuration; what did not change is not written again."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    head, _, rest = (
        examples()["first_probe"].replace("[[rack]]", '[[rack]]\nroom = "cellar"').partition("[[enclosure]]")
    )

    def described(role: str) -> list[tuple[object, ...]]:
        text = head + rest[rest.index("[[channel]]") :]
        for name, is_role in (("b1", "substrate"), ("b2", role)):
            text += f'[[enclosure]]\nname = "T {name}"\nrack = "left"\n'
            text += f'[[probe]]\nname = "{name}"\nenclosure = "T {name}"\nrole = "{is_role}"\ndriver = "simulated"\n'
        with ServerLink(parameters(site.address, None)) as link:
            describe(link, site.place(), loading.parse(text.encode(), Path("example")), "1.0")
        with collector.connect() as connection:
            asked = "SELECT name, enclosure, role, room, xmin::text FROM probe ORDER BY name"
            return [tuple(row) for row in connection.execute(asked).fetchall()]

    first, second = described("warm_end"), described("humid_hide")
    assert [row[:4] for row in first] == [
        ("b1", "T b1", "substrate", "cellar"), ("b2", "T b2", "warm_end", "cellar"), ("b3", None, None, None),
    ]  # fmt: skip
    assert [row[2] for row in second] == ["substrate", "humid_hide", None]
    assert [one == other for one, other in zip(first, second, strict=True)] == [True, False, True]


def test_the_journal_there_is_the_journal_here(collector: Collector, site: SendingSite) -> None:
    """Corrected entries are left out, standing alarms are those that stand."""
    live(site.shelf, MIDNIGHT, 1)
    site.send()
    with collector.connect() as connection, site.shelf.history() as history:
        entries = {name for (name,) in connection.execute("SELECT id FROM journal").fetchall()}
        assert entries == {entry.id for entry in history.journal(0)}
        standing = {
            name for (name,) in connection.execute("SELECT alarm FROM alarms WHERE state <> 'normal'").fetchall()
        }
        assert standing == {alarm.alarm for alarm in history.standing()}
        assert len(standing) > 0


def test_a_site_let_in_again_has_a_new_password(collector: Collector, site: SendingSite) -> None:
    """The old address is refused from then on, the new one goes on where the old one was."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    with ServerLink(parameters(collector.owner, None)) as link:
        made = admit(link, site.name)
        assert [one.site for one in sites(link)] == ["north room"]
    with pytest.raises(ServerRefused, match="password"):
        site.send()
    old, site.address = site.address, f"{site.address.rpartition('password=')[0]}password={made.password}"
    assert old != site.address
    site.send()
    assert made.password not in collector.server.log()


def test_a_server_that_freezes_is_given_up_at_the_deadline(collector: Collector, site: SendingSite) -> None:
    """A lock that never comes free ends the batch on our side; nothing of it is stored, the next pass does it."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    with collector.connect() as connection, connection.transaction():
        connection.execute("LOCK TABLE reading IN ACCESS EXCLUSIVE MODE")
        with pytest.raises(ServerUnreachable):
            site.send(seconds=1.0)
    site.send()
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []
    assert not [thread for thread in threading.enumerate() if isinstance(thread, threading.Timer)]


def test_what_stands_is_found_without_what_is_over(collector: Collector, site: SendingSite) -> None:
    """Among thousands of alarms that are over, the few that stand are read by an index of their own, of one site or all."""
    with collector.connect() as connection:
        connection.execute(
            "INSERT INTO alarm (site, id, seq, time, what, data) SELECT 1, 'a' || n, 0, to_timestamp(n), "
            "CASE WHEN n % 1000 = 0 THEN 'unacknowledged' ELSE 'normal' END, '{}' FROM generate_series(1, 5000) n"
        )
        connection.execute("ANALYZE alarm")
        for asked in (
            "SELECT * FROM alarm WHERE what = 'unacknowledged' AND gone IS NULL",
            "SELECT * FROM alarms WHERE state <> 'normal' AND held",
            f"SELECT * FROM alarms WHERE site = '{site.name}' AND state <> 'normal'",  # noqa: S608  its own name
        ):
            plan = "\n".join(line for (line,) in connection.execute(f"EXPLAIN {asked}").fetchall())
            assert "alarm_standing" in plan, plan


def test_doubted_readings_have_an_index_in_every_month(collector: Collector, site: SendingSite) -> None:
    """Also in those that were made after it: what is doubted in a day is found without the day."""
    fill(site.shelf, MIDNIGHT, 1, 3)
    site.send()
    with collector.connect() as connection:
        months = {name for (name,) in connection.execute("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'reading'::regclass")}  # fmt: skip
        found = connection.execute("SELECT tablename FROM pg_indexes WHERE indexdef LIKE '%WHERE%flag <> 1%why IS NOT NULL%'").fetchall()  # fmt: skip
        assert months
        assert {name for (name,) in found} == months | {"reading"}
        plan = "\n".join(
            line
            for (line,) in connection.execute(
                "EXPLAIN SELECT * FROM reading r WHERE r.site = 1 AND r.gone IS NULL AND (r.flag <> 1 OR r.why IS NOT NULL) "
                "AND r.time >= to_timestamp(%s) AND r.time < to_timestamp(%s)",
                (MIDNIGHT, MIDNIGHT + 600),
            )
        )
        assert "_site_time_idx" in plan, plan
