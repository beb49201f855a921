"""When to try again: pure functions of the message, the attempt and what the service asked for."""

from __future__ import annotations

import hashlib
from email.utils import parsedate_to_datetime

FIRST_SECONDS = 4.0
LONGEST_SECONDS = 90.0
"""An alarm is to arrive within two minutes of the channel coming back, so no wait is longer than this."""
SLOW_FACTOR = 3.0
"""Where attempts are counted (mail logins): at most some 15 an hour."""
RETRY_AFTER_LONGEST_SECONDS = 900.0
"""A service may ask for peace, not for silence: some answer with years."""


def delay_seconds(message: str, attempt: int, *, slow: bool = False) -> float:
    """Return how long to wait after failed attempt number `attempt` (1, 2, ...) of this message, seconds.

    Doubles from 4 s to 90 s (three times that if slow), of which the second half is jitter: taken from the message's
    id and the attempt, so that many messages spread out and yet every run of the same story waits the same.
    """
    whole = min(LONGEST_SECONDS, FIRST_SECONDS * 2.0 ** min(max(attempt, 1) - 1, 16)) * (SLOW_FACTOR if slow else 1.0)
    digest = hashlib.sha256(f"{message}/{attempt}".encode()).digest()
    # Four bytes over 2**33 are below one half: from half of the wait to all of it.
    return whole * (0.5 + int.from_bytes(digest[:4], "big") / 2**33)


def retry_after_seconds(value: str | None, now: float) -> float | None:
    """Return what a Retry-After header (RFC 9110, 10.2.3) asks for, clamped to 1 s .. 15 min; None for junk or nothing.

    now: UTC seconds, for the form with a date.
    """
    if value is None:
        return None
    text = value.strip()
    if text.isascii() and text.isdigit():
        # No header makes Python read a number of a million digits.
        seconds = float(min(int(text[:12]), 10**9))
    else:
        try:
            seconds = parsedate_to_datetime(text).timestamp() - now
        except (ValueError, TypeError, OverflowError):
            return None
    return min(max(seconds, 1.0), RETRY_AFTER_LONGEST_SECONDS)
