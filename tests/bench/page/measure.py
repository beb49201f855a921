"""The morning of 40 enclosures against its SQL alone, and what the page adds to resident memory.

    python tests/bench/page/measure.py [DAYS]

Fills a temporary store with a poll a minute of 40 probes for DAYS days (default 3) and prints medians.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import PASS, Quality, Reading
from dewkeeper.report.morning import morning
from dewkeeper.report.past import StoredPast
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SCALES

END = 1_790_000_000 // 86400 * 86400 + 7 * 3600
ROUNDS = 7


def rack(folder: Path) -> Config:
    """Return 40 enclosures with a probe each."""
    lines = [f'storage = {{ folder = "{folder}" }}', '[[rack]]\nname = "R"']
    for n in range(40):
        lines.append(f'[[enclosure]]\nname = "T{n}"\nrack = "R"\nplace = {n + 1}')
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "T{n}"\ndriver = "simulated"')
    lines.append('[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1:9/"')
    lines.append('[[person]]\nname = "Ina"\nchannels = ["phone"]')
    return parse("\n".join(lines).encode(), folder / "rack.toml")


def fill(folder: Path, config: Config, days: int) -> None:
    """Store a poll a minute up to END."""
    store, scale = Store.open(folder, config.storage, ManualClock()), SCALES["sht3x"]
    for hour in range(days * 24, 0, -1):
        batch = []
        for at in range(END - hour * 3600, END - (hour - 1) * 3600, 60):
            for n in range(40):
                words = scale.encode(27 + n % 5, 50 + (n * 7 + at // 900) % 30)
                reading = Reading(at, f"p{n}", *scale.decode(*words), *words)
                batch.append((reading, Quality(at, f"p{n}", PASS)))
        store.commit(Batch(readings=tuple(batch)))
    store.close()


def median_ms(work: Callable[[], object]) -> float:
    """Return the median milliseconds of a few runs."""
    times = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        work()
        times.append((time.perf_counter() - begun) * 1000)
    return statistics.median(times)


def main() -> None:
    """Measure and print."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = rack(folder)
        fill(folder, config, days)
        with StoredPast.open(config) as past, History.open(folder) as history:
            whole = median_ms(lambda: morning(past, config, END))
            start = END - 10 * 3600

            def sql() -> None:
                with history._read() as connection:
                    for night in (start, start - 86400):
                        connection.exec_driver_sql(
                            "SELECT key, t, h FROM reading WHERE key >= ? AND key < ?",
                            (night << 10, (night + 10 * 3600) << 10),
                        ).all()

            alone = median_ms(sql)
        print(f"morning, 40 enclosures, {days} days stored: {whole:.0f} ms; its rows alone {alone:.0f} ms")


main()
