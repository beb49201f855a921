"""Whether a way is open, asked now and then without sending anything: names, connection, certificate, greeting.

A certificate that ran out is so named before the alarm that needs it, and a mended way is well again before something
is sent that way. A probe says a way is mended only if a probe has seen it broken: what it cannot see, it cannot clear.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from dewkeeper.notify.breaker import TROUBLE_SECONDS
from dewkeeper.notify.channel import Channel
from dewkeeper.notify.deadline import Attempt
from dewkeeper.notify.errors import CertificateRefused, DeadlinePassed, PermanentFailure, SendFailure

CALM_SECONDS: Final = 3600.0
TROUBLED_SECONDS: Final = 900.0
"""Since the last contact, message or probe, on a way that is well and on one that is not."""


class WayProbe:
    """Of one channel, beside its sends and never in their way. Times are seconds of the injected monotonic clock.

    deep: ask further than the greeting, for the trouble was an answer and not a missing connection.
    """

    def __init__(self, channel: Channel, now: float) -> None:
        self._channel = channel
        self._contact = now
        self._attempt: Attempt[None] | None = None
        self._hanging: Attempt[None] | None = None
        self.failing_since: float | None = None
        self.deep = False

    @property
    def busy(self) -> bool:
        """Whether one is under way."""
        return self._attempt is not None

    @property
    def ends(self) -> float:
        """Real monotonic second at which the one under way must end."""
        return float("inf") if self._attempt is None else self._attempt.guard.ends

    def touched(self, now: float, *, well: bool) -> None:
        """A message was tried that way: that says more than a probe."""
        self._contact = now
        if well:
            self.failing_since, self.deep = None, False

    def wait(self, now: float, *, trouble: bool) -> float:
        """Return in how many seconds the next is due."""
        if not self._channel.can_be_checked or self.busy:
            return float("inf")
        every = TROUBLED_SECONDS if trouble or self.failing_since is not None else CALM_SECONDS
        return max(0.0, self._contact + every - now)

    def start(self, now: float, done: Callable[[], None]) -> None:
        """Begin one in a thread of its own; `done` is called from it at its end."""
        self._contact = now
        if self._hanging is not None and self._hanging.thread.is_alive():
            return  # one look-up that never ends is enough
        channel, deep = self._channel, self.deep
        self._attempt = Attempt(
            f"probe {channel.name}", lambda guard: channel.check(guard, deep=deep), channel.timeout_seconds, done
        )

    def take(self, now: float, *, give_up: bool = False) -> SendFailure | bool | None:
        """Return how the one under way came out: what stands in the way, True if it saw the way mended, False if there
        was nothing to mend; None while it has time."""
        attempt = self._attempt
        if attempt is None or not (attempt.finished.is_set() or give_up or attempt.overdue()):
            return None
        self._attempt = None
        try:
            if not attempt.finished.is_set():
                attempt.guard.expire()
                self._hanging = attempt
                raise DeadlinePassed(attempt.guard.seconds)
            attempt.result()
        except SendFailure as error:
            if self.failing_since is None:
                self.failing_since = now
            return error
        mended = self.failing_since is not None
        self.failing_since, self.deep = None, False
        return mended

    def worth_saying(self, error: SendFailure, now: float) -> bool:
        """Return whether people should hear of it: at once of what does not pass by itself."""
        lasting = isinstance(error, PermanentFailure | CertificateRefused)
        return lasting or (self.failing_since is not None and now - self.failing_since >= TROUBLE_SECONDS)
