"""One flipped bit in an archived block: it is named and set aside, everything else goes on, and a copy brings it back."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.judge.types import Calibration
from dewkeeper.store.backup import back_up, look_into
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.export import export
from dewkeeper.store.records import Batch
from dewkeeper.store.repair import unreadable
from dewkeeper_config.models import Backup

DAYS = 8
NAMED = "b1 from 2026-09-18 00:00 to 2026-09-20 00:00 UTC (288 readings)"


def flip_a_bit(folder: Path, key: int) -> None:
    """Change one bit in the middle of a block of the archive, on the card."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (data,) = database.execute("SELECT data FROM chunk WHERE key = ?", (key,)).fetchone()
        spoilt = bytearray(data)
        spoilt[len(spoilt) // 2] ^= 4
        database.execute("UPDATE chunk SET data = ? WHERE key = ?", (bytes(spoilt), key))
        database.commit()


@pytest.fixture
def damaged(tmp_path: Path) -> Iterator[tuple[Shelf, Backup]]:
    """Eight days of two probes, a copy of all of it, and then a flipped bit in the first probe's second block."""
    shelf = Shelf(tmp_path / "state")
    for day in range(DAYS):
        polls = [(MIDNIGHT + day * 86400 + second, second) for second in range(0, 86400, 600)]
        shelf.put(
            [
                row
                for at, s in polls
                for row in ((at, "b1", 26000 + s % 70, 40000, True), (at, "b2", 27000, 41000 + s % 90, True))
            ]
        )
    shelf.compact()
    settings = Backup(folder=tmp_path / "copies", require_mount=False)
    back_up(shelf.folder, settings, MIDNIGHT + DAYS * 86400)
    flip_a_bit(shelf.folder, ((MIDNIGHT // 86400 // 2 + 1) << 10) + 1)
    shelf.reopen()
    yield shelf, settings
    shelf.store.close()


def _readings(shelf: Shelf, probe: str) -> list[object]:
    with shelf.history() as history:
        return list(history.raw(probe, 0, 1 << 40))


def test_a_calibration_dated_back_over_a_damaged_block_is_stored_and_corrects_what_can_be_read(
    damaged: tuple[Shelf, Backup],
) -> None:
    """The batch is taken, the block is named, its quarter hours stay, and everything around it reads corrected."""
    shelf, _ = damaged
    with shelf.history() as history:
        before = history.stats("b1", MIDNIGHT, MIDNIGHT + DAYS * 86400)
    shelf.store.commit(Batch(items=(Calibration(MIDNIGHT, "b1", humidity_offset_percent=2.0),)))
    assert [block.text() for block in shelf.store.damage.values()] == [NAMED]
    with shelf.history() as history:
        rows = history.raw("b1", 0, 1 << 40)
        after = history.stats("b1", MIDNIGHT, MIDNIGHT + DAYS * 86400)
    assert len(rows) == (DAYS - 2) * 144
    assert rows[0].reading.humidity_percent == pytest.approx(100 * 40000 / 65535 + 2)
    assert before is not None
    assert before.humidity_mean is not None
    assert after is not None
    assert after.n == before.n
    assert after.humidity_mean == pytest.approx(before.humidity_mean + 2)
    shelf.put([(MIDNIGHT + DAYS * 86400, "b1", 1, 1, True)])
    shelf.reopen()
    assert len(shelf.store.damage) == 1


def test_a_damaged_block_ends_no_backup_and_no_export(damaged: tuple[Shelf, Backup], tmp_path: Path) -> None:
    """Both take everything else and name probe and hours of what they could not."""
    shelf, settings = damaged
    content = look_into(back_up(shelf.folder, settings, MIDNIGHT + (DAYS + 1) * 86400))
    assert content.readings == 2 * DAYS * 144 - 288
    assert content.damaged == (NAMED,)
    counts = export(shelf.folder, tmp_path / "all.csv")
    assert counts["readings"] == 2 * DAYS * 144 - 288
    assert counts["missing"] == [NAMED]


def test_repair_brings_the_block_back_from_the_newest_copy_that_has_it(damaged: tuple[Shelf, Backup]) -> None:
    """A newer copy has the same damage and is passed over; afterwards every reading and every quarter hour is as it was."""
    shelf, settings = damaged
    newer = back_up(shelf.folder, settings, MIDNIGHT + (DAYS + 1) * 86400)
    assert settings.folder is not None
    older = next(path for path in settings.folder.iterdir() if path != newer)
    keys = unreadable(shelf.folder)
    assert len(keys) == 1
    (done,) = shelf.store.repair(keys, [older, newer])
    assert (done.block.text(), done.source, done.readings) == (NAMED, older, 288)
    assert shelf.store.damage == {}
    assert unreadable(shelf.folder) == []
    for probe in ("b1", "b2"):
        assert [(r.reading, r.quality) for r in _readings(shelf, probe)] == [  # type: ignore[attr-defined]
            pair for (_, name), pair in sorted(shelf.plain.items()) if name == probe
        ]


def test_what_no_copy_has_stays_named(damaged: tuple[Shelf, Backup]) -> None:
    """Without a copy that has it the block is set aside all the same, and a new reading of its hours finds its place."""
    shelf, _ = damaged
    (done,) = shelf.store.repair(unreadable(shelf.folder), [])
    assert done.source is None
    assert [block.text() for block in shelf.store.damage.values()] == [NAMED]
    shelf.put([(MIDNIGHT + 2 * 86400 + 30, "b1", 5, 5, True)])
    shelf.put([(MIDNIGHT + 9 * 86400, "b2", 5, 5, True)])
    shelf.compact()
    assert len(_readings(shelf, "b1")) == (DAYS - 2) * 144 + 1
