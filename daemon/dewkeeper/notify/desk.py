"""Path tests over the command handler: send one real message per person and channel, take the confirmation."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.types import Command, Item
from dewkeeper.notify.daily import path_name
from dewkeeper_config.models import Config


class Desk:
    """Answers `notify_test` and `notify_confirm`. submit, now: as the command handler has them."""

    def __init__(self, config: Config, submit: Callable[[Item], str], now: Callable[[], int]) -> None:
        self._ways = [(person.name, channel) for person in config.person for channel in person.channels]
        self._submit = submit
        self._now = now

    def handlers(self) -> dict[str, Callable[[dict[str, Any]], Mapping[str, Any]]]:
        """Return verb -> handler."""
        return {"notify_test": self.test, "notify_confirm": self.confirm}

    def test(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Send one test message over every way, or those of one `person` or `channel`."""
        person, channel = request.get("person"), request.get("channel")
        chosen = [way for way in self._ways if person in (None, way[0]) and channel in (None, way[1])]
        if not chosen:
            raise self._nobody()
        for name, over in chosen:
            self._submit(self._command("path_test", name, over))
        return {"done": True, "sent": [{"person": name, "channel": over} for name, over in chosen]}

    def confirm(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Remember that a test reached `person` over `channel`; `way` (as a signed link has it) may stand for both."""
        way = str(request.get("way") or path_name(str(request.get("person")), str(request.get("channel"))))
        for name, over in self._ways:
            if path_name(name, over) == way:
                return {"done": True, "not_recorded": self._submit(self._command("path_confirmed", name, over))}
        raise self._nobody()

    def _nobody(self) -> CommandRefused:
        known = ", ".join(f"{name} over {over}" for name, over in self._ways)
        return CommandRefused(f"nobody is told that way; there are: {known}")

    def _command(self, verb: str, person: str, channel: str) -> Command:
        return Command(id=str(uuid.uuid4()), time=self._now(), verb=verb, who=person, why=channel)
