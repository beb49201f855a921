"""Pings to a dead-man address of the keeper's choice: only while probes are read, readings stored and messages sent.

Silence is the message: whoever listens there tells the keeper when pings stay away, whatever the reason, from a pulled
plug to a thread that hangs.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from dewkeeper.judge.types import SystemReport
from dewkeeper.notify.deadline import Guard, run_within
from dewkeeper.notify.errors import PermanentFailure, SendFailure, TemporaryFailure
from dewkeeper.report.wording import duration
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

DEADLINE_SECONDS: Final = 10.0
TROUBLE_FROM: Final = 3
"""So many in a row unanswered are trouble: by then the other side has told somebody, if it is there at all."""
ATTEMPTS: Final = 2
"""A single lost packet is no reason to alarm the person behind the other end."""


class Pulse:
    """Whether anybody answers. Written by the calendar's thread, read by others. now: monotonic seconds.

    answered: when one was, None for never. unanswered: how many in a row were not. why: of the last of them.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self.answered: float | None = None
        self.unanswered = 0
        self.why = ""

    def felt(self, why_not: str | None) -> None:
        """Note one ping: None that there is no address, "" that it was answered, else why not."""
        if why_not == "":
            self.answered, self.unanswered, self.why = self._now(), 0, ""
        elif why_not is not None:
            self.unanswered += 1
            self.why = why_not

    def text(self) -> str:
        """Say how it stands, for people."""
        if self.unanswered:
            ago = "" if self.answered is None else f", the last answer came {duration(self._now() - self.answered)} ago"
            return f"the last {self.unanswered} pings were not answered ({self.why}){ago}"
        return "not asked yet" if self.answered is None else f"answered {duration(self._now() - self.answered)} ago"

    def report(self, now: int) -> SystemReport:
        """Return the trouble of nobody answering, or that there is none. now: UTC seconds."""
        text = f"whoever listens for this rack's heartbeat does not answer: {self.text()}; a silent rack would go unnoticed"
        return SystemReport(
            now, "heartbeat", self.unanswered >= TROUBLE_FROM, text, response="look at the network here, and at the service that listens",
            consequence="it still watches, records and tells; if it fell silent, nobody would notice",
        )  # fmt: skip


def beat(config: Config, deadline_seconds: float = DEADLINE_SECONDS) -> str | None:
    """Ping once; return "" if it was answered, else why not, None if there is no address. Never raises.

    Whoever calls this vouches for work done: silence is the message.
    """
    source = config.notify.heartbeat_url
    if source is None:
        return None
    why = ""
    for _ in range(ATTEMPTS):
        try:
            run_within("heartbeat", lambda guard: _ping(source.read(), guard), deadline_seconds)
        except (SendFailure, SecretUnavailable, ValueError) as error:
            why = str(error) or type(error).__name__
            log.info("heartbeat not answered: %s", why)
        else:
            return ""
    return why


def _ping(url: str, guard: Guard) -> None:
    import requests

    from dewkeeper.notify.webhook import session

    try:
        with (
            session(guard, None) as http,
            http.get(url, allow_redirects=False, stream=True, timeout=guard.remaining()) as answer,
        ):
            status = answer.status_code
    except (requests.exceptions.RequestException, OSError, AttributeError) as error:
        guard.remaining()  # its own timeout may come a hair before the deadline: it is named the same
        raise TemporaryFailure(type(error).__name__) from error  # the text may repeat the address, which is a secret
    if not 200 <= status < 300:
        raise PermanentFailure(f"HTTP {status}")
