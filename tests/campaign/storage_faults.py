"""Faults of clock, process and disk, F16 to F30, as things done to a run; and how each phase is driven."""

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
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from tests.campaign.phases import HEALTHY, OPEN, PHASES, SLACK_SECONDS, TOLD_SECONDS, Outcome
from tests.campaign.rack_process import PLACES, SPEED
from tests.campaign.rig import POLL_SECONDS, WATCHDOG_SECONDS, Run

from dewkeeper.store.backup import back_up
from dewkeeper.store.errors import StoreError
from dewkeeper.store.health import MOST_LOG_BYTES
from dewkeeper_config.models import Backup
from dewkeeper_demo.inbox import Arrival
from dewkeeper_demo.servers.phone import Phone

YEARS = 10 * 365 * 86400
POLL = POLL_SECONDS / SPEED
RESTART_SECONDS = 15.0
"""Real seconds a killed process may take until it is ready again on a busy machine."""


_READING = """
import sqlite3, sys, time
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute("BEGIN")
database.execute("SELECT count(*) FROM reading").fetchone()
print("reading", flush=True)
time.sleep(600)
"""
_SHUTDOWN, _NO_LOG = 0x8004587D, 2  # EXT4_IOC_SHUTDOWN and its flag that not even the journal is written: linux, fs/ext4/ext4.h
Disk = Literal["tmpfs", "ext4"]


class StorageRun(Run):
    """A run with a backup folder, a state folder that may be a file system of its own, and a disk that can be made to fail."""

    def __init__(self, folder: Path, *, disk: Disk | None = None, shim: Path | None = None, patience: float = 0.0) -> None:
        super().__init__(folder)
        self.copies = folder / "copies"
        self.disk_fault = folder / "disk_fault"
        self.image = folder / "card.img"
        self._disk = disk
        self._shim = shim
        self._patience = patience

    def __enter__(self) -> StorageRun:
        super().__enter__()
        self.state.mkdir()
        if self._disk == "tmpfs":
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(self.state)], check=True)
        if self._disk == "ext4":
            with self.image.open("wb") as image:
                image.truncate(32 << 20)
            subprocess.run(["mkfs.ext4", "-q", "-F", str(self.image)], check=True)
            self.mount()
        if self._disk is not None:
            self._stack.callback(subprocess.run, ["umount", "-l", str(self.state)], check=True)
        file = self.folder / "dewkeeper.toml"
        text = file.read_text().replace("commit_minutes = 1", f'commit_minutes = 1, backup = {{ folder = "{self.copies}" }}')
        file.write_text(text)
        return self

    def ways(self) -> list[str]:
        """Return the phone, and an address that hears every simulated minute that the daemon lives."""
        self.beats = self._stack.enter_context(Phone())
        return [*super().ways(), f'notify = {{ heartbeat_url = "{self.beats.url}", heartbeat_minutes = 1 }}']

    def mount(self) -> None:
        """Mount the image as the card of a Pi is mounted: an error of the file system makes it read-only."""
        subprocess.run(["mount", "-o", "loop,errors=remount-ro", str(self.image), str(self.state)], check=True)

    def reboot(self) -> None:
        """Cut the power, let the file system be checked as at every boot, and start again."""
        life, file = self.supervisor.life, self.folder / "run.json"
        file.rename(self.folder / "run.away")  # until it is back the process dies at its beginning
        self.supervisor.signal(signal.SIGKILL)
        self.wait_for(lambda: life.ended is not None, 5.0, "the end")
        subprocess.run(["umount", str(self.state)], check=True)
        # The kernel gives the device up a little later, and writes to the image until then.
        self.wait_for(lambda: not _output("losetup", "-j", str(self.image)), 10.0, "the device to be given up")
        checked = subprocess.run(["e2fsck", "-p", str(self.image)], check=False, stdout=subprocess.DEVNULL)
        if checked.returncode > 1:  # 1: mended
            raise OSError(f"the file system's check ended with {checked.returncode}")
        self.mount()
        (self.folder / "run.away").rename(file)
        self.ready_after(life)

    def begin(self) -> None:
        """Start the daemon and wait for readings of every probe."""
        environment = {} if self._shim is None else {"LD_PRELOAD": str(self._shim), "DISK_FAULT": str(self.disk_fault)}
        self.control(wait=False)
        supervisor = self.start(environment, self._patience or WATCHDOG_SECONDS)
        self.wait_for(lambda: supervisor.alive and supervisor.life.ready is not None, 30.0, "the start")
        self.wait_for(lambda: self.samples_of() >= set(PLACES), 20.0, "the first readings")

    def samples(self) -> dict[tuple[str, int], int]:
        """Return (probe, number of the sample) -> when, of all samples in the database."""
        return {(r.probe, r.temperature_word): r.time for r in self.readings() if r.temperature_word is not None}

    def samples_of(self) -> set[str]:
        """Return the probes that have stored samples."""
        try:
            return set(self.latest())
        except (StoreError, OSError):
            return set()

    def kill(self, before: Callable[[], object] = lambda: None) -> None:
        """Stop the process dead, do something to its files, and kill it; wait until the next one is ready."""
        life = self.supervisor.life
        self.supervisor.signal(signal.SIGSTOP)
        before()
        self.supervisor.signal(signal.SIGKILL)
        self.ready_after(life)

    def ready_after(self, life: object) -> None:
        """Wait until a later life than this one is ready."""
        supervisor = self.supervisor
        self.wait_for(
            lambda: supervisor.life is not life and supervisor.alive and supervisor.life.ready is not None,
            RESTART_SECONDS, "the restart",
        )  # fmt: skip

    def told(self, text: str, since: int) -> bool:
        """Return whether a message since the so-manieth has this in its text."""
        return any(text in "\n".join([a.body.get("title", ""), *a.body.get("lines", ())]) for a in self.inbox.arrivals[since:])


@dataclass(frozen=True)
class StorageFault:
    """One row. begin, end: what is done. says: what a message must say while it lasts.

    loses: samples of before may be gone. forgets: so may the open alarm. disk: the kind of file system it takes.
    patience: real seconds of the watchdog (0: the usual). lasts: simulated seconds. also: a last look, returning what is
    wrong.
    """

    name: str
    about: str
    begin: Callable[[StorageRun], object]
    end: Callable[[StorageRun], object] = lambda _: None
    control: dict[str, Any] = field(default_factory=dict)
    says: str = ""
    loses: bool = False
    forgets: bool = False
    disk: Disk | None = None
    patience: float = 0.0
    shim: bool = False
    lasts: float = 180.0
    also: Callable[[StorageRun], Sequence[str]] = lambda _: ()


def drive(fault: StorageFault, folder: Path, shim: Path | None) -> dict[str, Outcome]:
    """Run the three phases in one life of the folder; return what each came to."""
    outcomes = {phase: Outcome(phase) for phase in PHASES}
    with StorageRun(folder, disk=fault.disk, shim=shim if fault.shim else None, patience=fault.patience) as run:
        run.begin()
        threads = run.usage().threads
        for outcome in outcomes.values():
            try:
                _phase(fault, run, outcome)
            except (TimeoutError, OSError, sqlite3.Error) as error:
                outcome.problems.append(f"{type(error).__name__}: {error}")
        last = outcomes[PHASES[-1]]
        last.demand(run.usage().threads <= threads + 4, f"threads {threads} → {run.usage().threads}")
        try:
            last.demand_good_end(run)
            numbers = [(r.probe, r.temperature_word) for r in run.readings() if r.temperature_word is not None]
            last.demand(len(set(numbers)) == len(numbers), "a sample is stored twice")
            last.problems += fault.also(run)
        except (OSError, sqlite3.Error) as error:  # a phase was left with its fault standing
            last.problems.append(f"{type(error).__name__}: {error}")
    return outcomes


def _phase(fault: StorageFault, run: StorageRun, outcome: Outcome) -> None:
    healthy = HEALTHY[outcome.phase]
    dry, standing = [healthy], None
    if outcome.phase == "open alarm":
        dry.append(OPEN)
        run.control(dry=[OPEN])
        run.wait_for(lambda: _alarm(run, OPEN) is not None, TOLD_SECONDS + SLACK_SECONDS, "the open alarm")
        standing = _alarm(run, OPEN)
    seen, count = run.samples(), len(run.inbox.arrivals)
    began = time.monotonic()
    if outcome.phase == "at start":
        run.kill(lambda: run.control(wait=False, **fault.control, dry=dry))
    else:
        run.control(**fault.control, dry=dry)
    fault.begin(run)
    outcome.told_seconds = run.wait_for(
        lambda: bool(run.messages("dry", healthy)), TOLD_SECONDS + SLACK_SECONDS + RESTART_SECONDS, f"{healthy}'s message"
    )
    if fault.says:
        run.wait_for(lambda: run.told(fault.says, count), 15.0, f"a message that says {fault.says!r}")
    run.wait_for(lambda: (time.monotonic() - began) * SPEED > fault.lasts, fault.lasts / SPEED + 5, "the fault to last")
    outcome.answered_seconds = run.answers_within_seconds()
    outcome.demand(outcome.answered_seconds < 2.0, f"answered after {outcome.answered_seconds:.1f} s")
    run.control(dry=[OPEN] if outcome.phase == "open alarm" else [])
    fault.end(run)
    outcome.recovered_seconds = run.wait_for(
        lambda: _all_fresh(run), (30 + 3 * POLL_SECONDS) / SPEED + SLACK_SECONDS + RESTART_SECONDS, "fresh readings of all"
    )
    if standing is not None and not fault.forgets:
        outcome.demand(_alarm(run, OPEN) == standing, "the open alarm did not stand through the fault")
    alarms = {body["alarm"] for body in run.messages("dry", healthy)}
    outcome.demand(fault.forgets or len(alarms) == 1, f"{healthy}'s excursion was told under {len(alarms)} ids")
    if not fault.loses:
        missing = seen.keys() - run.samples().keys()
        outcome.demand(not missing, f"{len(missing)} samples that were stored are gone")


def _alarm(run: Run, place: str) -> str | None:
    return next((a.alarm for a in run.standing() if a.kind == "dry" and a.enclosure == place), None)


def _all_fresh(run: StorageRun) -> bool:
    """Return whether every probe has a reading of the last three polls in the database."""
    try:
        newest = run.latest()
    except (StoreError, OSError):
        return False
    now = run.now()
    return all(place in newest and abs(now - newest[place].reading.time) <= 3 * POLL_SECONDS for place in PLACES)


def _rhythm(run: StorageRun) -> list[str]:
    """Return gaps in the polls: the samples' numbers rise by one a poll, whatever the clock says."""
    numbers = sorted(r.temperature_word for r in run.readings() if r.probe == "E0" and r.temperature_word is not None)
    gaps = [b - a for a, b in pairwise(numbers) if b - a > 2]
    return [f"{len(gaps)} gaps among the samples"] if gaps else []


def _no_storm(run: StorageRun) -> list[str]:
    """After the leap: nothing in the future, no probe told as silent."""
    late = [r for r in run.readings() if r.time > run.now() + 3600]
    silent = [e for e in run.events(0) if e.kind == "missing"]
    return [*([f"{len(late)} readings in the future"] if late else []), *([f"{len(silent)} silences"] if silent else [])]


def _in_order(run: StorageRun) -> list[str]:
    """Samples stamped on the old clock were dated: numbers and times rise together, none is days old."""
    rows = sorted((r.temperature_word, r.time) for r in run.readings() if r.probe == "E0" and r.temperature_word is not None)
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


def _output(*command: str) -> str:
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.strip()


def turn_read_only(run: StorageRun) -> None:
    """Let the kernel meet an error of the file system, under the open files: it goes on read-only, as cards end."""
    device = _output("findmnt", "-n", "-o", "SOURCE", str(run.state))
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


def overwrite(run: StorageRun) -> None:
    """Copy the database, go on for a while, then find its pages overwritten at a start."""
    back_up(run.state, Backup(folder=run.copies), int(run.now()))
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
    file.write_text("" if len(run.supervisor.lives) % 2 else file.read_text().replace("off_minutes = 2", "off_minutes = nan"))
    run.kill()


def mend(run: StorageRun) -> None:
    """Put the configuration right and restart."""
    (run.folder / "dewkeeper.toml").write_text((run.folder / "dewkeeper.kept").read_text())
    run.kill()
    run.wait_for(lambda: not any(a.kind == "system" for a in run.standing()), 10.0, "the configuration's alarm to clear")


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
    StorageFault("F27", "pages overwritten", overwrite, says="set aside", loses=True, forgets=True),
    StorageFault("F28", "database and backups gone", vanish, says="The database was gone", loses=True, forgets=True),
    StorageFault("F29", "configuration spoiled", spoil, mend, says="configuration"),
)  # fmt: skip


def _pause(run: StorageRun, seconds: float) -> None:
    """Stop the process for real seconds; when it goes on, what was due meanwhile is done once, and one poll is made."""
    run.supervisor.signal(signal.SIGSTOP)
    time.sleep(seconds)
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
    life, began = run.supervisor.life, time.monotonic()
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
