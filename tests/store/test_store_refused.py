"""A batch that was refused leaves nothing behind, and what the past is changed by reaches back as far as it bears."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, reading
from tests.store.plain import Plain, settings

from dewkeeper.judge.types import PASS, JournalEntry, Quality
from dewkeeper.store.errors import StoreCannotHold
from dewkeeper.store.records import Batch


def test_readings_of_a_refused_batch_are_in_no_quarter_hour(tmp_path: Path) -> None:
    """A batch is refused for an entry that no file can hold; its readings, which are not tried again, count nowhere."""
    plain = Plain(tmp_path)
    plain.set(settings(MIDNIGHT, 60, 60, 70))
    plain.put([(MIDNIGHT + 60 * i, "b1", 27000, 40000, True) for i in range(5)])
    never = reading(MIDNIGHT + 300, "b1", 20000, 60000), Quality(MIDNIGHT + 300, "b1", PASS)
    entry = JournalEntry("j", MIDNIGHT + 300, "B1", "note", "\udce4")
    with pytest.raises(StoreCannotHold, match="surrogates not allowed"):
        plain.store.commit(Batch(readings=(never,), items=(entry,)))
    plain.put([(MIDNIGHT + 60 * i, "b1", 27000, 40000, True) for i in range(6, 40)])
    plain.check(MIDNIGHT, MIDNIGHT + 2400, 50, 90)
    plain.store.close()


def test_a_reading_that_comes_late_shortens_how_long_the_one_before_stood(tmp_path: Path) -> None:
    """It lies in the next quarter hour, and the quarter before is watched for less than it was."""
    plain = Plain(tmp_path)
    plain.set(settings(MIDNIGHT, 60, 60, 70))
    times = [*range(0, 840, 60), *range(1020, 4000, 60)]  # at 840 and later none until 1020
    plain.put([(MIDNIGHT + at, "b1", 27000, 40000, True) for at in times])
    plain.check(MIDNIGHT, MIDNIGHT + 900, 50, 90)
    plain.put([(MIDNIGHT + 910, "b1", 27000, 40000, True)])
    plain.check(MIDNIGHT, MIDNIGHT + 900, 50, 90)
    plain.check(MIDNIGHT, MIDNIGHT + 3600, 50, 90)
    plain.store.close()
