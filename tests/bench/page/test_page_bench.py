"""The morning of 40 enclosures costs few times its own SQL, and its first screen stays small."""

from __future__ import annotations

from pathlib import Path

from tests.bench.page import measure

HELD_TIMES = 5.0
"""The goal. Both are processor time of one run, the least of three; 3.4 at a load of 14 on two cores, 30 November 2026."""
MOST_STATEMENTS = 800
"""730 on 1 December 2026. Milliseconds are printed, not held: a slower processor is no fault of the page's."""
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
    assert runs[0][2] <= MOST_STATEMENTS
    assert size <= FIRST_SCREEN_BYTES
