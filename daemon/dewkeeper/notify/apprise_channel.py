"""Any service that the optional library apprise can reach."""

from __future__ import annotations

import importlib
import sys

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import ChannelUnusable, PermanentFailure, TemporaryFailure
from dewkeeper.store.records import Message
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import AppriseChannel

_ANY = "json://localhost/"


class Apprise(Channel):
    """Hands over to apprise, which only says yes or no: no is temporary, for it may be anything.

    Its connections are its own, so at the deadline the attempt is given up and ends by the library's own timeouts.
    Raises ChannelUnusable if the library is not installed.
    """

    def __init__(self, config: AppriseChannel) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self._config = config
        try:
            self._library = importlib.import_module("apprise")
            self._library.Apprise().add(_ANY)  # loads every service it knows now, not during the first alarm
        except ImportError as error:
            how = f"`{sys.executable} -m pip install apprise`, then restart"
            raise ChannelUnusable(f"channel {config.name}: the library apprise is not installed: {how}") from error

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Notify once. Raises PermanentFailure for an address the library does not understand."""
        service = self._library.Apprise()
        try:
            understood = service.add(self._config.url.read())
        except SecretUnavailable as error:
            raise PermanentFailure(f"not sent: {error}") from error
        if not understood:
            raise PermanentFailure("the service address is not understood")
        # Without a body the library sends nothing and says no.
        title, body = (message.title, "\n".join(message.lines)) if message.lines else ("", message.title)
        if not service.notify(title=title, body=body):
            guard.remaining()
            raise TemporaryFailure("the service did not take it, without saying why")
        return Receipt("taken")
