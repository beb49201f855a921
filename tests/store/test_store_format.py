"""The page of the format tells the truth: each of its queries, by plain sqlite3, gives what the store answers."""

from __future__ import annotations

import re
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all
from tests.store.plain import settings

from dewkeeper import store
from dewkeeper.judge.types import Calibration, Event, Exclusion, JournalEntry
from dewkeeper.store import History
from dewkeeper.store.backup import look_into
from dewkeeper.store.database import FILE_NAME, FOREVER
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.records import Batch, DeliveryResult, Message
from dewkeeper.store.schema import metadata
from dewkeeper_drivers.contract import SHT3X, spelled

PAGE = Path(store.__file__).with_name("FORMAT.md").read_text(encoding="utf-8")
QUERIES = dict(re.findall(r"```sql\n-- (\w+)\n(.*?)```", PAGE, re.DOTALL))
PROBES = ("b1", "b2", "b3")
END = MIDNIGHT + 7 * 86400
Rows = Sequence[tuple[Any, ...]]
Check = Callable[[Rows, History, sqlite3.Connection], object]


def _utc(second: int | None) -> str | None:
    return None if second is None else datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%d %H:%M:%S")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shelf]:
    """A week of three probes with all that can be said of it, its first days archived."""
    made = Shelf(tmp_path_factory.mktemp("kept"))
    made.store.commit(Batch(items=(settings(MIDNIGHT, 600, 60, 70),), notes={"link key": "of this database"}))
    for day in range(7):
        made.put([
            (
                MIDNIGHT + day * 86400 + 600 * poll, probe,
                *((None, None) if (poll + place) % 29 == 0 else (26000 + 7 * poll + place, 38000 + 55 * (poll % 144))),
                None if 20 <= poll < 30 and place == 0 else (poll + 3 * place) % 41 != 0,
            )
            for poll in range(144) for place, probe in enumerate(PROBES)
        ])  # fmt: skip
        at = MIDNIGHT + day * 86400 + 40_000
        entry = JournalEntry(f"j{day}", at, "B1", "misted", f"by hand, {day}", "Ina", entered=at, replaces="j2" if day == 4 else None)  # fmt: skip
        event = Event(
            f"e{day}", f"a{day}", at, "raised", "dry", "B1", None, "target", "low", "unacknowledged", at, cause="dry"
        )
        message = Message(f"m{day}", at, "Ina", "phone", "B1: dry", ("line",), "low", "dry")
        sent = (DeliveryResult("m3", at + 5, "sent", 2),) if day == 3 else ()
        made.store.commit(Batch(items=(entry,), events=(event,), messages=(message,), deliveries=sent))
    made.store.commit(Batch(items=(Calibration(MIDNIGHT + 86400, "b2", 0.5, 1.5, 1.02),)))
    made.store.commit(Batch(exclusions=(Exclusion("b3", MIDNIGHT + 86400, MIDNIGHT + 90000, ("drift",)),)))
    assert made.compact() > 0
    yield made
    made.store.close()


def _readings(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    (first,) = database.execute("SELECT min(key) >> 10 FROM reading").fetchone()
    kept = [one.reading for one in history.raw("b1", first, FOREVER)]
    assert [(utc, t, h) for utc, t, h, *_ in rows] == [
        (_utc(r.time), r.temperature_word, r.humidity_word) for r in kept
    ]
    assert [row[3:] for row in rows] == [
        (None, None) if r.temperature_c is None else pytest.approx((r.temperature_c, r.humidity_percent)) for r in kept
    ]


def _archive(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    """What the page's Python makes of the archive and the readings table together is every reading there is."""
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    space: dict[str, Any] = {"zlib": zlib}
    exec(code, space)  # noqa: S102  what the page tells people to run
    found = {
        (second, probe): (t, h)
        for row in database.execute("SELECT key, n, data FROM chunk")
        for second, probe, t, h in space["unpack"](*row)
    }
    assert len(found) == sum(n for *_, n in rows)
    found |= {(key >> 10, key & 1023): (t, h) for key, t, h in database.execute("SELECT key, t, h FROM reading")}
    numbers = dict(database.execute("SELECT name, id FROM probe").fetchall())
    assert found == {
        (one.reading.time, numbers[probe]): (one.reading.temperature_word, one.reading.humidity_word)
        for probe, kept in raw_all(history, 0, FOREVER).items() for one in kept
    }  # fmt: skip
    assert {name for name, *_ in rows} == set(PROBES)
    assert min(block for _, block, _ in rows) == _utc(MIDNIGHT)


def _verdicts(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    said = {
        (probe, _utc(one.reading.time)): (one.quality.flag, [*one.quality.tests, *([f"!{one.reading.failure}"] * (one.quality.flag == 9))])
        for probe, kept in raw_all(history, 0, FOREVER).items() for one in kept
        if one.quality.flag != 1 and one.quality.tests != ("drift",)
    }  # fmt: skip
    covers = {
        (name, at): (flag, tests.split(","))
        for name, since, until, flag, tests in rows for probe, at in said if probe == name and since <= at <= until
    }  # fmt: skip
    assert covers == said


def _exclusions(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    assert rows == [("b3", _utc(MIDNIGHT + 86400), _utc(MIDNIGHT + 90000), 4, "drift")]
    taken = [one.reading.time for one in history.raw("b3", 0, FOREVER) if one.quality.tests == ("drift",)]
    assert (min(taken), max(taken)) == (MIDNIGHT + 86400, MIDNIGHT + 90000)


def _quarters(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    last = max(at for _, at, *_ in rows)
    for probe in ("b1", "b3"):  # the other one is calibrated
        points = (last + QUARTER_SECONDS - MIDNIGHT) // QUARTER_SECONDS
        kept = history.series(probe, MIDNIGHT, last + QUARTER_SECONDS, points)
        assert [row[1:] for row in rows if row[0] == probe] == [
            pytest.approx((
                s.at, s.n, s.watched_seconds, s.humidity_low, s.humidity_sum / s.n if s.n else None, s.humidity_high,
                s.temperature_low, s.temperature_high, s.temperature_sum / s.temperature_n,
            ))
            for s in kept
        ]  # fmt: skip
        assert any(not s.n for s in kept) == (probe == "b1")


def _beyond(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    for probe, day, *sums in rows:
        start = int(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp())
        if start + 86400 < END:  # of the last day something is not in the tables yet
            kept = history.stats(probe, start, start + 86400)
            assert kept is not None
            assert sums == pytest.approx([
                kept.watched_seconds, kept.below_target_seconds, kept.above_target_seconds, kept.below_tolerable_seconds,
                kept.above_tolerable_seconds, kept.too_cold_seconds, kept.too_hot_seconds, kept.dose_percent_hours,
            ])  # fmt: skip
    assert len(rows) == 7 * len(PROBES)
    assert sum(row[3] for row in rows) > 0


def _journal(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    kept = history.journal(replaced=True)
    assert rows == [(_utc(e.time), e.enclosure, e.what, e.detail, e.who, e.replaces) for e in kept]
    assert {row[-1] for row in rows} == {None, "j2"}


def _calibrations(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    """By hand, as the page says, the words of a calibrated probe become what the store gives."""
    ((since, probe, more, times, plus),) = rows
    kept = [one.reading for one in history.raw("b2", 0, FOREVER) if one.reading.temperature_word is not None]
    assert (since, probe) == (_utc(MIDNIGHT + 86400), "b2")
    for one in kept:
        celsius, percent = SHT3X.decode(one.temperature_word or 0, one.humidity_word or 0)
        if _utc(one.time) >= since:
            celsius, percent = celsius + more, min(100, max(0, percent * times + plus))
        assert (one.temperature_c, one.humidity_percent) == pytest.approx((celsius, percent))
    (packed,) = database.execute("SELECT data FROM item WHERE kind = 'Settings'").fetchone()
    assert b'"b2"' in zlib.decompress(packed)


def _events(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    assert rows == [(_utc(e.time), e.enclosure, e.kind, e.event, e.state, e.cause) for e in history.events(0)]


def _standing(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    assert rows == [(a.alarm, a.state, _utc(a.raised)) for a in history.standing()]


def _messages(rows: Rows, history: History, _: sqlite3.Connection) -> None:
    assert rows == [
        (m.id, _utc(m.created), m.person, m.channel, m.title, m.state, m.attempts, m.last_error, _utc(m.sent))
        for m in history.messages()
    ]


def _extent(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    (path,) = [file for _, name, file in database.execute("PRAGMA database_list") if name == "main"]
    content = look_into(Path(path))
    assert rows == [(content.readings, content.journal, content.events, "ok")]


CHECKS: dict[str, Check] = {
    "readings": _readings, "archive": _archive, "verdicts": _verdicts, "exclusions": _exclusions, "quarters": _quarters,
    "beyond": _beyond, "journal": _journal, "calibrations": _calibrations, "events": _events, "standing": _standing,
    "messages": _messages, "extent": _extent,
}  # fmt: skip


def _same_names(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    assert rows == [(number, name, spelled(SHT3X)) for number, name in enumerate(PROBES, start=1)]


def _same_notes(rows: Rows, history: History, database: sqlite3.Connection) -> None:
    assert dict(rows) == history.notes()


CHECKS |= {"probes": _same_names, "notes": _same_notes}


def test_every_query_of_the_page_has_a_check_and_every_table_a_word() -> None:
    """Nothing on the page is untried, and no table is left out."""
    assert QUERIES.keys() == CHECKS.keys()
    assert PAGE.count("```sql") == len(QUERIES)
    for table in metadata.tables:
        assert re.search(rf"\b{table}\b", PAGE), table


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_a_query_of_the_page_gives_what_the_store_answers(shelf: Shelf, name: str) -> None:
    """By plain sqlite3, nothing of ours loaded, the rows are those that the store gives."""
    with (
        closing(sqlite3.connect(f"file:{shelf.folder / FILE_NAME}?mode=ro", uri=True)) as database,
        shelf.history() as past,
    ):
        rows = database.execute(QUERIES[name]).fetchall()
        assert rows
        CHECKS[name](rows, past, database)
