"""Rate limits: so many tries at once, then one more every so many seconds, for each address and for all together."""

from __future__ import annotations

import ipaddress
import threading
from collections.abc import Callable
from dataclasses import dataclass

_MOST_ADDRESSES = 1000  # memory stays bounded, whoever knocks


@dataclass(slots=True)
class _Bucket:
    left: float
    at: float


class Limiter:
    """Token buckets by address; of IPv6 by network of 64 bits, for a household has as many addresses as it likes.

    monotonic: seconds that never step.
    """

    def __init__(self, tries: int, refill_seconds: float, monotonic: Callable[[], float]) -> None:
        self._tries = tries
        self._refill_seconds = refill_seconds
        self._monotonic = monotonic
        self._buckets: dict[str, _Bucket] = {}
        self._lock = threading.Lock()

    def wait_seconds(self, address: str) -> int:
        """Return 0 and use up one try, or the seconds until there is another."""
        with self._lock:
            bucket = self._bucket(_whose(address))
            if bucket.left >= 1:
                bucket.left -= 1
                return 0
            return max(1, int((1 - bucket.left) * self._refill_seconds))

    def rested(self, address: str) -> bool:
        """Return whether an address has all its tries: it made none lately."""
        with self._lock:
            return self._bucket(_whose(address)).left >= self._tries

    def give_back(self, address: str) -> None:
        """Take back the last try of an address: it was not made."""
        with self._lock:
            bucket = self._bucket(_whose(address))
            bucket.left = min(float(self._tries), bucket.left + 1)

    def forgive(self, address: str) -> None:
        """Give an address all its tries back: it showed that it may."""
        with self._lock:
            self._buckets.pop(_whose(address), None)

    def _bucket(self, whose: str) -> _Bucket:
        now = self._monotonic()
        bucket = self._buckets.pop(whose, None) or _Bucket(float(self._tries), now)
        bucket.left = min(float(self._tries), bucket.left + (now - bucket.at) / self._refill_seconds)
        bucket.at = now
        self._buckets[whose] = bucket  # at the end: the first in the dict is the longest unseen
        if len(self._buckets) > _MOST_ADDRESSES:
            del self._buckets[next(iter(self._buckets))]
        return bucket


def login_wait_seconds(each: Limiter, together: Limiter, address: str) -> int:
    """Return 0 and use up a try, or how long an address must wait before it may log in.

    Its own limit comes first, so who guesses spends nobody else's tries; and whoever has made none lately has one even when
    a crowd has used up what all have together: no crowd keeps the keeper out.
    """
    rested = each.rested(address)
    wait = each.wait_seconds(address)
    if wait or rested:
        return wait
    wait = together.wait_seconds("all")
    if wait:
        each.give_back(address)
    return wait


def _whose(address: str) -> str:
    try:
        known = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(known, ipaddress.IPv4Address):
        return address
    if known.ipv4_mapped is not None:
        return str(known.ipv4_mapped)
    return str(ipaddress.ip_network((known, 64), strict=False))
