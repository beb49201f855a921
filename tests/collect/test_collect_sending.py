"""What is stored on the Pi is on the server, once, whatever of it was changed meanwhile."""

from __future__ import annotations

import json
import random
import shutil
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.collect.conftest import Collector
from tests.collect.postgres import Server
from tests.collect.sites import MIDNIGHT, SendingSite, fill, held_there, live, unlike
from tests.store.conftest import Shelf

from dewkeeper.clock import ManualClock
from dewkeeper.collect.sending import text_there
from dewkeeper.judge.types import Calibration, Exclusion, JournalEntry, Rebase
from dewkeeper.store.export import export
from dewkeeper.store.importing import import_journal, import_readings
from dewkeeper.store.records import Batch
from dewkeeper.store.store import Store
from dewkeeper_config.models import Storage

DAY = 86400


def _same(collector: Collector, site: SendingSite) -> None:
    with collector.connect() as connection:
        assert unlike(site.shelf, connection, site.name) == []


def test_everything_stored_is_there_as_it_is_here(collector: Collector, site: SendingSite) -> None:
    """Archived and plain readings, failed polls, verdicts, values by calibration, entries, events and alarms are equal."""
    fill(site.shelf, MIDNIGHT, 9, 1)
    live(site.shelf, MIDNIGHT + 3 * DAY, 1)
    assert site.shelf.compact() > 0
    sent = site.send()
    assert sent.readings == len(site.shelf.plain)
    _same(collector, site)


def test_any_text_is_there_as_it_was_written(server: Server) -> None:
    """But for NUL and half of a surrogate pair, which jsonb does not know, every character is; backslashes among them."""
    texts = st.text(st.sampled_from('\\\0u0dD8c"é\ud83d\ude00\udead') | st.characters(codec=None), max_size=12)
    with server.connect() as connection:

        @settings(max_examples=amount(100, 5000), deadline=None)
        @given(texts)
        @example("C:\\u0000")
        def same(text: str) -> None:
            data = json.loads(json.dumps({"detail": text}))  # two halves that meet are one character
            there = connection.execute("SELECT %s::jsonb", (text_there(json.dumps(data)),)).fetchone()
            assert there == (held_there(data),)

        same()


def test_a_second_pass_finds_nothing_to_do(collector: Collector, site: SendingSite) -> None:
    """Nothing new here: nothing is written there but when the site was last heard of."""
    fill(site.shelf, MIDNIGHT, 2, 1)
    live(site.shelf, MIDNIGHT, 1)
    site.send()
    with collector.connect() as connection:
        before = (
            connection.execute("SELECT xmin, * FROM item").fetchall(),
            connection.execute("SELECT xmin::text, time FROM reading").fetchall(),
        )
        site.send()
        after = (
            connection.execute("SELECT xmin, * FROM item").fetchall(),
            connection.execute("SELECT xmin::text, time FROM reading").fetchall(),
        )
    assert before == after


def test_new_readings_follow_poll_by_poll(collector: Collector, site: SendingSite) -> None:
    """Each pass sends what came since, even within one second, and a probe that is new."""
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    for minute in range(5):
        at = MIDNIGHT + DAY + 60 * minute
        site.shelf.put([(at, "b1", 26000, 40000, True)])
        site.send()
        site.shelf.put([(at, "c9", 26000, 40000, True), (at, "b2", None, None, True)])
        site.send()
        _same(collector, site)


def test_a_changed_past_is_sent_again(collector: Collector, site: SendingSite) -> None:
    """A late fault, a calibration dated back, a correction and a clock stepped back end up there as they are here."""
    fill(site.shelf, MIDNIGHT, 5, 2)
    live(site.shelf, MIDNIGHT + DAY, 2)
    site.shelf.compact()
    site.send()
    store = site.shelf.store
    store.commit(Batch(exclusions=(Exclusion("b2", MIDNIGHT + DAY, MIDNIGHT + 3 * DAY + 7, ("drift",)),)))
    store.commit(Batch(items=(Calibration(MIDNIGHT + 2 * DAY, "b3", 0.3, -4.0, 1.02),)))
    store.commit(Batch(items=(JournalEntry("j9", MIDNIGHT, "B1", "misted", replaces="j2-3"),)))
    site.shelf.put([(MIDNIGHT + 4 * DAY + 1, "b1", 1, 2, True), (MIDNIGHT + 4 * DAY + 900, "b1", 3, 4, True)])
    site.send()
    _same(collector, site)


@pytest.mark.parametrize("step", [9 * 3600 + 17, -(3 * DAY + 5), 300 * DAY])
def test_what_was_dated_anew_stands_there_once(collector: Collector, site: SendingSite, step: int) -> None:
    """After the clock turned out wrong nothing is left where it was stamped first, and nothing is missing where it belongs."""
    fill(site.shelf, MIDNIGHT, 1, 3)
    since = MIDNIGHT + 5 * DAY
    fill(site.shelf, since, 0.5, 4)
    live(site.shelf, since + 600, 4)
    site.send()
    site.shelf.store.commit(Batch(items=(Rebase(since + DAY // 2 + step, step, dates_since=since),)))
    site.send()
    _same(collector, site)
    with collector.connect() as connection:
        gone = connection.execute("SELECT DISTINCT gone FROM reading WHERE gone IS NOT NULL").fetchall()
        shown = connection.execute("SELECT count(*) FROM readings").fetchone()
        held = connection.execute("SELECT count(*) FROM reading WHERE gone IS NULL").fetchone()
    assert gone == [("moved",)]
    assert shown == held


def test_wrong_clocks_lose_nothing(collector: Collector, site: SendingSite) -> None:
    """Readings of 1970, of 2009 and of the year 2099 are there too, and the month is made when it comes."""
    for start in (3600, 1_262_000_000, MIDNIGHT, 4_080_000_000):
        fill(site.shelf, start, 0.1, start)
    site.send()
    _same(collector, site)
    with collector.connect() as connection:
        before = connection.execute("SELECT count(*) FROM reading_other").fetchone()
        connection.execute("ALTER TABLE reading DETACH PARTITION reading_202609")
        connection.execute("INSERT INTO reading SELECT * FROM reading_202609")
        connection.execute("DROP TABLE reading_202609")
        assert connection.execute("SELECT count(*) FROM reading_other").fetchone() != before
        connection.execute("SELECT make_room(to_timestamp(%s), to_timestamp(%s))", (MIDNIGHT, MIDNIGHT))
        assert connection.execute("SELECT count(*) FROM reading_other").fetchone() == before
    _same(collector, site)


def test_an_import_reaches_the_server(collector: Collector, site: SendingSite, tmp_path: Path) -> None:
    """Years that came as files are sent, those before the first reading and those in between."""
    other = Shelf(tmp_path / "other")
    fill(other, MIDNIGHT - 40 * DAY, 3, 5)
    fill(other, MIDNIGHT + DAY // 2 + 17, 1, 6)
    other.store.commit(
        Batch(
            items=(
                JournalEntry("k", MIDNIGHT - 30 * DAY, "B2", "fed", "a mouse"),
                Calibration(MIDNIGHT, "b2", 1.0, 1.0),
            )
        )
    )
    export(other.folder, tmp_path / "other.csv")
    other.store.close()
    fill(site.shelf, MIDNIGHT, 6, 7)
    site.shelf.compact()
    site.send()
    site.shelf.store.close()
    import_readings(site.shelf.folder, tmp_path / "other.csv")
    import_journal(site.shelf.folder, tmp_path / "other.csv.journal.csv")
    site.shelf.store = Store.open(site.shelf.folder, Storage(folder=site.shelf.folder), ManualClock())
    site.send()
    _same(collector, site)


def test_an_older_copy_brought_back_loses_nothing_there(
    collector: Collector, site: SendingSite, tmp_path: Path
) -> None:
    """What both have is equal; what only the server still has stays, marked as lost, and what comes after is sent."""
    fill(site.shelf, MIDNIGHT, 3, 8)
    live(site.shelf, MIDNIGHT + DAY, 8)
    site.shelf.store.copy_to(tmp_path / "copy.db", lambda: None)
    fill(site.shelf, MIDNIGHT + 3 * DAY, 2, 9)
    live(site.shelf, MIDNIGHT + 4 * DAY, 9)
    site.send()
    lost = {key for key in site.shelf.plain if key[0] >= MIDNIGHT + 3 * DAY}
    site.shelf.store.close()
    for name in ("dewkeeper.db", "dewkeeper.db-wal", "dewkeeper.db-shm"):
        (site.shelf.folder / name).unlink(missing_ok=True)
    shutil.copy(tmp_path / "copy.db", site.shelf.folder / "dewkeeper.db")
    site.shelf.store = Store.open(site.shelf.folder, Storage(folder=site.shelf.folder), ManualClock())
    fill(site.shelf, MIDNIGHT + 6 * DAY, 1, 10)
    live(site.shelf, MIDNIGHT + 6 * DAY, 10)
    site.send()
    _same(collector, site)
    with collector.connect() as connection:
        kept = connection.execute(
            "SELECT extract(epoch FROM time)::bigint, probe FROM readings WHERE NOT held"
        ).fetchall()
        entries = connection.execute("SELECT count(*) FROM journal WHERE NOT held").fetchone()
    assert set(kept) == lost
    assert entries is not None
    assert entries[0] > 0


def test_a_change_that_nobody_noted_is_found_in_time(collector: Collector, site: SendingSite) -> None:
    """Round and round a day at a time everything is compared: a reading spoilt on the server is mended, one too many marked."""
    fill(site.shelf, MIDNIGHT, 4, 11)
    site.send()
    with collector.connect() as connection:
        connection.execute("UPDATE reading SET t = 7 WHERE time = to_timestamp(%s)", (MIDNIGHT + DAY + 1800,))
        connection.execute("INSERT INTO reading VALUES (to_timestamp(%s), 1, 1, 1, 1, 1)", (MIDNIGHT + 2 * DAY + 17,))
        connection.execute("DELETE FROM reading WHERE time = to_timestamp(%s)", (MIDNIGHT + 3 * DAY + 900,))
        assert unlike(site.shelf, connection, site.name) != []
    for _ in range(5):
        site.send(round_too=True)
    _same(collector, site)


def test_whatever_is_done_in_whatever_order_both_sides_end_up_equal(collector: Collector, site: SendingSite) -> None:
    """Readings, late faults, corrections, steps of the clock, compaction and passes, drawn at random."""
    from tests.amounts import SEED, amount

    rng = random.Random(SEED)
    now = MIDNIGHT
    for turn in range(amount(25, 400)):
        deed = rng.randrange(7)
        if deed <= 1:
            length = rng.uniform(0.05, 1.5)
            fill(site.shelf, now, length, rng.random().__hash__())
            now += int(length * DAY)
        elif deed == 2:
            live(site.shelf, now - rng.randrange(DAY), 100 + turn)
        elif deed == 3:
            since = now - rng.randrange(3 * DAY)
            site.shelf.store.commit(Batch(exclusions=(Exclusion("b1", since, since + rng.randrange(DAY), ("stuck",)),)))
        elif deed == 4 and site.shelf.plain:
            site.shelf.compact()
        elif deed == 5:
            now -= rng.randrange(DAY // 4)
        else:
            site.send(round_too=rng.random() < 0.3)
    site.send()
    _same(collector, site)
