"""The ways to reach people; `kind` tells them apart.

Ours are here; installed packages bring others (`channel_kinds`).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, ClassVar, Literal

from dewkeeper_config.models.base import Field, Model, Name
from dewkeeper_config.models.secrets import Secret, SecretSource
from dewkeeper_config.values import PathText


class ChannelConfig(Model):
    """What every way to reach people says. A kind of its own adds its keys and narrows `kind` to its name by `Literal`."""

    kind: str = Field(description="What kind of channel.")
    name: Name = Field(description="Unique name.", examples=["phone"])
    timeout_seconds: float = Field(default=30.0, ge=1, le=120, description="Total deadline of one send.")


class WebhookChannel(ChannelConfig):
    """A POST to an address of your choice."""

    kind: Literal["webhook"] = Field(description="`webhook`.")
    url: Secret = Field(
        description="Where to POST: text, or `{file = ...}`, `{env = ...}`, `{credential = ...}`.",
        examples=[{"credential": "phone_url"}],
    )
    secrets: list[Secret] = Field(
        default=[], max_length=2, description="Signing keys (`whsec_...`); two while rotating."
    )
    body: Literal["json", "text", "template"] = Field(
        default="json", description="Own JSON schema, plain text, or a template."
    )
    template: str | None = Field(
        default=None,
        max_length=5000,
        description="Body for `template`: `{title}`, `{text}`, `{kind}` ...",
        examples=["{title}: {text}"],
    )
    content_type: str | None = Field(
        default=None,
        max_length=100,
        description="Content-Type for `text` and `template`.",
        examples=["text/plain; charset=utf-8"],
    )
    headers: dict[str, Secret] = Field(default={}, description="Extra headers.")
    ca_file: PathText | None = Field(
        default=None, description="Own certificate authority, PEM.", examples=["/etc/dewkeeper/ca.pem"]
    )
    timeout_seconds: float = Field(default=20.0, ge=1, le=120, description="Total deadline of one send.")


class MailChannel(ChannelConfig):
    """Mail over your provider's submission server."""

    kind: Literal["mail"] = Field(description="`mail`.")
    name: Name = Field(description="Unique name.", examples=["mail"])
    host: str = Field(min_length=1, max_length=253, description="Submission server.", examples=["mail.example.org"])
    port: int = Field(default=587, ge=1, le=65535, description="587 for STARTTLS, 465 for TLS.")
    security: Literal["starttls", "tls", "none"] = Field(
        default="starttls", description="`none` is allowed for loopback only."
    )
    username: Secret | None = Field(default=None, description="Login name.", examples=[{"credential": "mail_user"}])
    password: Secret | None = Field(
        default=None,
        description="Login password: a file, variable or credential, please.",
        examples=[{"credential": "mail_password"}],
    )
    sender: str = Field(min_length=3, max_length=254, description="From address.", examples=["rack@example.org"])
    to: list[str] = Field(min_length=1, max_length=10, description="To addresses.", examples=[["marit@example.org"]])
    ca_file: PathText | None = Field(
        default=None, description="Own certificate authority, PEM.", examples=["/etc/dewkeeper/ca.pem"]
    )
    per_hour: int = Field(
        default=30, ge=1, le=1000, description="At most so many mails an hour; the rest wait and are gathered."
    )


class AppriseChannel(ChannelConfig):
    """Any service the optional extra `apprise` can reach."""

    kind: Literal["apprise"] = Field(description="`apprise`.")
    name: Name = Field(description="Unique name.", examples=["other"])
    url: Secret = Field(
        description="Service address as that library writes it.", examples=[{"credential": "other_url"}]
    )


class AbsentChannel(ChannelConfig):
    """A channel that was good once and whose package is gone: it reaches nobody and says so; the daemon watches on."""

    __pydantic_config__: ClassVar[Any] = {**ChannelConfig.__pydantic_config__, "extra": "ignore"}


def secrets_of(channel: ChannelConfig) -> Iterator[tuple[str, SecretSource]]:
    """Yield every secret of a channel that is given, with the key that names it."""
    for key, value in channel:
        if isinstance(value, SecretSource):
            yield key, value
        elif isinstance(value, list):
            yield from ((f"{key}[{n}]", one) for n, one in enumerate(value, 1) if isinstance(one, SecretSource))
        elif isinstance(value, dict):
            yield from ((f"{key}.{name}", one) for name, one in value.items() if isinstance(one, SecretSource))
