"""A bell with a display: one line of JSON over TCP, answered by `taken`, `later WHY` or `never WHY`."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import PermanentFailure, TemporaryFailure
from dewkeeper.store.records import Message
from dewkeeper_config.errors import SecretUnavailable

from .bell_settings import BellChannel


class Bell(Channel):
    """Shows and rings. The token is read at each attempt, so that a new one needs no restart."""

    can_be_checked = True

    def __init__(self, config: BellChannel) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self._config = config

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Show one message, and ring. Raises TemporaryFailure, PermanentFailure."""
        return Receipt(self._ask(guard, play=self._config.sound, show=[message.title, *message.lines]))

    def check(self, guard: Guard, *, deep: bool) -> None:
        """Ask without showing anything. Raises as `attempt` does."""
        self._ask(guard)

    def _ask(self, guard: Guard, **what: Any) -> str:
        try:
            request = json.dumps({"token": self._config.token.read(), **what}) + "\n"
        except SecretUnavailable as error:
            raise PermanentFailure(f"not sent: {error}") from error
        try:
            with guard.connect(self._config.host, self._config.port) as connection:
                connection.sendall(request.encode())
                with connection.makefile("r", encoding="utf-8", errors="replace") as answers:
                    verdict, _, why = answers.readline(200).strip().partition(" ")
        except OSError as error:
            guard.remaining()  # raises when it was the deadline that ended the connection
            raise TemporaryFailure(f"connection: {error.strerror or type(error).__name__}") from error
        if verdict == "taken":
            return verdict
        if verdict == "never":
            raise PermanentFailure(why or "refused")
        guard.remaining()
        raise TemporaryFailure(why or "hung up without an answer")


def open_channel(config: BellChannel, wall: Callable[[], float]) -> Bell:
    """Return the bell of a configuration. wall: UTC seconds; a bell dates nothing."""
    del wall
    return Bell(config)
