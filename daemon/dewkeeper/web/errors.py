"""What the page answers when it does not answer.

DewkeeperError
└── Refused: a status, and a sentence for the person that says what to do
"""

from __future__ import annotations

from dewkeeper.errors import DewkeeperError


class Refused(DewkeeperError):
    """The page will not do this. `status` is an HTTP status from 400 to 503."""

    def __init__(self, status: int, text: str, retry_after_seconds: int | None = None) -> None:
        super().__init__(text)
        self.status = status
        self.text = text
        self.retry_after_seconds = retry_after_seconds


class Outdated(Refused):
    """The form is not of this session: what was typed is kept and offered again."""
