"""A run whose clock, process and disk can be disturbed, F16 to F30, and how each phase of it is driven."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from tests.campaign.phases import HEALTHY, OPEN, PHASES, SLACK_SECONDS, TOLD_SECONDS, Outcome
from tests.campaign.rack_process import PLACES, SPEED
from tests.campaign.rig import POLL_SECONDS, WATCHDOG_SECONDS, Run
from tests.servers.receiver import Phone

from dewkeeper.store.errors import StoreError

POLL = POLL_SECONDS / SPEED
RESTART_SECONDS = 15.0
"""Seconds a killed process may take until it is ready again."""
Disk = Literal["tmpfs", "ext4"]


class StorageRun(Run):
    """A run with a backup folder, a state folder that may be a file system of its own, and a disk that can be made to fail."""

    def __init__(
        self, folder: Path, *, disk: Disk | None = None, shim: Path | None = None, patience: float = 0.0
    ) -> None:
        super().__init__(folder)
        self.copies = folder / "copies"
        self.disk_fault = folder / "disk_fault"
        self.image = folder / "card.img"
        self.copied: dict[tuple[str, int], int] = {}  # the samples that were in the copy
        self._disk = disk
        self._shim = shim
        self._patience = patience

    def __enter__(self) -> StorageRun:
        super().__enter__()
        self.state.mkdir()
        if self._disk is not None:
            # Shared, so that a mount namespace made meanwhile (tests beside this one make some) unmounts along with us.
            subprocess.run(["mount", "--bind", str(self.folder), str(self.folder)], check=True)
            self._stack.callback(subprocess.run, ["umount", "-l", str(self.folder)], check=True)
            subprocess.run(["mount", "--make-shared", str(self.folder)], check=True)
        if self._disk == "tmpfs":
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(self.state)], check=True)
        if self._disk == "ext4":
            with self.image.open("wb") as image:
                image.truncate(32 << 20)
            subprocess.run(["mkfs.ext4", "-q", "-F", str(self.image)], check=True)
            self.mount()
        if self._disk is not None:
            self._stack.callback(subprocess.run, ["umount", "-l", str(self.state)], check=False)  # a power cut may have
        file = self.folder / "dewkeeper.toml"
        text = file.read_text().replace(
            "commit_minutes = 1", f'commit_minutes = 1, backup = {{ folder = "{self.copies}", require_mount = false }}'
        )
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
        self.wait_for(lambda: not output("losetup", "-j", str(self.image)), 10.0, "the device to be given up")
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
        return any(
            text in "\n".join([a.body.get("title", ""), *a.body.get("lines", ())]) for a in self.inbox.arrivals[since:]
        )


@dataclass(frozen=True)
class StorageFault:
    """One row. begin, end: what is done. says: what a message must say while it lasts.

    loses: which samples of before cannot be there any more. forgets: so may the open alarm. disk: the kind of file system it takes.
    patience: real seconds of the watchdog (0: the usual). lasts: simulated seconds. also: a last look, returning what is
    wrong.
    """

    name: str
    about: str
    begin: Callable[[StorageRun], object]
    end: Callable[[StorageRun], object] = lambda _: None
    control: dict[str, Any] = field(default_factory=dict)
    says: str = ""
    loses: Literal["nothing", "what came after the copy", "all"] = "nothing"
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
        try:
            now = run.usage().threads
            last.demand(now <= threads + 4, f"threads {threads} → {now}")
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
    began = run.pace.seconds()
    if outcome.phase == "at start":
        run.kill(lambda: run.control(wait=False, **fault.control, dry=dry))
    else:
        run.control(**fault.control, dry=dry)
    fault.begin(run)
    outcome.told_seconds = run.wait_for(
        lambda: bool(run.messages("dry", healthy)),
        TOLD_SECONDS + SLACK_SECONDS + RESTART_SECONDS,
        f"{healthy}'s message",
    )
    if fault.says:
        run.wait_for(lambda: run.told(fault.says, count), 15.0, f"a message that says {fault.says!r}")
    run.wait_for(
        lambda: (run.pace.seconds() - began) * SPEED > fault.lasts, fault.lasts / SPEED + 5, "the fault to last"
    )
    outcome.answered_seconds = run.answers_within_seconds()
    outcome.demand(outcome.answered_seconds < 2.0, f"answered after {outcome.answered_seconds:.1f} s")
    run.control(dry=[OPEN] if outcome.phase == "open alarm" else [])
    fault.end(run)
    outcome.recovered_seconds = run.wait_for(
        lambda: _all_fresh(run),
        (30 + 3 * POLL_SECONDS) / SPEED + SLACK_SECONDS + RESTART_SECONDS,
        "fresh readings of all",
    )
    if standing is not None and not fault.forgets:
        outcome.demand(_alarm(run, OPEN) == standing, "the open alarm did not stand through the fault")
    alarms = {body["alarm"] for body in run.messages("dry", healthy)}
    outcome.demand(fault.forgets or len(alarms) == 1, f"{healthy}'s excursion was told under {len(alarms)} ids")
    if fault.loses != "all":
        missing = (seen.keys() if fault.loses == "nothing" else run.copied.keys()) - run.samples().keys()
        outcome.demand(not missing, f"{len(missing)} samples that were stored are gone")


def output(*command: str) -> str:
    """Return what a command prints."""
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.strip()


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
