"""The learning pass over a stored year of 40 enclosures and their room: `PYTHONPATH=. python -m tests.bench.insight.learned_year`.

Fills a store (in the folder given by --keep, or a temporary one) with a poll a minute of simulated air: eight weeks of a
make of rack, over and over, with the journal of its keeping, archived as every night would. Then `dewkeeper learn` runs
over it as a child, once for its processor time and its largest memory, once more under the store bench's recorder for the bytes
it reads where nothing is cached. No daemon takes what was learned, which is no part of what is measured.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from tests.bench.alarms.bench_air import humidity_percent
from tests.bench.insight.insight_worlds import DAY, START, deeds, worlds
from tests.bench.store.bench_store_io import all_read, build

from dewkeeper.clock import ManualClock
from dewkeeper.insight.hours import Deed
from dewkeeper.judge.types import PASS, JournalEntry, Quality, Reading
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SCALES

TUBS: Final = 40
REPEATED_DAYS: Final = 56
"""More than a pass reads, so that what it reads holds no seam."""
CHANGED_DAYS: Final = 20
"""So long before the end one cover was changed, which the pass compares."""
_SCALE: Final = SCALES["sht3x"]


def rack_text(folder: Path) -> str:
    """Return forty enclosures in one room as a configuration file."""
    lines = [
        f'storage = {{ folder = "{folder}", ballast_mb = 0 }}', "web = { enabled = false }",
        '[[rack]]\nname = "R"\nroom = "attic"', '[[probe]]\nname = "r"\nrole = "room"\nroom = "attic"\ndriver = "simulated"',
        '[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1:9/"', '[[person]]\nname = "Ina"\nchannels = ["phone"]',
    ]  # fmt: skip
    for n in range(TUBS):
        lines.append(f'[[enclosure]]\nname = "{n}"\nrack = "R"\nplace = {n + 1}')
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "{n}"\ndriver = "simulated"')
    return "\n".join(lines)


def fill(folder: Path, config: Config, days: int, seed: int) -> None:
    """Store so many days up to this hour, of which the last weeks are whole."""
    end = int(time.time()) // 3600 * 3600
    (world,) = worlds(seed, "tub", REPEATED_DAYS, TUBS, only="mixed")
    airs = {f"p{n}": world.air(tub) for n, tub in enumerate(world.tubs)}
    probes = [(name, air.temperature, air.humidity) for name, air in airs.items()]
    pairs = zip(world.room_hpa, world.room_c, strict=True)
    probes.append(("r", world.room_c, array("d", (humidity_percent(*pair) for pair in pairs))))
    done = [(str(n), deed) for n, tub in enumerate(world.tubs) for deed in deeds(tub)]
    store = Store.open(folder, config.storage, ManualClock(wall=end))
    store.commit(Batch(items=(judge_settings(config, end - days * 86400 - 1),)))
    for day in range(days, 0, -1):
        start, first = end - day * 86400, (-day % REPEATED_DAYS) * DAY
        store.commit(Batch(items=tuple(_entries(done, start, first, day))))
        for hour in range(24):
            batch = []
            for minute in range(60 * hour, 60 * hour + 60):
                at = start + 60 * minute
                for name, warm, percent in probes:
                    pair = _SCALE.encode(warm[first + minute], percent[first + minute])
                    batch.append((Reading(at, name, *_SCALE.decode(*pair), *pair), Quality(at, name, PASS)))
            store.commit(Batch(readings=tuple(batch)))
        store.commit(Batch(snapshot=Snapshot(time=start + 86400 - 60, sequence=0, data=b"-")))
        store.compact(start + 86400)
    store.close()


def _entries(done: list[tuple[str, Deed]], start: int, first: int, day: int) -> Iterator[JournalEntry]:
    for name, deed in done:
        minute = (deed.at - START) // 60 - first
        if 0 <= minute < DAY:
            yield JournalEntry(f"{start} {name} {minute}", start + 60 * minute, name, deed.what)
    if day == CHANGED_DAYS:
        yield JournalEntry("changed", start + 3600, "0", "mesh_cover_changed")


def learn(file: Path, **more: str) -> resource.struct_rusage:
    """Run the pass and return what it used; without a daemon it says that nobody took what it learned."""
    words = [sys.executable, "-m", "dewkeeper", "learn", "--config", str(file)]
    told = file.with_suffix(".told")
    with told.open("w") as sink:
        child = subprocess.Popen(words, env={**os.environ, **more}, stdout=sink, stderr=subprocess.STDOUT)
        _, _, used = os.wait4(child.pid, 0)
    child.returncode = 1  # waited for above
    if "hours ahead" not in told.read_text():
        raise RuntimeError(told.read_text())
    return used


def main() -> None:
    """Fill, measure and print."""
    parser = argparse.ArgumentParser(description="Measure the learning pass over a stored year.")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="fill this folder, or measure what is in it already")
    parser.add_argument("--fill", action="store_true", help="fill only")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = (args.keep or Path(name)).resolve()
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / "rack.toml"
        file.write_text(rack_text(folder))
        if not (folder / FILE_NAME).exists():
            if args.fill:
                fill(folder, parse(file.read_bytes(), file), args.days, args.seed)
                return
            # A child of its own: what a process held counts towards the largest memory of the children it starts.
            again = [sys.executable, "-m", __spec__.name, "--fill", "--keep", str(folder)]
            subprocess.run([*again, "--days", str(args.days), "--seed", str(args.seed)], check=True)
        used = learn(file)
        log = folder / "reads.log"
        log.unlink(missing_ok=True)
        learn(file, LD_PRELOAD=str(build(folder)), IOLOG=str(log), IOLOG_MATCH=FILE_NAME)
        size = (folder / FILE_NAME).stat().st_size
        sys.stdout.write(
            f"learning pass, {TUBS} enclosures and their room, {args.days} days stored ({size / 1e6:.0f} MB):"
            f" {used.ru_utime + used.ru_stime:.1f} s of processor time, largest memory {used.ru_maxrss / 1000:.0f} MB,"
            f" {all_read(log) / 1e6:.1f} MB read from an empty cache; simulated\n"
        )


if __name__ == "__main__":
    main()
