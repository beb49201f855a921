"""Faults of clock, process and disk, F16 to F30, as things done to a run."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from pathlib import Path

from tests.campaign.phases import SLACK_SECONDS, TOLD_SECONDS
from tests.campaign.rack_process import SPEED
from tests.campaign.rig import POLL_SECONDS
from tests.campaign.storage_drive import RESTART_SECONDS, StorageFault, StorageRun, output

from dewkeeper.store.backup import back_up
from dewkeeper.store.health import MOST_LOG_BYTES
from dewkeeper_config.models import Backup
from dewkeeper_demo.inbox import Arrival

YEARS = 10 * 365 * 86400
_READING = """
import sqlite3, sys, time
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute("BEGIN")
database.execute("SELECT count(*) FROM reading").fetchone()
print("reading", flush=True)
time.sleep(600)
"""
_SHUTDOWN, _NO_LOG = (
    0x8004587D,
    2,
)  # EXT4_IOC_SHUTDOWN and its flag that not even the journal is written: linux, fs/ext4/ext4.h


def _rhythm(run: StorageRun) -> list[str]:
    """Return gaps in the polls: the samples' numbers rise by one a poll, whatever the clock says."""
    numbers = sorted(r.temperature_word for r in run.readings() if r.probe == "E0" and r.temperature_word is not None)
    gaps = [b - a for a, b in pairwise(numbers) if b - a > 2]
    return [f"{len(gaps)} gaps among the samples"] if gaps else []


def _no_storm(run: StorageRun) -> list[str]:
    """After the leap: nothing in the future, no probe told as silent."""
    late = [r for r in run.readings() if r.time > run.now() + 3600]
    silent = [e for e in run.events(0) if e.kind == "missing"]
    return [
        *([f"{len(late)} readings in the future"] if late else []),
        *([f"{len(silent)} silences"] if silent else []),
    ]


def _in_order(run: StorageRun) -> list[str]:
    """Samples stamped on the old clock were dated: numbers and times rise together, none is days old."""
    rows = sorted(
        (r.temperature_word, r.time) for r in run.readings() if r.probe == "E0" and r.temperature_word is not None
    )
    times = [at for _, at in rows]
    old = sum(at < run.now() - 86400 for at in times)
    return [*(["not in order"] if times != sorted(times) else []), *([f"{old} stamps of the old clock"] if old else [])]


def hold_lock(run: StorageRun, seconds: float) -> None:
    """Let another program hold the database for real seconds."""
    with closing(sqlite3.connect(run.state / "dewkeeper.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        time.sleep(seconds)
        other.execute("ROLLBACK")


class Reader:
    """Another program that began to read and was stopped."""

    def __init__(self) -> None:
        self._held: dict[Path, subprocess.Popen[bytes]] = {}

    def begin(self, run: StorageRun) -> None:
        """Begin to read and go to sleep."""
        held = self._held[run.folder] = subprocess.Popen(
            [sys.executable, "-c", _READING, str(run.state / "dewkeeper.db")], stdout=subprocess.PIPE
        )
        assert held.stdout is not None
        held.stdout.readline()
        held.send_signal(signal.SIGSTOP)

    def end(self, run: StorageRun) -> None:
        """Wake up and go."""
        size = (run.state / "dewkeeper.db-wal").stat().st_size
        told = any(a.kind == "system" for a in run.standing())
        with self._held.pop(run.folder) as held:
            held.send_signal(signal.SIGCONT)
            held.kill()
        if size > MOST_LOG_BYTES and not told:
            raise OSError(f"the log grew to {size / 1e6:.0f} MB and nobody was told")


def fill(run: StorageRun) -> None:
    """Use up the whole file system."""
    with (run.state / "filler").open("wb", buffering=0) as full:
        while True:
            try:
                full.write(b"x" * 4096)
            except OSError:
                return


def fail(what: str) -> Callable[[StorageRun], None]:
    """Return what makes writes or syncs of the database fail."""
    number = errno.EIO if what == "s" else errno.EROFS

    def begin(run: StorageRun) -> None:
        run.disk_fault.write_text(f"{number} {what}")

    return begin


def turn_read_only(run: StorageRun) -> None:
    """Let the kernel meet an error of the file system, under the open files: it goes on read-only, as cards end."""
    device = output("findmnt", "-n", "-o", "SOURCE", str(run.state))
    Path("/sys/fs/ext4", Path(device).name, "trigger_fs_error").write_text("card")
    try:
        (run.state / "proof").touch()  # since Linux 6.15 the mount's flags do not show it
    except OSError as error:
        if error.errno == errno.EROFS:
            return
        raise
    raise OSError("the file system is still written to")


def go_dead(run: StorageRun) -> None:
    """Take the file system away from under the open files: from now on the kernel answers everything with EIO."""
    folder = os.open(run.state, os.O_RDONLY)
    try:
        fcntl.ioctl(folder, _SHUTDOWN, struct.pack("I", _NO_LOG))
    finally:
        os.close(folder)


def spoil_a_page(run: StorageRun) -> None:
    """Find a page among the events overwritten at a start; what is not in it can be read."""
    database = run.state / "dewkeeper.db"

    def garble(page: int) -> None:
        with database.open("r+b") as handle:
            handle.seek((page - 1) * 4096)
            handle.write(os.urandom(4096))

    with closing(sqlite3.connect(database)) as other:
        while other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[
            0
        ]:  # what lies in the log would hide the damage
            time.sleep(0.05)
        (page,) = other.execute("SELECT rootpage FROM sqlite_master WHERE name = 'event'").fetchone()
    with database.open("rb") as handle:
        handle.seek((page - 1) * 4096)
        body = handle.read(12)
        if body[0] == 5:  # it only leads to others: the last of these holds rows, which are lost with it
            page = int.from_bytes(body[8:12], "big")
    run.kill(lambda: garble(page))


def overwrite(run: StorageRun) -> None:
    """Copy the database, go on for a while, then find its pages overwritten at a start: what came since the copy is gone."""
    run.copied = run.samples()  # before the copy, which may have a poll more
    back_up(run.state, Backup(folder=run.copies, require_mount=False), int(run.now()))
    with closing(sqlite3.connect(run.state / "dewkeeper.db")) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # what lies in the log would hide the damage
    run.kill(lambda: _garble(run.state / "dewkeeper.db"))


def vanish(run: StorageRun) -> None:
    """Lose database and backups."""

    def work() -> None:
        for path in run.state.glob("dewkeeper.db*"):
            path.unlink()
        shutil.rmtree(run.copies, ignore_errors=True)

    run.kill(work)


def spoil(run: StorageRun) -> None:
    """Leave an empty configuration, or one with a limit that is no number, and restart."""
    file = run.folder / "dewkeeper.toml"
    file.with_suffix(".kept").write_text(file.read_text())
    file.write_text(
        "" if len(run.supervisor.lives) % 2 else file.read_text().replace("off_minutes = 2", "off_minutes = nan")
    )
    run.kill()


def mend(run: StorageRun) -> None:
    """Put the configuration right and restart."""
    (run.folder / "dewkeeper.toml").write_text((run.folder / "dewkeeper.kept").read_text())
    run.kill()
    run.wait_for(
        lambda: not any(a.kind == "system" for a in run.standing()), 10.0, "the configuration's alarm to clear"
    )


def crash(run: StorageRun) -> None:
    """Let the process die twenty times at its beginning."""
    file = run.folder / "run.json"
    wanted = len(run.supervisor.lives) + 20
    file.rename(run.folder / "run.away")
    run.supervisor.signal(signal.SIGKILL)
    run.wait_for(lambda: len(run.supervisor.lives) >= wanted, 120.0, "twenty crashes")
    (run.folder / "run.away").rename(file)
    run.ready_after(None)


def _garble(file: Path) -> None:
    size = file.stat().st_size
    with file.open("r+b") as handle:
        handle.seek(4096)
        handle.write(os.urandom(size - 4096))


_READER = Reader()
FAULTS = (
    StorageFault("F24", "a stopped reader", _READER.begin, _READER.end, lasts=3600),  # first, for it takes longest
    StorageFault("F30", "twenty crashes at the beginning", crash, lasts=0),
    StorageFault("F16", "the clock goes back an hour", lambda _: None, control={"step": -3600}, also=_rhythm),
    StorageFault("F17", "the clock leaps ten years and back", lambda _: None, control={"step": YEARS}, also=_no_storm),
    StorageFault("F18", "boots at an old time, set later", lambda run: run.kill(), control={"step": -10 * 86400}, also=_in_order),
    StorageFault("F20", "stopped for ten minutes", lambda run: _pause(run, 600 / SPEED), lasts=660, patience=30.0),
    StorageFault("F22", "told to end in the middle of a send", lambda run: _terminate(run)),
    StorageFault(
        "F25", "the disk is full", fill, lambda run: (run.state / "filler").unlink(), says="disk is full", disk="tmpfs",
        lasts=600,
    ),
    StorageFault(
        "F26w", "the disk turned read-only", fail("w"), lambda run: run.disk_fault.unlink(), says="nothing is recorded",
        shim=True, lasts=300,
    ),
    StorageFault(
        "F26s", "syncs fail", fail("s"), lambda run: run.disk_fault.unlink(), says="nothing is recorded", shim=True, lasts=300,
    ),
    StorageFault(
        "F26r", "an error makes the file system read-only", turn_read_only, StorageRun.reboot, says="nothing is recorded",
        disk="ext4", lasts=300,
    ),
    StorageFault(
        "F26e", "the kernel answers with EIO", go_dead, StorageRun.reboot, says="nothing is recorded", disk="ext4", lasts=300,
    ),
    StorageFault("F27", "a page among the events overwritten", spoil_a_page, says="alarm events"),
    StorageFault("F27a", "all pages overwritten", overwrite, says="set aside", loses="what came after the copy"),
    StorageFault("F28", "database and backups gone", vanish, says="The database was gone", loses="all", forgets=True),
    StorageFault("F29", "configuration spoiled", spoil, mend, says="configuration"),
)  # fmt: skip


def _pause(run: StorageRun, seconds: float) -> None:
    """Stop the process for seconds; when it goes on, what was due meanwhile is done once, and one poll is made."""
    run.supervisor.signal(signal.SIGSTOP)
    run.pass_time(seconds)
    resumed, beats = run.now(), len(run.beats.calls)
    run.supervisor.signal(signal.SIGCONT)
    run.wait_for(lambda: len(run.beats.calls) > beats, 5.0, "the beat that is due")
    run.wait_for(lambda: run.now() > resumed + 4 * POLL_SECONDS, 10.0, "some polls")
    passed = (run.now() - resumed) / 60
    if len(run.beats.calls) - beats > passed + 2:
        raise OSError(f"{len(run.beats.calls) - beats} beats in {passed:.1f} minutes: the missed ones were made up for")
    polls = [r for r in run.readings() if r.probe == "E0" and r.time >= resumed - POLL_SECONDS]
    if len(polls) > passed + 2:
        raise OSError(f"{len(polls)} polls in {passed:.1f} minutes: the missed ones were made up for")


def _terminate(run: StorageRun) -> None:
    """End the process while its message is on the way: the phone has it and has not said so."""
    held, answered = threading.Event(), threading.Event()

    def hold(_: Arrival) -> None:
        held.set()
        answered.wait(30)

    run.inbox.listen(hold)
    count = len(run.inbox.arrivals)
    run.wait_for(held.is_set, TOLD_SECONDS + SLACK_SECONDS + RESTART_SECONDS, "a message on its way")
    sent = {arrival.id for arrival in run.inbox.arrivals[count:]}
    life, began = run.supervisor.life, run.pace.seconds()
    run.supervisor.signal(signal.SIGTERM)
    try:
        run.wait_for(lambda: life.ended is not None, 20.0, "the end")
        took = (life.ended or 0) - began
    finally:
        run.inbox.listen(lambda _: None)
        answered.set()
    run.ready_after(life)
    if took > 10.0 or life.exit_code != 0:
        raise OSError(f"ended after {took:.1f} s with {life.exit_code}")

    def again() -> bool:
        ids = [arrival.id for arrival in run.inbox.arrivals[count:]]
        return all(ids.count(one) >= 2 for one in sent)

    run.wait_for(again, 20.0, "the same messages once more, under the ids they had")
