"""What sending can come to.

NotifyError (DewkeeperError)
├── SendFailure: one attempt did not end in acceptance
│   ├── TemporaryFailure: worth another attempt, perhaps after `retry_after_seconds`
│   │   ├── DeadlinePassed (TimeoutError): the whole attempt took longer than it may
│   │   └── CertificateRefused: the other side is not believed to be who it should be; somebody must put that right
│   └── PermanentFailure: this service will never take it like this
├── ChannelUnusable (LookupError): the channel cannot be set up, for example for want of a secret
└── LinkRefused (ValueError): an acknowledge link that is not ours, or no longer good
"""

from __future__ import annotations

from dewkeeper.errors import DewkeeperError


class NotifyError(DewkeeperError):
    """Root of everything this room raises on purpose."""


class SendFailure(NotifyError):
    """One attempt did not end in acceptance; the message says what the other side said."""


class TemporaryFailure(SendFailure):
    """Worth another attempt.

    retry_after_seconds: what the service asked for, already clamped; None if it did not.
    slow: the service counts attempts (mail logins), so space them wider.
    """

    def __init__(self, why: str, retry_after_seconds: float | None = None, *, slow: bool = False) -> None:
        self.retry_after_seconds = retry_after_seconds
        self.slow = slow
        super().__init__(why)


class DeadlinePassed(TemporaryFailure, TimeoutError):
    """The attempt used up its total time: names, connection, encryption, request and reply together."""

    def __init__(self, seconds: float) -> None:
        super().__init__(f"no answer within {seconds:g} s")


class CertificateRefused(TemporaryFailure):
    """The certificate is expired, of another host, or signed by nobody known. It may be put right, but not by waiting."""


class PermanentFailure(SendFailure):
    """The service will never take this message like this: wrong address, withdrawn login, refused content."""


class ChannelUnusable(NotifyError, LookupError):
    """The channel cannot be set up: a secret is missing, a template names an unknown field, a library is not there."""


class LinkRefused(NotifyError, ValueError):
    """An acknowledge link is not ours, was changed, or has expired."""
