"""Readings before and after they are archived."""

from __future__ import annotations

import random
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.store.conftest import MIDNIGHT, Shelf, raw_all

from dewkeeper.judge.types import MISSING, Exclusion, Failure, Quality, Reading
from dewkeeper.store.archive import pack, unpack
from dewkeeper.store.errors import StoreDamaged
from dewkeeper.store.records import Batch, Snapshot

word = st.none() | st.integers(0, 65535) | st.integers(0, 70)


@given(st.dictionaries(st.integers(0, 172_799), st.tuples(word, word), max_size=50))
def test_packed_rows_come_back_as_they_were(rows: dict[int, tuple[int | None, int | None]]) -> None:
    """A blob gives back every second, every word and every gap."""
    listed = [(second, *words) for second, words in sorted(rows.items())]
    assert unpack(pack(listed), len(listed)) == listed


def test_a_damaged_blob_is_refused() -> None:
    """A cut blob raises instead of giving other readings."""
    blob = pack([(60 * i, 100 + i, 7) for i in range(100)])
    with pytest.raises(StoreDamaged, match="damaged"):
        unpack(blob[:-5], 100)


def _days(shelf: Shelf, days: int, step: int = 600) -> None:
    rng = random.Random(5)
    for day in range(days):
        rows = []
        for second in range(0, 86400, step):
            for probe in ("b1", "b2", "b3"):
                words = (None, None) if rng.random() < 0.02 else (rng.randrange(26000, 28000), rng.randrange(65536))
                rows.append((MIDNIGHT + day * 86400 + second, probe, *words, rng.random() > 0.03))
        shelf.put(rows)


def test_archiving_moves_no_reading_and_no_verdict(shelf: Shelf) -> None:
    """After compaction every raw query answers as before, and the old rows are no longer plain ones."""
    _days(shelf, 7)
    with shelf.history() as history:
        before = {p: list(history.raw(p, 0, 1 << 40)) for p in ("b1", "b2", "b3")}
        stream = list(history.stream(0))
        assert shelf.compact() == 4 * 144 * 3
        assert {p: list(history.raw(p, 0, 1 << 40)) for p in before} == before
        assert dict(raw_all(history, 0, 1 << 40)) == before
        assert list(history.stream(0)) == stream
    assert before["b1"] == [
        type(before["b1"][0])(*pair) for (_, probe), pair in sorted(shelf.plain.items()) if probe == "b1"
    ]


def test_why_a_poll_failed_is_kept(shelf: Shelf) -> None:
    """Every failure comes back as it was told, archived or not."""
    pairs = []
    for day in range(7):
        for number, failure in enumerate(get_args(Failure)):
            for tests, notes in ((), ()), ((failure,), ()), ((failure,), ("slow",)):
                time = MIDNIGHT + day * 86400 + number * 600 + len(tests) * 60 + len(notes) * 120
                failed = Reading(time, "b1", None, None, failure=failure, notes=notes)
                pairs.append((failed, Quality(time, "b1", MISSING, tests)))
    pairs.sort(key=lambda pair: pair[0].time)
    shelf.store.commit(Batch(readings=tuple(pairs)))
    shelf.store.commit(Batch(snapshot=Snapshot(pairs[-1][0].time, 0, b"state")))
    for moved in (48, 0):
        with shelf.history() as history:
            found = [(one.reading.failure, one.quality) for one in history.raw("b1", 0, 1 << 40)]
        assert found == [(reading.failure, quality) for reading, quality in pairs]
        assert shelf.store.compact(pairs[-1][0].time) == moved


def test_a_fault_found_late_takes_archived_readings_out_of_every_answer(shelf: Shelf) -> None:
    """An exclusion over archived and plain readings changes raw verdicts and the quarter hours alike."""
    _days(shelf, 7)
    shelf.compact()
    since, until = MIDNIGHT + 86400 + 130, MIDNIGHT + 6 * 86400 + 50
    shelf.store.commit(Batch(exclusions=(Exclusion("b2", since, until, ("displaced",)),)))
    for (time, probe), (row, quality) in shelf.plain.items():
        if probe == "b2" and since <= time <= until and quality.flag != 9:
            shelf.plain[time, probe] = row, Quality(time, probe, 4, ("displaced",))
    _check(shelf, MIDNIGHT, MIDNIGHT + 7 * 86400, 100)


def test_a_step_back_into_archived_time_loses_nothing(shelf: Shelf) -> None:
    """Readings stamped inside an archived block join it, on free seconds."""
    _days(shelf, 7)
    shelf.compact()
    count = len(shelf.plain)
    shelf.put([(MIDNIGHT + 600 * i, "b1", 27000 + i, 5, True) for i in range(20)])
    shelf.put([(MIDNIGHT + 8 * 86400, "b1", 1, 1, True)])
    shelf.compact()
    with shelf.history() as history:
        rows = [row for rows in raw_all(history, 0, 1 << 40).values() for row in rows]
        assert len(rows) == count + 21
        assert len({(row.reading.probe, row.reading.time) for row in rows}) == count + 21


def _check(shelf: Shelf, start: int, end: int, points: int) -> None:
    with shelf.history() as history:
        for probe in sorted({probe for _, probe in shelf.plain}):
            want = [pair for (time, name), pair in sorted(shelf.plain.items()) if name == probe and start <= time < end]
            assert [(s.reading, s.quality) for s in history.raw(probe, start, end)] == want
            counted = [r for r, q in want if q.counts and r.humidity_percent is not None]
            found = history.series(probe, start, end, points)
            assert sum(s.n for s in found) == len(counted)
            for piece in found:
                inside = [r for r in counted if piece.at <= r.time < piece.at + piece.seconds]
                assert piece.n == len(inside)
                humidities = [r.humidity_percent or 0.0 for r in inside]
                assert piece.humidity_low == pytest.approx(min(humidities))
                assert piece.humidity_high == pytest.approx(max(humidities))
                assert piece.humidity_sum / piece.n == pytest.approx(sum(humidities) / len(humidities))
