"""What a performance needs: the rack's air, its wires, an inbox, a state folder and the configuration file in it."""

from __future__ import annotations

import logging
import shutil
from contextlib import AbstractContextManager
from datetime import date, timedelta
from pathlib import Path
from types import TracebackType

from dewkeeper.clock import Clock, ManualClock
from dewkeeper_config.loading import load
from dewkeeper_config.models import Config
from dewkeeper_demo.inbox import Inbox
from dewkeeper_demo.rack import SIGNING_KEY, config_text, wiring
from dewkeeper_demo.scenes import EVENING, local, week
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_demo.world import World

MARK = "made by the demo"  # a folder without this file is never emptied
FIRST_SERIAL = 0x0D3A_0001
NIGHT_POLL_SECONDS = 300
LIVE_POLL_SECONDS = 60


class Stage(AbstractContextManager["Stage"]):
    """Set up on entering, taken down on leaving. `clock` is whatever clock the daemon runs on at the moment."""

    def __init__(self, folder: Path, zone: str, evening: date, days_before: int = 7) -> None:
        self.folder = folder
        self.zone = zone
        self.evening = evening
        self.web_port = 0  # any free one; whoever shows the page to people sets another
        self.begins = local(evening - timedelta(days=days_before), EVENING, zone)
        self.world = World(self.begins, zone)
        self.care = list(week(self.world, evening, zone, days_before))
        self.clock: Clock = ManualClock(wall=local(evening, EVENING, zone))
        self._probes: dict[str, Sht3x] = {}

    @property
    def config_path(self) -> Path:
        """The configuration file."""
        return self.folder / "dewkeeper.toml"

    def __enter__(self) -> Stage:
        self._empty_folder()
        self.inbox = Inbox(secret=SIGNING_KEY).__enter__()
        self._lay_wires()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.inbox.__exit__(kind, error, trace)

    def write_config(self, poll_seconds: int) -> Config:
        """Write the configuration for polls so many seconds apart and return it, loaded."""
        text = config_text(
            self.folder,
            zone=self.zone,
            http_port=self.inbox.http_port,
            smtp_port=self.inbox.smtp_port,
            poll_seconds=poll_seconds,
            web_port=self.web_port,
        )
        self.config_path.write_text(text, encoding="utf-8")
        return load(self.config_path)

    def unplug(self, place: str) -> None:
        """Pull the plug of an enclosure's probe: nobody answers at its address any more."""
        self._probes[place].plugged = False

    def _lay_wires(self) -> None:
        self.wires = register_rack().wires
        for wire in wiring():
            bus = self.wires.setdefault(wire.bus, Wire(wire.bus))
            # The clock is asked for anew each time: after the night it is another one.
            air = self.world.air(wire.probe, lambda: self.clock.wall())
            probe = Sht3x(air, serial=FIRST_SERIAL + len(self._probes), address=wire.address)
            bus.attach(probe)
            self._probes[wire.probe] = probe

    def _empty_folder(self) -> None:
        if (self.folder / MARK).exists():
            shutil.rmtree(self.folder)
        elif self.folder.exists() and any(self.folder.iterdir()):
            raise FileExistsError(f"{self.folder} holds something else; choose an empty folder with --state")
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / MARK).write_text("Everything here is written anew by every run of the demo.\n")


def quiet_logs() -> None:
    """Keep the daemon's log off the screen unless something is wrong with the demonstration itself."""
    logging.basicConfig(level=logging.CRITICAL)
