"""What was stamped on a clock that was not believed moves to its true time, whole."""

from __future__ import annotations

import random

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all, reading

from dewkeeper.judge.types import FAIL, PASS, Event, Exclusion, JournalEntry, Quality, Reading, Rebase
from dewkeeper.store.records import Batch, Snapshot


def _fill(shelf: Shelf, start: int, minutes: int, seed: int) -> None:
    rng = random.Random(seed)
    shelf.put(
        [
            (start + 60 * i, probe, rng.randrange(26000, 28000), rng.randrange(30000, 50000), rng.random() > 0.2)
            for i in range(minutes)
            for probe in ("b1", "b2")
        ]
    )


@pytest.mark.parametrize("step", [9 * 3600 + 17, 3600, -(10 * 365 * 86400)])
def test_everything_stamped_since_moves_by_the_step(shelf: Shelf, step: int) -> None:
    """Readings, verdicts, exclusions, journal, events and quarter hours of the doubtful stretch move, nothing else does."""
    _fill(shelf, MIDNIGHT, 100, 1)
    before = MIDNIGHT + 6000
    since = before if step > 0 else before - step
    _fill(shelf, since, 90, 2)
    entry = JournalEntry("j", since + 600, "B1", "misted")
    event = Event("e", "a", since + 700, "raised", "dry", "B1", "b1", "target", "low", "unacknowledged", since + 100)
    exclusion = Exclusion("b2", since + 1000, since + 2000, ("drift",))
    shelf.store.commit(Batch(items=(entry,), events=(event,), exclusions=(exclusion,)))
    arrived = since + 90 * 60 + step
    rebase = Rebase(arrived, step, dates_since=since)
    shelf.store.commit(Batch(items=(rebase,), snapshot=Snapshot(arrived, 0, b"state")))
    stamped, shelf.plain = shelf.plain, {}
    _fill(shelf, arrived, 30, 3)
    for (time, probe), (row, quality) in stamped.items():
        if time < since:
            shelf.plain[time, probe] = row, quality
        else:
            moved = reading(time + step, probe, row.temperature_word, row.humidity_word)
            verdict = Quality(time + step, probe, quality.flag, quality.tests)
            if probe == "b2" and since + 1000 <= time <= since + 2000:
                verdict = Quality(time + step, probe, FAIL, ("drift",))
            shelf.plain[time + step, probe] = moved, verdict
    with shelf.history() as history:
        for probe in ("b1", "b2"):
            wanted = [pair for (_, name), pair in sorted(shelf.plain.items()) if name == probe]
            assert [(s.reading, s.quality) for s in history.raw(probe, 0, 1 << 40)] == wanted
            counted = [r for r, q in wanted if q.flag == PASS]
            night = history.overnight(MIDNIGHT - 900, max(arrived, since) + 7200)[probe]
            assert night.n == len(counted)
            assert night.humidity_min is not None
            assert night.humidity_min.value == pytest.approx(min(r.humidity_percent or 0 for r in counted))
        assert [one.time for one in history.journal(0)] == [since + 600 + step]
        assert [(one.time, one.since, one.id) for one in history.events(0)] == [
            (since + 700 + step, since + 100 + step, "e")
        ]
        assert history.standing()[0].raised == since + 700 + step
        times = [item.time for item in history.stream(0) if isinstance(item, Reading)]
        kinds = [type(item) for item in history.stream(0)]
    assert times == sorted(times)
    # The step stands before what it dated, so that elapsed time runs on when the stream is judged again.
    assert kinds.index(Rebase) == 200
    assert [type(item) for item in shelf.store.stream_after(shelf.store.snapshot())] == [Reading] * 60


def test_dating_half_done_is_not_done(shelf: Shelf) -> None:
    """A refused commit leaves every stamp as it was."""
    _fill(shelf, MIDNIGHT, 20, 1)
    with shelf.history() as history:
        before = raw_all(history, 0, 1 << 40)
        with pytest.raises(OSError, match="binding"):
            shelf.store.commit(Batch(items=(Rebase(MIDNIGHT + 9000, 7000, MIDNIGHT + 600),), notes={"x": {}}))  # type: ignore[dict-item]  # SQLite takes no such value
        assert raw_all(history, 0, 1 << 40) == before
