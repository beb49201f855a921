"""A day of 128 probes through the whole daemon; eight hours of it in a short run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tests.amounts import amount
from tests.store.conftest import raw_all

from dewkeeper.store import History

PROBES = 128
MINUTES = amount(480, 1440)


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


@pytest.mark.slow
def test_a_day_of_128_probes_is_accounted_for_and_memory_stays(racks: Any, phone: Any) -> None:
    """Every poll of every probe is stored under its minute, calm tubs send nothing, and memory does not grow."""
    daemon = racks.start(racks.config(enclosures=PROBES))
    first = int(racks.clock.wall())
    racks.clock.advance(MINUTES / 4 * 60)
    early = _resident_mb()
    racks.clock.advance(MINUTES * 3 / 4 * 60)
    late = _resident_mb()
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        found = raw_all(history, 0, 1 << 40)
    assert len(found) == PROBES
    for rows in found.values():
        assert [stored.reading.time for stored in rows] == [first + 60 * n for n in range(MINUTES + 1)]
        assert all(stored.quality.counts for stored in rows)
    assert phone.messages == []
    assert late - early < 8  # MB; three quarters of eight hours of readings kept by mistake would be 13 and more
