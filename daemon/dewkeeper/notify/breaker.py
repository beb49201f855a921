"""The circuit of one channel: after failures in a row it rests, then one message tries the way for all."""

from __future__ import annotations

from dewkeeper.notify.backoff import delay_seconds

OPENS_AFTER = 3
TROUBLE_SECONDS = 900.0
"""Failing this long is news of its own."""


class Breaker:
    """Times are seconds of the injected monotonic clock. Used by the dispatcher's thread alone."""

    def __init__(self, name: str) -> None:
        self._name = name
        self.failures = 0
        self.resting_until = float("-inf")
        self.failing_since: float | None = None

    def succeeded(self) -> None:
        """Close the circuit."""
        self.failures = 0
        self.resting_until = float("-inf")
        self.failing_since = None

    def failed(self, now: float, retry_after_seconds: float | None = None, *, slow: bool = False) -> None:
        """Count one more failure; from the third in a row on, or when the service asks for it, rest."""
        self.failures += 1
        if self.failing_since is None:
            self.failing_since = now
        if retry_after_seconds is not None:
            self.resting_until = max(self.resting_until, now + retry_after_seconds)
        if self.opened:
            wait = delay_seconds(self._name, self.failures, slow=slow)
            # Never shorter than the rest that the service asked for.
            self.resting_until = max(self.resting_until, now + wait)

    @property
    def opened(self) -> bool:
        """Whether the last three attempts or more failed: the next one tries the way for all."""
        return self.failures >= OPENS_AFTER

    def rests(self, now: float) -> bool:
        """Whether nothing may be tried now."""
        return now < self.resting_until

    def in_trouble(self, now: float) -> bool:
        """Whether the channel has failed for so long that people should hear of it over another."""
        return self.failing_since is not None and now - self.failing_since >= TROUBLE_SECONDS
