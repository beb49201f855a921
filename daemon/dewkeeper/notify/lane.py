"""One channel at work: at most one send under way, at most four given up, its circuit and its rate."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from dewkeeper.notify.breaker import Breaker
from dewkeeper.notify.channel import Channel, Receipt
from dewkeeper.notify.deadline import Attempt
from dewkeeper.notify.errors import DeadlinePassed
from dewkeeper.notify.gather import Parcel
from dewkeeper.notify.probing import WayProbe

MOST_ABANDONED = 4
"""Only the system's name look-up outlives a send's deadline. So many threads that hang there say that it is broken."""
_HOUR = 3600.0


class Lane:
    """Used by the dispatcher's thread alone. Clock arguments are seconds of the injected monotonic clock."""

    def __init__(self, channel: Channel, now: float = 0.0) -> None:
        self.channel = channel
        self.probe = WayProbe(channel, now)
        self.breaker = Breaker(channel.name)
        self.parcel: Parcel | None = None
        self.reported: bool | None = None  # what people were last told: in trouble or not; None since the start
        self.left_out: bool | None = None  # the same of recipients that the service does not take
        self.last_person: dict[str, float] = {}
        self.ready: deque[Parcel] = deque()
        self.ready_until = float("-inf")  # after it what lies ready is looked up again
        self._attempt: Attempt[Receipt] | None = None
        self._abandoned: list[Attempt[Receipt]] = []
        self._sent: deque[float] = deque()

    @property
    def busy(self) -> bool:
        """Whether a send is under way."""
        return self._attempt is not None

    @property
    def at_work(self) -> bool:
        """Whether a send or a probe is under way."""
        return self.busy or self.probe.busy

    @property
    def ends(self) -> float:
        """Real monotonic second at which the first of those must end."""
        return min(float("inf") if self._attempt is None else self._attempt.guard.ends, self.probe.ends)

    def stuck(self) -> bool:
        """Whether so many sends outlived their deadline that starting more would only pile them up."""
        self._abandoned = [attempt for attempt in self._abandoned if attempt.thread.is_alive()]
        return len(self._abandoned) >= MOST_ABANDONED

    def next_ready(self, now: float) -> Parcel | None:
        """Return the next parcel that lies ready and is urgent or within the hourly rate; None for none."""
        if now > self.ready_until:
            self.ready.clear()
        limited = self.allowance(now) > 0
        while self.ready:
            parcel = self.ready.popleft()  # what may not go yet stays in the outbox and is laid ready again
            if not limited or parcel.message.priority == "urgent":
                return parcel
        return None

    def hold_back(self, alarms: frozenset[str]) -> None:
        """Put aside what would overtake a failed message of these alarms."""
        self.ready = deque(parcel for parcel in self.ready if not parcel.alarms & alarms)

    def start(self, parcel: Parcel, now: float, done: Callable[[], None]) -> None:
        """Begin to send in a thread of its own; `done` is called from it at its end."""
        channel, message = self.channel, parcel.message
        self.parcel = parcel
        self.last_person[message.person] = now
        self._attempt = Attempt(
            f"send {channel.name}", lambda guard: channel.attempt(message, guard), channel.timeout_seconds, done
        )

    def take(self, *, give_up: bool = False) -> Callable[[], Receipt] | None:
        """Return how the send under way came out, or None while it has time. A send past its deadline is given up."""
        attempt = self._attempt
        if attempt is None:
            return None
        if attempt.finished.is_set():
            self._attempt = None
            return attempt.result
        if not (give_up or attempt.overdue()):
            return None
        attempt.guard.expire()
        self._attempt = None
        self._abandoned.append(attempt)
        return lambda: _raise_deadline(attempt.guard.seconds)

    def wait_for_end(self, real_seconds: float) -> None:
        """Wait that long at most for what was given up to end; for the daemon's own end."""
        for attempt in self._abandoned:
            attempt.thread.join(real_seconds)

    def allowance(self, now: float) -> float:
        """Return in how many seconds the channel's hourly rate allows another message; 0 for now."""
        limit = self.channel.per_hour
        while self._sent and now - self._sent[0] >= _HOUR:
            self._sent.popleft()
        if limit is None or len(self._sent) < limit:
            return 0.0
        return self._sent[0] + _HOUR - now

    def count(self, now: float) -> None:
        """Count one message against the hourly rate."""
        self._sent.append(now)


def _raise_deadline(seconds: float) -> Receipt:
    raise DeadlinePassed(seconds)
