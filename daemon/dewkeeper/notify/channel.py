"""What every channel is: one attempt to hand one message to one service."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

from dewkeeper.notify.deadline import Guard, run_within
from dewkeeper.store.records import Message


@dataclass(frozen=True, slots=True)
class Receipt:
    """The service accepted the message; `said` is its answer in a few words. left_out: recipients it did not take, and why."""

    said: str = ""
    left_out: str = ""


class Channel(ABC):
    """A way to reach people. Subclasses supply `attempt`; the deadline is kept here.

    name: as configured. timeout_seconds: total time of one attempt. per_hour: most messages an hour, None for no limit.
    can_be_checked: whether `check` says anything. many_recipients: whether one message goes to several at once.
    """

    name: str
    timeout_seconds: float
    per_hour: int | None = None
    can_be_checked = False
    many_recipients = False

    def send(self, message: Message, deadline_seconds: float) -> Receipt:
        """Hand over one message and return the receipt.

        Raises TemporaryFailure (DeadlinePassed among them) or PermanentFailure, nothing else, and always within the
        deadline: name look-up, connection, encryption, request and reply together.
        """
        return run_within(f"send {self.name}", lambda guard: self.attempt(message, guard), deadline_seconds)

    @abstractmethod
    def attempt(self, message: Message, guard: Guard) -> Receipt:
        """Try once, with every connection made through `guard.connect`. Raises TemporaryFailure or PermanentFailure.

        Called in a thread that may be given up at the deadline, and for different messages from different threads.
        """

    def check(self, guard: Guard, *, deep: bool) -> None:  # noqa: B027  no means to look is a full answer
        """Look whether the way is open, sending nothing. Raises as `attempt` does; nothing where that cannot be known.

        deep: as far as the service allows, its login too; for a way whose service refused something.
        """
