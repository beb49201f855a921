"""From configured channels to channels at work. One that cannot be set up becomes one that says why, never a crash."""

from __future__ import annotations

from collections.abc import Callable

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import ChannelUnusable, PermanentFailure
from dewkeeper.store.records import Message
from dewkeeper_config.models import AppriseChannel, Config, MailChannel, WebhookChannel
from dewkeeper_config.models import Channel as ChannelConfig


class Unusable(Channel):
    """Stands where a channel could not be set up; every attempt says why."""

    def __init__(self, config: ChannelConfig, why: str) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self._why = why

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Raise PermanentFailure."""
        raise PermanentFailure(self._why)


def open_channel(config: ChannelConfig, wall: Callable[[], float]) -> Channel:
    """Return the channel; modules that are heavy to load are loaded only for what is configured."""
    try:
        match config:
            case WebhookChannel():
                from dewkeeper.notify.webhook import Webhook

                return Webhook(config, wall)
            case MailChannel():
                from dewkeeper.notify.mail import Mail

                return Mail(config, wall)
            case AppriseChannel():
                from dewkeeper.notify.others import Others

                return Others(config)
    except ChannelUnusable as error:
        return Unusable(config, str(error))


def open_channels(config: Config, wall: Callable[[], float]) -> list[Channel]:
    """Return every configured channel, in order. wall: UTC seconds."""
    return [open_channel(channel, wall) for channel in config.channel]
