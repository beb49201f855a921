"""Two sites that notice each other's silence: each sends the other's page a signed heartbeat, and tells when none comes.

A heartbeat is a POST to `/neighbour`, signed as our webhooks are (`signing`), with the key both have. Its body names who
sends it, so that nobody can send a site its own back, and a count, so that no old one is taken for a new one: who listens
begins at a number drawn at its start, refuses what is not a little above, and says in its answer, which is signed too and
repeats the heartbeat's id, where to go on. So nothing has to be kept on a card, and neither clock has to be right; how far
the two are apart is told.
"""

from __future__ import annotations

import json
import logging
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from dewkeeper.clock import Clock
from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import SystemReport
from dewkeeper.notify import signing
from dewkeeper.notify.deadline import Guard, run_within
from dewkeeper.notify.errors import PermanentFailure, SendFailure, TemporaryFailure
from dewkeeper.report.wording import duration
from dewkeeper_config.errors import SecretUnavailable
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

HEARTBEAT_PATH: Final = "/neighbour"
SKEW_SECONDS: Final = 120
"""Clocks further apart are told; until they are within half of it again. Common practice, no source."""
DEADLINE_SECONDS: Final = 10.0
_AHEAD: Final = 1 << 20  # two years of missed heartbeats at one a minute
_START: Final = 1 << 52  # JSON numbers are exact up to 2 ** 53 (RFC 8259, section 6)
_LONGEST: Final = 1000
_UNREADABLE: Final = (ValueError, KeyError, TypeError, OverflowError, RecursionError)
"""What the reading of foreign JSON may raise; the last two of 1e999 and of "[[[[": Python reads the one, and gives up at the other."""
_KEPT: Final = ("webhook-id", "webhook-timestamp", "webhook-signature")


@dataclass(frozen=True, slots=True)
class Answer:
    """What the page answers: HTTP status, headers, JSON."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class NeighbourWatch:
    """config: with `[neighbour]`. now: UTC seconds as this site believes them, trusted: whether it may.

    vouch: whether this site's own work is done; while it is not, no heartbeat is sent.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        now: Callable[[], int],
        trusted: Callable[[], bool],
        vouch: Callable[[], bool],
    ) -> None:
        neighbour = config.neighbour
        if neighbour is None:
            raise ValueError("there is no [neighbour] in the configuration")
        self._set = neighbour
        self._own = config.site.name
        self._clock, self._now, self._trusted, self._vouch = clock, now, trusted, vouch
        self._silent_seconds = neighbour.silent_minutes * 60
        self._count = 0  # of the heartbeat sent last
        self._answered = clock.monotonic()
        self._why = ""
        self._lock = threading.Lock()
        self._last = secrets.randbelow(_START)  # of the heartbeat heard last
        self._began = clock.monotonic()
        self._heard: float | None = None
        self._back = self._began  # since when it has been heard without a break
        self._skew = 0
        self._skewed = False
        self._refused = ""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="neighbour", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def stop(self, seconds: float) -> None:
        """End, within so many seconds."""
        self._stopping.set()
        self._thread.join(seconds)

    def hear(self, given: Mapping[str, str], body: bytes) -> Answer:
        """Take a heartbeat that came to the page: headers in lower case, body. What is not the neighbour's is refused."""
        try:
            key = self._set.key.read()
            genuine = len(body) <= _LONGEST and signing.is_genuine(key, given, body)
        except (SecretUnavailable, ValueError) as error:
            return self._refuse(500, f"the key here cannot be read: {error}")
        if not genuine:
            return self._refuse(403, "what came was not signed with the key that is set here")
        try:
            said = json.loads(body)
            site, count, sent = str(said["site"]), int(said["count"]), int(given["webhook-timestamp"])
        except _UNREADABLE:
            return self._refuse(400, "what came is no heartbeat of this version")
        if site != self._set.name:
            return self._refuse(403, f"what came was from {site!r}")
        with self._lock:
            # Neither an old one replayed nor one so far ahead that all true ones after it would look old.
            fresh = 0 < count - self._last <= _AHEAD
            if fresh:
                monotonic = self._clock.monotonic()
                if self._heard is None or monotonic - self._heard >= self._silent_seconds:
                    self._back = monotonic
                self._last, self._heard, self._refused = count, monotonic, ""
                self._skew = sent - self._now()
            last = self._last
        reply = json.dumps({"site": self._own, "last": last}).encode()
        signed = signing.headers([key], given["webhook-id"], self._now(), reply)
        return Answer(200 if fresh else 409, signed, reply)

    def _refuse(self, status: int, why: str) -> Answer:
        if self._refused != why:
            log.warning("a heartbeat was refused: %s", why)
        self._refused = why
        return Answer(status, {}, b"{}")

    def text(self) -> tuple[bool | None, str]:
        """Return whether each hears the other, None while that is not known, and how it stands, for people."""
        monotonic = self._clock.monotonic()
        with self._lock:
            heard, why = self._heard, self._refused
        said = "not heard yet" if heard is None else f"heard {duration(monotonic - heard)} ago"
        said += f"; {why}" if why else ""
        silent = monotonic - (self._began if heard is None else heard) >= self._silent_seconds
        said += f"; ours is not taken: {self._why}" if self._why else "; ours is taken" if self._count else ""
        return (False if silent or self._why else None if heard is None else True), said

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return what is known of the neighbour; nothing of what is not known yet, so that nothing is over by a restart."""
        name, monotonic = self._set.name, self._clock.monotonic()
        with self._lock:
            heard, refused = self._heard, self._refused
        silent = monotonic - (self._began if heard is None else heard)
        if silent >= self._silent_seconds:
            text = f"nothing comes from {name} any more: its power, its network or the Pi itself"
            if heard is None:
                text = f"nothing has come from {name} since this site began to listen"
            text += f"; {refused}" if refused else ""
            return [
                SystemReport(
                    now, f"silence of {name}", True, text, "urgent",
                    response="see whether power, network and Pi are there, and look at the animals; nobody watches them until it is heard again",
                    action="look there", consequence="nobody is told of heat, cold or dryness there", site=name, lasted=int(silent),
                )
            ]  # fmt: skip
        if heard is None:
            return []
        return [SystemReport(now, f"silence of {name}", False, site=name), *self._clocks(now), *self._unheard(now)]

    def _clocks(self, now: int) -> Sequence[SystemReport]:
        if not self._trusted():  # this one is set soon
            return []
        name, skew = self._set.name, self._skew
        self._skewed = abs(skew) > (SKEW_SECONDS / 2 if self._skewed else SKEW_SECONDS)
        text = f"the clock of {name} is {duration(abs(skew))} {'ahead of' if skew > 0 else 'behind'} the one here: one of the two is wrong"
        return [
            SystemReport(
                now, f"clock of {name}", self._skewed, text, "low", response=f"compare both with a watch; {TYPED}: `timedatectl`",
                action="compare both", consequence="nights and times of one of the two are wrong", site=name,
            )
        ]  # fmt: skip

    def _unheard(self, now: int) -> Sequence[SystemReport]:
        """Return whether the neighbour takes ours; while it is silent itself, that is all there is to say."""
        name, lasted = self._set.name, self._clock.monotonic() - max(self._answered, self._back)
        trouble = bool(self._why) and lasted >= self._silent_seconds
        if not trouble and self._why:
            return []
        text = f"{name} is heard but has taken no heartbeat of this site for {duration(lasted)}: {self._why}"
        return [
            SystemReport(
                now, f"heartbeat of {name}", trouble, text, response="look at address and key here, and at the page there",
                action="check address", consequence="nobody there would notice if this site fell silent", site=name, lasted=int(lasted),
            )
        ]  # fmt: skip

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                if self._vouch():
                    self.beat()
            except Exception:  # this thread never ends
                log.exception("a heartbeat for the neighbour failed")
            self._clock.wait(self._stopping, self._set.minutes * 60)

    def beat(self) -> str:
        """Send one heartbeat; return "" if it was taken, else why not."""
        why = ""
        for _ in range(2):  # the first may only learn where to go on
            try:
                run_within("neighbour's heartbeat", self._send, DEADLINE_SECONDS)
            except (SendFailure, SecretUnavailable, ValueError) as error:
                why = str(error) or type(error).__name__
            else:
                why = ""
                self._answered = self._clock.monotonic()
                break
        if why != self._why:
            (log.warning if why else log.info)("heartbeat for %s: %s", self._set.name, why or "taken")
        self._why = why
        return why

    def _send(self, guard: Guard) -> None:
        import requests

        from dewkeeper.notify.webhook import session

        key, identity = self._set.key.read(), secrets.token_hex(12)
        self._count += 1
        body = json.dumps({"site": self._own, "count": self._count}).encode()
        headers = {"Content-Type": "application/json", "User-Agent": "dewkeeper", "Connection": "close"}
        headers |= signing.headers([key], identity, self._now(), body)
        try:
            with (
                session(guard, self._set.ca_file) as http,
                http.post(
                    self._set.address.rstrip("/") + HEARTBEAT_PATH, data=body, headers=headers, allow_redirects=False, stream=True,
                    timeout=guard.remaining(),
                ) as answer,
            ):  # fmt: skip
                status, said = answer.status_code, next(answer.iter_content(_LONGEST), b"")
                given = {name: answer.headers.get(name, "") for name in _KEPT}
        except (requests.exceptions.RequestException, OSError, AttributeError) as error:
            guard.remaining()
            raise TemporaryFailure(f"it does not answer ({type(error).__name__})") from error
        last = self._last_there(key, identity, given, said)
        if last is None:
            raise PermanentFailure(
                f"its page answers HTTP {status}, and not as {self._set.name} with the same key would"
            )
        if last != self._count:
            self._count = last
            raise TemporaryFailure("it has begun to count anew")

    def _last_there(self, key: str, identity: str, given: Mapping[str, str], said: bytes) -> int | None:
        """Return the count that the neighbour heard last, by an answer to this very heartbeat; None if it is none."""
        try:
            if given["webhook-id"] != identity or not signing.is_genuine(key, given, said):
                return None
            told: dict[str, Any] = json.loads(said)
            return int(told["last"]) if told["site"] == self._set.name else None
        except _UNREADABLE:
            return None
