"""A large import is learned from as soon as the daemon starts; a small one waits for the night."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf

from dewkeeper.slots import Every, is_due
from dewkeeper.store.importing import MUCH_TO_LEARN, import_readings
from dewkeeper.store.records import LEARNING_DONE, Batch


@pytest.mark.parametrize(("rows", "due"), [(MUCH_TO_LEARN, True), (MUCH_TO_LEARN - 1, False)])
def test_a_large_import_makes_the_learning_pass_due(shelf: Shelf, tmp_path: Path, rows: int, due: bool) -> None:
    """Ten thousand new readings make it due at once, though it ran a minute ago; one fewer does not, nor the same file again."""
    start = MIDNIGHT - 10 * 86400
    lines = (
        f"{datetime.fromtimestamp(start + 60 * minute, UTC):%Y-%m-%dT%H:%M:%SZ},t1,29.00,62.00\n"
        for minute in range(rows)
    )
    file = tmp_path / "old.csv"
    file.write_text("time,probe,temperature_c,humidity_pct\n" + "".join(lines))
    now = MIDNIGHT + 60
    done = {LEARNING_DONE: str(now - 60)}
    shelf.store.commit(Batch(notes=done))
    shelf.store.close()
    assert import_readings(shelf.folder, file).stored == rows
    for again in (False, True):
        shelf.reopen()
        with shelf.history() as history:
            last = int(history.notes()[LEARNING_DONE])
        assert is_due(Every(86400), 0, last, now) == (due and not again)
        shelf.store.commit(Batch(notes=done))
        shelf.store.close()
        import_readings(shelf.folder, file)
    shelf.reopen()
