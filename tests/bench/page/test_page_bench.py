"""The morning of 40 enclosures costs few times its own SQL, and its first screen stays small."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.bench.page import measure

pytestmark = [pytest.mark.slow]

HELD_TIMES = 6.0
"""The goal is 5, which a year behind it keeps; three days have less SQL to compare with, and a busy machine lengthens both."""
HELD_MS = 150.0
"""Of the processor; the goal is 100."""
FIRST_SCREEN_BYTES = 60_000


def test_a_morning_costs_few_times_its_sql(tmp_path: Path) -> None:
    """Three days of 40 probes stored: morning with its curves against every statement of it asked again, the least of three."""
    config = measure.rack(tmp_path)
    measure.fill(tmp_path, config, 3)
    runs = [measure.measure(tmp_path, config) for _ in range(3)]
    ratio = min(took / sql for (took, _), (sql, _), _ in runs)
    busy = min(took for (took, _), _, _ in runs)
    _, size = measure.screen(tmp_path, config)
    print(f"morning {busy:.1f} ms, {ratio:.1f} times its {runs[0][2]} statements; first screen {size} bytes")
    assert ratio <= HELD_TIMES
    assert busy <= HELD_MS
    assert size <= FIRST_SCREEN_BYTES
