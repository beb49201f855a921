"""A whole daemon on simulated probes, moved by hand."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.simulated import register_clock

CLOCK = "daemon test"


def past_noon(wall: float) -> str:
    """Return a zone in which it is now past noon: what starts by the machine's own clock meets no night, no quiet hours, no change of clocks."""
    ahead = 12 - int(wall) % 86400 // 3600
    return f"Etc/GMT{-ahead:+d}"


def told_in(message: dict[str, Any]) -> list[tuple[str, str | None]]:
    """Return type and alarm of a message, or of each that was put into it because it was due at the same second."""
    return [(part["type"], part["alarm"]) for part in message["gathers"] or [message]]


class Phone:
    """A real HTTP server that keeps every message it accepts."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []
        self.ids: list[str] = []
        self.silent = False  # takes every request and never answers
        self.silent_for = ""  # the same, for messages of this type
        self.tried: list[tuple[str, str]] = []  # type and id
        self._arrived = threading.Condition()
        self._over = threading.Event()
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                kind = json.loads(body)["type"]
                with phone._arrived:
                    phone.tried.append((kind, self.headers["webhook-id"]))
                    phone._arrived.notify_all()
                if phone.silent or phone.silent_for == kind:
                    phone._over.wait()
                    return
                with phone._arrived:
                    phone.ids.append(self.headers["webhook-id"])
                    phone.messages.append(json.loads(body))
                    phone._arrived.notify_all()
                self.send_response(204)
                self.end_headers()

            def log_message(self, *args: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self.url = f"http://127.0.0.1:{self._server.server_port}/"

    told_in = staticmethod(told_in)

    def wait_for(self, kind: str, patience_seconds: float = 60.0) -> None:
        """Return when a message of this type is there. Fails the test after so many real seconds."""
        self.wait_until(lambda message: any(type_ == kind for type_, _ in told_in(message)), kind, patience_seconds)

    def wait_until(self, fits: Callable[[dict[str, Any]], bool], what: str, patience_seconds: float = 60.0) -> None:
        """Return when a message that fits is there. Fails the test after so many real seconds."""
        with self._arrived:
            there = self._arrived.wait_for(lambda: any(fits(m) for m in self.messages), patience_seconds)
        assert there, f"{what} never arrived, only {[m['title'] for m in self.messages]}"

    def wait_for_id(self, identity: str, patience_seconds: float = 60.0) -> None:
        """Return when the message of this id is there. Fails the test after so many real seconds."""
        with self._arrived:
            assert self._arrived.wait_for(lambda: identity in self.ids, patience_seconds), f"{identity} never arrived"

    def wait_for_try(self, kind: str, patience_seconds: float = 60.0) -> str:
        """Return the id of the first message of this type that was tried. Fails the test after so many real seconds."""

        def ids() -> list[str]:
            return [identity for type_, identity in self.tried if type_ == kind]

        with self._arrived:
            assert self._arrived.wait_for(lambda: bool(ids()), patience_seconds), (
                f"{kind} was never tried, only {self.tried}"
            )
            return ids()[0]

    def __enter__(self) -> Phone:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def phone() -> Iterator[Phone]:
    """A phone that is reachable."""
    with Phone() as listening:
        yield listening


class Racks:
    """Makes configurations of simulated tubs in one folder, and daemons on them that live by one manual clock."""

    def __init__(self, folder: Path, url: str, wall: float = 1_790_000_040.0, zone: str = "Europe/Vienna") -> None:
        self.folder = folder
        self.zone = zone
        self.url = url
        self.clock = ManualClock(wall=wall)  # unless told otherwise 14:14 UTC, far from any DST change
        self._running: list[Daemon] = []
        register_clock(CLOCK, self.clock.wall)

    def config(self, enclosures: int = 2, poll_seconds: int = 60, **air: Any) -> Config:
        """Return a configuration of so many tubs; `air`: options of the first one's probe."""
        return parse(self.text(enclosures, poll_seconds, **air).encode(), self.folder / "test.toml")

    def text(self, enclosures: int = 2, poll_seconds: int = 60, **air: Any) -> str:
        """Return the same as the text of a configuration file."""
        lines = [
            f'site = {{ name = "Test rack", timezone = "{self.zone}", poll_seconds = {poll_seconds} }}',
            f'storage = {{ folder = "{self.folder}", ballast_mb = 0 }}',
            "web = { enabled = false }",
            'rack = [{ name = "R", room = "room" }]',
            f'channel = [{{ kind = "webhook", name = "phone", url = "{self.url}" }}]',
            'person = [{ name = "Ina", channels = ["phone"], quiet_hours = { start = "03:00", end = "03:01" } }]',
        ]
        for number in range(1, enclosures + 1):
            options: dict[str, Any] = {"clock": CLOCK, "swing_percent": 0.5, "swing_c": 0.5}
            if number == 1:
                options |= air
            written = ", ".join(f"{key} = {json.dumps(value)}" for key, value in options.items())
            lines += [
                "[[enclosure]]", f'name = "T{number}"', 'rack = "R"',
                f"place = {(number - 1) % 99 + 1}", f"shelf = {(number - 1) // 99 + 1}",
                "[[probe]]", f'name = "t{number}"', f'enclosure = "T{number}"', 'driver = "simulated"',
                f"options = {{ {written} }}",
            ]  # fmt: skip
        return "\n".join(lines)

    def start(self, config: Config, **more: Any) -> Daemon:
        """Return a running daemon, its first cycle done; `more`: what else `Daemon` takes."""
        daemon = Daemon(config, clock=self.clock, alarm=SilentAlarm, **more)
        daemon.start()
        self._running.append(daemon)
        self.clock.expect("dispatcher")
        self.clock.settle()
        return daemon

    def stop(self, daemon: Daemon) -> None:
        """Stop a daemon in good order."""
        self._running.remove(daemon)
        daemon.stop()

    def stop_after(self, daemon: Daemon, seconds: float) -> None:
        """Let it run for so long and stop it in good order."""
        self.clock.advance(seconds)
        self.stop(daemon)

    def stop_all(self) -> None:
        """Stop what still runs."""
        for daemon in list(self._running):
            self.stop(daemon)


@pytest.fixture
def racks(tmp_path: Path, phone: Phone) -> Iterator[Racks]:
    """Racks whose messages reach the phone."""
    made = Racks(tmp_path, phone.url)
    yield made
    made.stop_all()
