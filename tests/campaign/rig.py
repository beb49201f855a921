"""One run of the campaign: a supervised daemon, a phone, a control file, and what can be counted afterwards."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import requests
from tests.campaign.pace import Pace
from tests.campaign.rack_process import CHANNEL, PLACES, SERIAL, SPEED, address_of
from tests.campaign.supervisor import Supervisor
from tests.kernel.emulated import preloaded

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Alarm, Event, Reading
from dewkeeper.report.contract import Newest
from dewkeeper.service.client import request
from dewkeeper.store import History
from dewkeeper.store.history import Stored
from dewkeeper_demo.inbox import Inbox

POLL_SECONDS = 60
ON_DELAY_MINUTES = 5
WALL = 1_795_003_200.0  # 2026-11-18 12:00 UTC: no quiet hours, no change of clocks
WATCHDOG_SECONDS = 4.0
"""Seconds of the pace; four minutes of simulated time."""
ANSWER_SECONDS = 60.0
"""Real seconds after which an answer will not come any more."""
TICKS = os.sysconf("SC_CLK_TCK")


WITH_SERIAL = PLACES[CHANNEL : CHANNEL + 2]
"""Their serial numbers stand in the configuration, so that an exchange is noticed at the very first start too."""
_PASSWORD = "four dry words here"  # noqa: S105  of this run's page only


@dataclass(frozen=True, slots=True)
class Usage:
    """What the process holds: open descriptors, threads, resident bytes."""

    descriptors: int
    threads: int
    resident_bytes: int


def one_phone(port: int) -> list[str]:
    """Return the channels and people of a configuration: one person with a phone, no quiet hours."""
    return [
        f'channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:{port}/" }}]',
        'person = [{ name = "Ina", channels = ["phone"], quiet_hours = { start = "03:00", end = "03:01" } }]',
    ]


def config_text(folder: Path, ways: Sequence[str], seam: str = "wire") -> str:
    """Return the campaign rack's configuration: short delays, and these lines about channels and people."""
    kind = {"wire": "wire", "kernel": "linux"}[seam]
    lines = [
        f'site = {{ name = "Campaign", poll_seconds = {POLL_SECONDS} }}',
        f'storage = {{ folder = "{folder / "state"}", ballast_mb = 0, commit_minutes = 1 }}',
        "web = { enabled = true, port = 0 }",
        *ways,
        # Rooms of their own: two dry enclosures of one room would be told in one message.
        *(f'[[rack]]\nname = "{name}"\nroom = "{name}"' for name in ("E", "F", "G0", "G1", "G2")),
        '[[profile]]', 'name = "quick"', '[profile.limits.delays]',
        f"dry_tolerable_minutes = {ON_DELAY_MINUTES}", "off_minutes = 2", "humidity_deadband = 1",
        '[[bus]]', 'name = "one"', f'kind = "{kind}"', "number = 1",
        "multiplexers = [{ address = 0x70 }, { address = 0x71 }]",
        '[[bus]]', 'name = "two"', f'kind = "{kind}"', "number = 2", "multiplexers = [{ address = 0x70 }]",
    ]  # fmt: skip
    for index, place in enumerate(PLACES):
        lines += [
            "[[enclosure]]", f'name = "{place}"', f'rack = "{place if place[0] == "G" else place[0]}"',
            f"place = {index + 1}", 'profile = "quick"',
            "heater = false", "open_water = false",
            "[[probe]]", f'name = "{place}"', f'enclosure = "{place}"', f"address = {address_of(place)}",
        ]  # fmt: skip
        if place in WITH_SERIAL:
            lines.append(f"serial = {SERIAL + index}")
        bus, multiplexer = {"E": ("one", 0x70), "F": ("one", 0x71), "G": ("two", 0x70)}[place[0]]
        lines += [f'bus = "{bus}"', f"multiplexer = {multiplexer}", f"channel = {place[1:]}"]
    return "\n".join(lines) + "\n"


class Run:
    """A daemon in a folder of its own, from entering to leaving.

    seam: what the wire lies below: `wire`, the project's own adapter in the daemon's process, or `kernel`, the emulated
    devices /dev/i2c-1 and 2, with the chips in a process of their own.
    """

    def __init__(self, folder: Path, seam: str = "wire") -> None:
        self.folder = folder
        self.seam = seam
        self.state = folder / "state"
        self._supervised: Supervisor | None = None
        self._number = 0
        self._chips = 0
        self._stack = ExitStack()

    def __enter__(self) -> Run:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.inbox = self._stack.enter_context(Inbox())
        self._browser = self._stack.enter_context(requests.Session())
        self.pace = self._stack.enter_context(Pace(self.folder / "pace", self._processes))
        (self.folder / "run.json").write_text(json.dumps({"wall": WALL}))
        (self.folder / "dewkeeper.toml").write_text(config_text(self.folder, self.ways(), self.seam))
        return self

    def _serve_chips(self) -> dict[str, str]:
        """Start the chips' process; return what the daemon's needs in its environment."""
        ready = self.folder / "k/ready"
        with (self.folder / "chips.txt").open("wb") as log:
            command = [sys.executable, "-W", "error", "-m", "tests.campaign.rack_chips", str(self.folder)]
            serving = subprocess.Popen(command, stdout=log, stderr=log, cwd=Path(__file__).parents[2])
        self._stack.callback(lambda: serving.wait(60))
        self._stack.callback(serving.terminate)
        self._chips = serving.pid
        self.wait_for(ready.exists, 30.0, "the chips to be served")
        return preloaded(self.folder / "k", "gone")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def ways(self) -> list[str]:
        """Return the configuration's lines about channels and people."""
        return one_phone(self.inbox.http_port)

    def command(self) -> list[str]:
        """Return what the supervisor runs."""
        return [sys.executable, "-W", "error", "-m", "tests.campaign.rack_process", str(self.folder)]

    def start(
        self, environment: dict[str, str] | None = None, watchdog_seconds: float = WATCHDOG_SECONDS
    ) -> Supervisor:
        """Start the daemon under its supervisor, the last control already in force."""
        environment = {**(environment or {}), **(self._serve_chips() if self.seam == "kernel" else {})}
        self.supervisor = self._supervised = self._stack.enter_context(
            Supervisor(self.command(), self.folder, environment, self.pace.seconds, watchdog_seconds=watchdog_seconds)
        )
        return self.supervisor

    def control(self, *, wait: bool = True, **will: Any) -> None:
        """Put the rack into a state: `fault`, `dry`, `wet`, `unplugged`; what is not named is well."""
        self._number += 1
        text = json.dumps({"number": self._number, **will})
        (self.folder / "control.new").write_text(text)
        (self.folder / "control.new").replace(self.folder / "control.json")
        if wait:
            self.wait_for(lambda: self._obeyed() == self._number, 10.0, "the control file to be obeyed")

    def wait_for(self, condition: Callable[[], bool], seconds: float, what: str) -> float:
        """Wait seconds of the pace until a condition holds; return how long. Raises TimeoutError naming what did not come."""
        began = self.pace.seconds()
        while not condition():
            if self.pace.seconds() - began > seconds:
                raise TimeoutError(f"waited {seconds:.0f} s for {what}")
            time.sleep(0.05)
        return self.pace.seconds() - began

    def pass_time(self, seconds: float) -> None:
        """Let seconds of the pace pass."""
        end = self.pace.seconds() + seconds
        while self.pace.seconds() < end:
            time.sleep(0.02)

    def messages(self, kind: str, enclosure: str) -> list[dict[str, Any]]:
        """Return the bodies that reached the phone about a kind of alarm in an enclosure, those put into one message too."""
        whole = [a.body for a in self.inbox.arrivals]
        parts = [
            {**body, **part, "data": {"enclosure": str(part["title"]).partition(":")[0]}}
            for body in whole
            for part in body.get("gathers", ())
        ]
        return [
            body
            for body in whole + parts
            if str(body.get("type", "")).partition(".")[0] == kind and body["data"].get("enclosure") == enclosure
        ]

    def answers_within_seconds(self) -> float:
        """Return how long the control socket takes to answer, in seconds as `_cost` counts them. Raises DaemonDown."""
        with self._cost() as cost, suppress(CommandRefused):
            request(self.state, {"do": "nothing at all"}, timeout_seconds=ANSWER_SECONDS)
        return cost()

    def page_answers_within_seconds(self) -> float:
        """Return how long the page with every enclosure takes, counted by `_cost`. Raises OSError when it does not come."""
        log = self.supervisor.log.read_text()
        address = re.findall(r"the page is at (http://127\.0\.0\.1:\d+)/", log)[-1]
        if not self._browser.cookies:
            code = re.findall(r"good once: (\S+)", log)[-1]
            form = {"code": code, "name": "Ina", "password": _PASSWORD}
            self._browser.post(f"{address}/first", data=form, timeout=ANSWER_SECONDS).raise_for_status()
        with self._cost() as cost:
            page = self._browser.get(f"{address}/", timeout=ANSWER_SECONDS)
        page.raise_for_status()
        if page.url != f"{address}/" or not all(place in page.text for place in PLACES):
            raise OSError(f"{page.url} does not show every enclosure")
        return cost()

    def usage(self) -> Usage:
        """Return what the process holds now."""
        process = Path("/proc") / str(self.supervisor.life.pid)
        status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines() if ":" in line)
        return Usage(
            sum(1 for _ in (process / "fd").iterdir()), int(status["Threads"]), int(status["VmRSS"].split()[0]) * 1024
        )

    def now(self) -> float:
        """Return the run's simulated UTC seconds."""
        return WALL + self.pace.seconds() * SPEED

    def standing(self) -> list[Alarm]:
        """Return the alarms that are not over, as stored."""
        with History.open(self.state) as history:
            return [alarm for alarm in history.standing() if alarm.state != "returned_unacknowledged"]

    def latest(self) -> Mapping[str, Newest]:
        """Return the newest stored reading of every probe."""
        with History.open(self.state) as history:
            return history.latest()

    def events(self, since: float) -> Sequence[Event]:
        """Return the stored events from a simulated time on."""
        with History.open(self.state) as history:
            return history.events(int(since))

    def readings(self) -> list[Reading]:
        """Return every stored reading, oldest first."""
        with History.open(self.state) as history:
            return [item for item in history.stream(0) if isinstance(item, Reading)]

    def judged(self, place: str, since: float = 0.0) -> Sequence[Stored]:
        """Return the stored readings of a place with their verdicts, from a simulated time on."""
        with History.open(self.state) as history:
            return history.raw(place, int(since), 1 << 40)

    def database_is_sound(self) -> str:
        """Return SQLite's own verdict on every database file, `ok` when all are well."""
        verdicts = []
        for path in self.state.glob("*.db"):
            with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
                verdicts += [row[0] for row in database.execute("PRAGMA integrity_check")]
        return "ok" if verdicts and set(verdicts) == {"ok"} else "; ".join(verdicts or ["no database"])

    @contextmanager
    def _cost(self) -> Iterator[Callable[[], float]]:
        """Give what tells the seconds that what is done inside took: those of the pace, or the processor's if they are more."""
        file = Path("/proc") / str(self.supervisor.life.pid) / "stat"
        last = 0.0

        def spent() -> float:
            nonlocal last
            with suppress(OSError):  # it has ended: whoever asked it something is told so
                last = sum(int(part) for part in file.read_text().rpartition(") ")[2].split()[11:13]) / TICKS
            return last

        began, used = self.pace.seconds(), spent()
        yield lambda: max(self.pace.seconds() - began, spent() - used)

    def _processes(self) -> list[int]:
        """Return the processes whose work time waits for: the daemon's, and the chips' where they are apart."""
        daemon = self._supervised.life.pid if self._supervised is not None and self._supervised.alive else 0
        return [process for process in (daemon, self._chips) if process]

    def _obeyed(self) -> int:
        try:
            return int((self.folder / "control.done").read_text() or -1)
        except (FileNotFoundError, ValueError):
            return -1
