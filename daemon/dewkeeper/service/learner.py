"""The nightly learning pass: `dewkeeper learn` as a process of its own, niced, with a deadline."""

from __future__ import annotations

import logging
import subprocess
import threading
from collections.abc import Callable, Sequence
from typing import Final

from dewkeeper.judge.types import SystemReport

log = logging.getLogger(__name__)

LONGEST_SECONDS: Final = 900
"""Three times what a pass may take on the smallest machine: then it hangs, and is ended."""
_SAID: Final = 300


class Learner:
    """command: what is run, "" for nothing at all: then nobody learns at night. now: UTC seconds."""

    def __init__(self, command: Sequence[str], now: Callable[[], int]) -> None:
        self._command = tuple(command)
        self._now = now
        self._trouble = ""
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin a pass, unless one is still under way."""
        if not self._command or (self._thread is not None and self._thread.is_alive()):
            return
        self._thread = threading.Thread(target=self._pass, name="learner", daemon=True)
        self._thread.start()

    def stop(self, seconds: float) -> None:
        """End a pass under way: what it had not handed in is learned the next night."""
        process = self._process
        if process is not None:
            process.kill()
        if self._thread is not None:
            self._thread.join(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return how it stands."""
        return [
            SystemReport(
                now, "learning", bool(self._trouble), f"nothing new was learned: {self._trouble}", priority="low"
            )
        ]

    def _pass(self) -> None:
        try:
            with subprocess.Popen(  # noqa: S603  our own program
                [*self._command, "--at", str(self._now())], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE, text=True, errors="replace",
            ) as process:  # fmt: skip
                self._process = process
                try:
                    _, said = process.communicate(timeout=LONGEST_SECONDS)
                except subprocess.TimeoutExpired:
                    process.kill()
                    said = f"it was not done in {LONGEST_SECONDS // 60} min and was ended"
                self._trouble = _last_line(said) if process.wait() else ""
        except OSError as error:
            self._trouble = str(error)
        finally:
            self._process = None
        if self._trouble:
            log.warning("learning: %s", self._trouble)


def _last_line(said: str) -> str:
    """Return the end of what a process complained of: of a traceback, the error itself."""
    return (said.strip().splitlines() or ["it ended without a word"])[-1][:_SAID]
