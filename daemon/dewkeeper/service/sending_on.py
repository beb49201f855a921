"""Whether and how what is stored is sent on. Without `[collect]` nothing of that room is imported."""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport
from dewkeeper_config.models import Config


class SendingOn:
    """What the daemon holds of it: does nothing where nothing is to be sent."""

    def __init__(self, config: Config, clock: Clock) -> None:
        self._sender = None
        if config.collect is not None:
            from dewkeeper.collect.sender import Sender

            self._sender = Sender(config, clock)

    def start(self) -> None:
        """Begin."""
        if self._sender is not None:
            self._sender.start()

    def stop(self, seconds: float) -> None:
        """End, within so many seconds; a batch under way was not sent."""
        if self._sender is not None:
            self._sender.stop(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return how it stands."""
        return () if self._sender is None else self._sender.reports(now)
