"""A page of the database went bad and the daemon ended badly: what can be read is taken over, what cannot is named."""

from __future__ import annotations

import random
import shutil
import sqlite3
import uuid
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from tests.amounts import SEED, amount
from tests.store.conftest import MIDNIGHT, Shelf
from tests.store.plain import settings

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import Calibration, Event, JournalEntry
from dewkeeper.store import History
from dewkeeper.store.backup import back_up
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.records import Batch, Message
from dewkeeper.store.rescue import Rescue, open_or_rescue
from dewkeeper_config.models import Backup, Storage

DAYS = 8
PROBES = ("b1", "b2", "b3")
NOW = MIDNIGHT + DAYS * 86400


@dataclass(frozen=True)
class Content:
    """All that people can ask a database for."""

    readings: dict[str, list[Any]]
    quarters: dict[str, Any]
    journal: list[str]
    calibrations: int
    events: list[str]
    standing: set[str]
    messages: set[str]


def _asked(folder: Path) -> Content:
    with History.open(folder) as history:
        return Content(
            {probe: list(history.raw(probe, 0, 1 << 40)) for probe in PROBES},
            dict(history.overnight(MIDNIGHT, NOW)),
            [entry.detail for entry in history.journal()],
            len(history.calibrations().all()),
            [event.id for event in history.events(0)],
            {alarm.alarm for alarm in history.standing()},
            {message.id for message in history.messages()},
        )


def _day(shelf: Shelf, day: int) -> None:
    """Record a day: readings, an entry every two hours, alarms that come and go, their messages, a calibration."""
    rng = random.Random(day)
    shelf.put(
        [
            (
                MIDNIGHT + day * 86400 + second,
                probe,
                rng.randrange(26000, 28000),
                rng.randrange(38000, 42000),
                rng.random() > 0.02,
            )
            for second in range(0, 86400, 600)
            for probe in PROBES
        ]
    )
    events: list[Event] = []
    messages: list[Message] = []
    entries: list[JournalEntry] = []
    for hour in range(24):
        at, alarm = MIDNIGHT + day * 86400 + hour * 3600, f"a{day}-{hour}"
        entries.append(
            JournalEntry(
                str(uuid.UUID(int=day * 100 + hour)), at, "B1", "note", f"{day}:{hour} " + "x" * 200, entered=at
            )
        )
        for what, state in (("raised", "unacknowledged"), ("cleared", "normal"))[: 1 if hour == 23 else 2]:
            identity = f"{alarm} {what}"
            events.append(
                Event(identity, alarm, at, what, "dry", "B1", None, "target", "low", state, at, cause="y" * 100)  # type: ignore[arg-type]
            )
            messages.append(
                Message(f"m{identity}", at, "Ina", "phone", "dry", ("l" * 100,), "low", "dry", alarm, identity)
            )
    calibration = Calibration(MIDNIGHT + day * 86400, "b2", humidity_offset_percent=day / 10)
    items: tuple[JournalEntry | Calibration, ...] = (*entries, calibration)
    shelf.store.commit(
        Batch(items=items, events=tuple(events), messages=tuple(messages), notes={f"note {day}": "z" * 50})
    )


@pytest.fixture(scope="module")
def ended_badly(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Content]:
    """A rack's week: a copy a day old, a day since then, and an end in disorder; and what it holds."""
    folder = tmp_path_factory.mktemp("rack")
    shelf = Shelf(folder / "state")
    shelf.store.commit(Batch(items=(settings(MIDNIGHT, 600, 60, 70),), notes={"link key": "of this database"}))
    for day in range(DAYS):
        _day(shelf, day)
        if day in (4, 6):
            shelf.compact()
        if day == 6:
            back_up(shelf.folder, Backup(folder=folder / "copies", require_mount=False), NOW - 86400)
    with closing(sqlite3.connect(shelf.folder / FILE_NAME)) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shelf.store.close(sound=False)
    return folder, _asked(shelf.folder)


def _pages(folder: Path, table: str) -> list[int]:
    """Return the pages of a table that hold rows."""
    with closing(sqlite3.connect(folder / "state" / FILE_NAME)) as database:
        found = database.execute(
            "SELECT pageno FROM dbstat WHERE name LIKE ? AND pagetype != 'internal' ORDER BY path", (table,)
        ).fetchall()
    return [page for (page,) in found]


@pytest.fixture
def rescued(ended_badly: tuple[Path, Content], tmp_path: Path) -> Callable[..., tuple[Rescue, Content]]:
    """Return what garbles these pages of a rack's database, starts, and tells what was done and what there is."""

    def rescue(*pages: int, copies: bool = True) -> tuple[Rescue, Content]:
        shutil.rmtree(tmp_path, ignore_errors=True)
        shutil.copytree(ended_badly[0], tmp_path)
        if not copies:
            shutil.rmtree(tmp_path / "copies")
        with (tmp_path / "state" / FILE_NAME).open("r+b") as file:
            for page in pages:
                file.seek((page - 1) * 4096)
                file.write(b"\xa5" * 4096)
        storage = Storage(folder=tmp_path / "state", backup=Backup(folder=tmp_path / "copies", require_mount=False))
        store, done = open_or_rescue(storage.folder, storage, ManualClock(wall=NOW))
        store.close()
        assert done is not None
        return done, _asked(storage.folder)

    return rescue


def test_a_bad_page_among_the_events_costs_no_reading_and_no_entry(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]]
) -> None:
    """Readings, quarter hours, journal, calibrations, states of alarms are all there, those since the copy too; events are named."""
    folder, before = ended_badly
    pages = _pages(folder, "event")
    for copies in (True, False):
        done, after = rescued(pages[len(pages) // 2], copies=copies)
        assert after.readings == before.readings
        assert after.quarters == before.quarters
        assert after.journal == before.journal
        assert after.calibrations == before.calibrations
        assert after.standing == before.standing
        assert after.messages == before.messages
        assert "Part could not be read of: alarm events" in done.text()
        assert "set aside as dewkeeper.db.damaged-" in done.text()
        lost = set(before.events) - set(after.events)
        assert bool(lost) != copies  # what is older than the copy comes from it
        assert len(lost) < 30


def test_what_came_after_the_copy_does_not_vanish_with_a_page_of_the_journal(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]]
) -> None:
    """A page of the journal's last day: its own entries are lost and it is said; every other one stays, before and after."""
    folder, before = ended_badly
    done, after = rescued(_pages(folder, "item")[-2])
    lost = [detail for detail in before.journal if detail not in after.journal]
    assert 0 < len(lost) < 15
    assert all(detail.startswith("7:") for detail in lost)
    assert "journal, settings and calibrations" in done.text()
    assert after.readings == before.readings


@pytest.mark.parametrize("table", ["rollup", "recent", "covered"])
def test_quarter_hours_that_cannot_be_read_are_made_anew(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]], table: str
) -> None:
    """Without any copy every quarter hour is what it was, for the readings tell it."""
    folder, before = ended_badly
    pages = _pages(folder, table)
    done, after = rescued(*pages[len(pages) // 2 :][:2], copies=False)
    assert after == before
    assert "could not be read" not in done.text()


def test_a_bad_page_of_the_archive_comes_from_the_copy(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]]
) -> None:
    """Pages of archived blocks: with a copy nothing is lost, without one no more than those blocks."""
    folder, before = ended_badly
    pages = _pages(folder, "chunk")
    done, after = rescued(*pages[1:2])
    assert after == before
    assert "the archive (" in done.text()
    _, after = rescued(*pages[1:2], copies=False)
    assert after.journal == before.journal
    lost = sum(len(before.readings[probe]) - len(after.readings[probe]) for probe in PROBES)
    assert 0 < lost <= 8 * 288


@pytest.mark.parametrize("table", ["reading", "chunk", "item", "event"])
def test_a_table_whose_first_page_is_bad_keeps_its_rows(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]], table: str
) -> None:
    """The page from which all rows of a table are found: they lie on others, so without any copy nothing is lost."""
    folder, before = ended_badly
    with closing(sqlite3.connect(folder / "state" / FILE_NAME)) as database:
        (root,) = database.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
    done, after = rescued(root, copies=False)
    assert after == before
    assert "could not be read" not in done.text()


def test_whatever_page_is_bad_the_rest_is_there(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]]
) -> None:
    """Pages at random, every one in the long run: what it does not hold is there as it was.

    Pages of the schema are left out: without them nothing in the file can be found, and the newest copy takes its place.
    """
    folder, before = ended_badly
    count = (folder / "state" / FILE_NAME).stat().st_size // 4096
    pages = sorted(set(range(2, count + 1)) - set(_pages(folder, "sqlite_schema")))
    for page in random.Random(SEED).sample(pages, amount(12, len(pages))):
        try:
            _, after = rescued(page)
        except AssertionError:
            continue  # a free page: the file is whole
        # Readings are kept raw and read corrected: where a calibration is lost they are there, but read otherwise.
        read = after.readings == before.readings or (
            after.calibrations < before.calibrations
            and all(len(after.readings[probe]) == len(before.readings[probe]) for probe in PROBES)
        )
        kept = [
            after.journal == before.journal, after.events == before.events, read,
            after.messages == before.messages, after.calibrations == before.calibrations,
        ]  # fmt: skip
        assert sum(kept) >= 3, f"page {page}: {kept}"
        assert len(after.journal) >= len(before.journal) - 24, f"page {page}"
        assert after.quarters.keys() == before.quarters.keys(), f"page {page}"


def test_the_power_may_fail_in_the_middle_of_a_rescue(
    ended_badly: tuple[Path, Content], rescued: Callable[..., tuple[Rescue, Content]], tmp_path: Path
) -> None:
    """The damaged file was set aside and the new one not yet put in its place: the next start goes on with it."""
    folder, before = ended_badly
    pages = _pages(folder, "event")
    rescued(pages[len(pages) // 2])
    state = tmp_path / "state"
    (state / FILE_NAME).rename(state / f".{FILE_NAME}.rescued")
    store, done = open_or_rescue(state, Storage(folder=state), ManualClock(wall=NOW))
    store.close()
    assert done is not None
    assert _asked(state).journal == before.journal
