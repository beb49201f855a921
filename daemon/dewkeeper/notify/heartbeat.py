"""Pings to a dead-man address of the keeper's choice: only while sampler, writer and dispatcher are fresh.

Silence is the message: whoever listens there tells the keeper when pings stay away, whatever the reason, from a pulled
plug to a thread that hangs.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from dewkeeper.notify.deadline import Guard, run_within
from dewkeeper.notify.errors import PermanentFailure, SendFailure, TemporaryFailure
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

DEADLINE_SECONDS: Final = 10.0
ATTEMPTS: Final = 2
"""A single lost packet is no reason to alarm the person behind the other end."""


def beat(config: Config, fresh: Callable[[], bool], deadline_seconds: float = DEADLINE_SECONDS) -> bool:
    """Ping once if there is an address and everything is fresh; return whether it was answered. Never raises."""
    source = config.notify.heartbeat_url
    if source is None or not fresh():
        return False
    for _ in range(ATTEMPTS):
        try:
            run_within("heartbeat", lambda guard: _ping(source.read(), guard), deadline_seconds)
        except (SendFailure, SecretUnavailable, ValueError) as error:
            log.info("heartbeat not answered: %s", error)
        else:
            return True
    return False


def _ping(url: str, guard: Guard) -> None:
    import requests

    from dewkeeper.notify.webhook import session

    try:
        with session(guard, None) as http:
            answer = http.get(url, allow_redirects=False, stream=True, timeout=guard.remaining())
    except (requests.exceptions.RequestException, OSError, AttributeError) as error:
        raise TemporaryFailure(type(error).__name__) from error  # the text may repeat the address, which is a secret
    if not 200 <= answer.status_code < 300:
        raise PermanentFailure(f"HTTP {answer.status_code}")
