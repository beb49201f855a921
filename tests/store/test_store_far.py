"""A database that holds readings of a time that cannot be starts as any other, and says which it set aside."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all

from dewkeeper.store.archive import keep
from dewkeeper.store.arrival import StreamPlace, arrivals
from dewkeeper.store.coverage import covered
from dewkeeper.store.database import BLOCK_SECONDS, PROBE_BITS, Connection
from dewkeeper.store.quarters import QUARTER_SECONDS

FAR = MIDNIGHT + 36_524 * 86400  # a century later


def _minutes(start: int, count: int) -> list[tuple[int, str, int | None, int | None, bool]]:
    return [(start + 60 * n, "b1", 27000 + n, 40000, True) for n in range(count)]


@pytest.mark.parametrize("archived", [True, False], ids=["imported", "polled"])
def test_readings_of_the_far_future_are_set_aside_and_named(shelf: Shelf, archived: bool) -> None:
    """What was recorded stays, what comes is stored in order, and its quarter hours are as if they had never been."""
    shelf.put(_minutes(MIDNIGHT, 90))
    if archived:
        with shelf.store._file.transaction() as connection:
            keep(connection, (FAR // BLOCK_SECONDS << PROBE_BITS) + 1, [(60, 27000, 40000)])
    else:
        shelf.put(_minutes(FAR, 1))
        shelf.put(_minutes(MIDNIGHT + 90 * 60, 1))  # taken for late
    shelf.reopen()
    assert [block.text()[:13] for block in shelf.store.damage.values()] == ["b1 from 2126-"]
    shelf.put(_minutes(MIDNIGHT + 91 * 60, 89) if not archived else _minutes(MIDNIGHT + 90 * 60, 90))
    with shelf.history() as history:
        assert len(raw_all(history, 0, 1 << 40)["b1"]) == 180
        assert history.latest()["b1"].reading.time == MIDNIGHT + 179 * 60
        assert [piece.n for piece in history.series("b1", MIDNIGHT, MIDNIGHT + 10_800, 3)] == [60, 60, 60]
        with history._read() as connection:
            assert connection.value("SELECT count(*) FROM late") == (0 if archived else 1)
            assert covered(connection).until == (MIDNIGHT + 179 * 60) // QUARTER_SECONDS
    shelf.reopen()  # and once is enough
    assert len(shelf.store.damage) == 1


def test_a_start_passes_over_empty_years(shelf: Shelf) -> None:
    """Between two readings a century apart nothing is looked at."""
    shelf.put(_minutes(MIDNIGHT, 3))
    shelf.put(_minutes(FAR, 3))
    looks = 0

    @contextmanager
    def reader() -> Iterator[Connection]:
        nonlocal looks
        looks += 1
        with shelf.store._file.transaction() as connection:
            yield connection

    assert len(list(arrivals(reader, StreamPlace(0), []))) == 6
    assert looks < 10
