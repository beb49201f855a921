"""How fast the past is judged from the database, and what memory it takes: PYTHONPATH=. python tests/bench/replay/database.py [DAYS]

The rack and the air of replay_speed.py, judged and stored as the daemon does, all but the last two days moved into the archive;
then `dewkeeper replay --since` and `dewkeeper report alarms` over DAYS (default 5) and eight times as many.
"""

from __future__ import annotations

import csv
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.replay.replay_speed import measured, write_rack, write_readings

from dewkeeper.clock import ManualClock
from dewkeeper.interchange import parse_time
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, Quality, Reading
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import load
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SHT3X


def fill(config: Config, readings: Path, shift: int) -> None:
    """Judge a readings file and store it, every time moved by so many seconds."""
    store = Store.open(config.storage.folder, config.storage, ManualClock())
    judge = Judge()
    kept: list[tuple[Reading, Quality]] = []
    events: list[Event] = []
    last = 0
    for reading in _readings(readings, shift):
        if not last:
            first = judge_settings(config, reading.time)
            judge.feed(first)
            store.commit(Batch(items=(first,)))
        if reading.time != last and len(kept) > 5000:
            kept.sort(key=lambda pair: pair[0].time)
            store.commit(Batch(readings=tuple(kept), events=tuple(events)))
            kept, events = [], []
        last = reading.time
        verdict = judge.feed(reading)
        kept.append((reading, verdict.quality[0]))
        events += verdict.events
    store.commit(Batch(readings=tuple(kept), events=tuple(events)))
    store.compact(last)
    store.close()


def _readings(path: Path, shift: int) -> Iterator[Reading]:
    with path.open(newline="", encoding="utf-8") as file:
        rows = csv.reader(file)
        next(rows)
        for when, probe, t, h in rows:
            at = parse_time(when) + shift
            if not t:
                yield Reading(at, probe, None, None, failure="missing")
                continue
            words = SHT3X.encode(float(t), float(h))
            yield Reading(at, probe, *SHT3X.decode(*words), *words)


def main() -> None:
    """Measure and print JSON."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    found = []
    for times in (1, 8):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_rack(folder / "rack.toml", folder)
            rows = write_readings(folder / "r.csv", days * times)
            with (folder / "r.csv").open(encoding="utf-8") as file:
                *_, last = file
            fill(load(folder / "rack.toml"), folder / "r.csv", int(time.time()) - parse_time(last.split(",", 1)[0]))
            for command in (["replay", "--since", "2000d"], ["report", "alarms", "--since", "2000d"]):
                wall, used, memory, lines = measured([*command, "--config", str(folder / "rack.toml")])
                found.append(
                    {
                        "command": " ".join(command[:2]), "rows": rows, "lines": lines, "wall_s": round(wall, 2),
                        "cpu_s": round(used, 2), "rows_per_cpu_s": round(rows / used), "max_rss_mb": round(memory, 1),
                    }
                )  # fmt: skip
    sys.stdout.write(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
