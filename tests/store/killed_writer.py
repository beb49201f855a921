"""Lives of a writer to be killed: reads folders on standard input, for each forks a process that stores until killed.

The process keeps everything imported, so that a life begins within milliseconds. A life goes on where the last one was
stopped: opens the store (and brings it to the newest schema), stores poll after poll, each its own commit, with a
snapshot, a compaction and a backup now and then, and appends the number of every poll whose commit returned to `acked`.
"""

from __future__ import annotations

import os
import random
import signal
import sys
from pathlib import Path

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import FAIL, PASS, Quality, Reading
from dewkeeper.store import History, Store
from dewkeeper.store.backup import back_up
from dewkeeper.store.records import Batch, Snapshot
from dewkeeper_config.models import Backup, Storage
from dewkeeper_drivers.contract import SHT3X

START = 20_712 * 86400
STEP_SECONDS = 1800
PROBES = 8
ACKED = "acked"


def poll(number: int) -> list[tuple[Reading, Quality]]:
    """Return what poll `number` reads, the same in every life; some of it fails, some is not believed."""
    dice = random.Random(number)
    at = START + number * STEP_SECONDS
    made = []
    for probe in range(PROBES):
        name = f"p{probe}"
        if dice.random() < 0.05:
            made.append((Reading(at, name, None, None, failure="crc"), Quality(at, name, 9, ("crc",))))
            continue
        words = 26_000 + dice.randrange(400), 40_000 + dice.randrange(400)
        believed = dice.random() < 0.95
        flag, tests = (PASS, ()) if believed else (FAIL, ("flat_line",))
        made.append((Reading(at, name, *SHT3X.decode(*words), *words), Quality(at, name, flag, tests)))
    return made


def live(folder: Path) -> None:
    """Store until killed."""
    store = Store.open(folder, Storage(folder=folder, ballast_mb=0), ManualClock())
    with History.open(folder) as history:
        newest = max((one.reading.time for one in history.latest().values()), default=START - STEP_SECONDS)
    number = (newest - START) // STEP_SECONDS + 1
    acked = os.open(folder / ACKED, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    while True:
        at = START + number * STEP_SECONDS
        snapshot = Snapshot(at, 0, b"a judge's memory" * 400) if number % 7 == 0 else None
        store.commit(Batch(readings=tuple(poll(number)), snapshot=snapshot))
        os.write(acked, number.to_bytes(8, "little"))
        if number % 12 == 0:
            store.compact(at)
        if number % 9 == 0:
            back_up(folder, Backup(folder=folder / "backups", keep_daily=2, keep_monthly=1, require_mount=False), at)
        number += 1


def main() -> None:
    """Serve until standard input ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            os.setpgid(0, 0)  # what it starts dies with it, as under systemd
            try:
                live(Path(line.strip()))
            finally:
                os._exit(1)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
