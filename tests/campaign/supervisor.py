"""A small stand-in for the service manager: restarts what ends, and kills what no longer feeds its watchdog.

It speaks sd_notify(3) as systemd does for Type=notify, WatchdogSec= and Restart=always: READY=1 arms the watchdog,
each WATCHDOG=1 feeds it, a hungry process gets SIGABRT and, if it does not end, SIGKILL.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO

ROUND_SECONDS = 0.05
ABORT_SECONDS = 2.0


@dataclass
class Life:
    """One run of the process. Times are seconds of the supervisor's clock."""

    pid: int
    began: float
    ready: float | None = None
    feedings: list[float] = field(default_factory=list)
    ended: float | None = None
    exit_code: int | None = None
    hungry: bool = False
    stopping: bool = False


class Supervisor:
    """Keeps one command running, by a clock. Everything it saw stays in `lives`; `log` holds the process's output."""

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        environment: Mapping[str, str],
        now: Callable[[], float],
        *,
        watchdog_seconds: float,
        restart_seconds: float = 0.2,
    ) -> None:
        self._command = list(command)
        self._environment = {**environment}
        self._now = now
        self._watchdog_seconds = watchdog_seconds
        self._restart_seconds = restart_seconds
        self.log = folder / "log.txt"
        self._notify_path = folder / "notify.sock"
        self.lives: list[Life] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="supervisor")
        self._restarting = True

    def __enter__(self) -> Supervisor:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def life(self) -> Life:
        """The present run."""
        return self.lives[-1]

    @property
    def alive(self) -> bool:
        """Whether the process runs now."""
        return bool(self.lives) and self.life.ended is None

    def signal(self, number: int) -> None:
        """Send the process a signal, as somebody at the terminal would."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def stop(self, patience_seconds: float = 12.0) -> Life:
        """End the process for good, with SIGTERM first; returns its last life."""
        self._restarting = False
        self.signal(signal.SIGCONT)
        self.signal(signal.SIGTERM)
        give_up = self._now() + patience_seconds
        while self.alive and self._now() < give_up:
            time.sleep(ROUND_SECONDS)
        self.signal(signal.SIGKILL)
        self._stopping.set()
        self._thread.join()
        return self.life

    def _run(self) -> None:
        with contextlib.ExitStack() as stack:
            listener = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
            listener.bind(str(self._notify_path))
            listener.settimeout(ROUND_SECONDS)
            output = stack.enter_context(self.log.open("ab"))
            restart_at = 0.0
            while not self._stopping.is_set():
                now = self._now()
                if not self.alive and self._restarting and now >= restart_at:
                    self._spawn(output)
                self._hear(listener)
                if self.alive and self._settle():
                    restart_at = self._now() + self._restart_seconds
            if self._process is not None:
                with contextlib.suppress(ProcessLookupError):
                    self._process.kill()
                self._process.wait()
                self._settle()

    def _spawn(self, output: IO[bytes]) -> None:
        environment = {
            **os.environ,
            **self._environment,
            "NOTIFY_SOCKET": str(self._notify_path),
            "WATCHDOG_USEC": str(int(self._watchdog_seconds * 1e6)),
        }
        self._process = subprocess.Popen(self._command, stdout=output, stderr=output, env=environment)
        self.lives.append(Life(self._process.pid, self._now()))

    def _hear(self, listener: socket.socket) -> None:
        try:
            message = listener.recv(4096).decode("utf-8", "replace")
        except TimeoutError:
            return
        now = self._now()
        for line in message.splitlines():
            if line == "READY=1":
                self.life.ready = now
            elif line == "WATCHDOG=1":
                self.life.feedings.append(now)
            elif line == "STOPPING=1":  # from here on the stop's own time-out counts, not the watchdog's
                self.life.stopping = True

    def _settle(self) -> bool:
        """Note the end of the process, or end a hungry one; return whether it has ended."""
        assert self._process is not None
        life = self.life
        code = self._process.poll()
        if code is None and life.ready is not None and not life.hungry and not life.stopping:
            last = max([life.ready, *life.feedings[-1:]])
            if self._now() - last > self._watchdog_seconds:
                life.hungry = True
                self._process.send_signal(signal.SIGABRT)
                try:
                    code = self._process.wait(ABORT_SECONDS)
                except subprocess.TimeoutExpired:
                    self._process.kill()
                    code = self._process.wait()
        if code is None:
            return False
        life.ended, life.exit_code = self._now(), code
        return True
