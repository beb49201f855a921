"""From configured channels to channels at work. One that cannot be set up becomes one that says why, never a crash.

Ours are here; others come by the entry-point group `dewkeeper.channels`: the name is the kind, the object is called as
`open_channel` is. Their keys: `dewkeeper.channel_models` (`dewkeeper_config.models.channel_kinds`).
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import entry_points
from typing import Final

from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Guard
from dewkeeper.notify.errors import ChannelUnusable, PermanentFailure
from dewkeeper.store.records import Message
from dewkeeper_config.models import AppriseChannel, ChannelConfig, Config, MailChannel, WebhookChannel

CHANNEL_GROUP: Final = "dewkeeper.channels"

Wall = Callable[[], float]
"""UTC seconds."""


class Unusable(Channel):
    """Stands where a channel could not be set up; every attempt says `why`."""

    def __init__(self, config: ChannelConfig, why: str) -> None:
        self.name = config.name
        self.timeout_seconds = config.timeout_seconds
        self.why = why

    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Raise PermanentFailure."""
        raise PermanentFailure(self.why)


def open_channel(config: ChannelConfig, wall: Wall) -> Channel:
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
                from dewkeeper.notify.apprise_channel import Apprise

                return Apprise(config)
            case _:
                return _open_installed(config, wall)
    except ChannelUnusable as error:
        return Unusable(config, str(error))


def _open_installed(config: ChannelConfig, wall: Wall) -> Channel:
    """Return a channel of a kind that an installed package brings. Raises ChannelUnusable."""
    found = {entry.name: entry for entry in entry_points(group=CHANNEL_GROUP)}
    if config.kind not in found:
        raise ChannelUnusable(f"channel {config.name}: no installed package sends kind {config.kind!r}")
    try:
        channel = found[config.kind].load()(config, wall)
    except ChannelUnusable:
        raise
    except Exception as error:  # a stranger's module may raise anything
        raise ChannelUnusable(f"channel {config.name}: kind {config.kind!r} cannot be set up: {error}") from error
    if not isinstance(channel, Channel):
        raise ChannelUnusable(f"channel {config.name}: kind {config.kind!r} gave {type(channel).__name__}, no Channel")
    return channel


def open_channels(config: Config, wall: Wall) -> list[Channel]:
    """Return every configured channel, in order. wall: UTC seconds."""
    return [open_channel(channel, wall) for channel in config.channel]
