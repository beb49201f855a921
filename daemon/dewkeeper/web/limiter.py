"""Rate limits: so many tries at once, then one more every so many seconds, for each address and for all together."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

_MOST_ADDRESSES = 1000


@dataclass(slots=True)
class _Bucket:
    left: float
    at: float


class Limiter:
    """Token buckets by address. monotonic: seconds that never step."""

    def __init__(self, tries: int, refill_seconds: float, monotonic: Callable[[], float]) -> None:
        self._tries = tries
        self._refill_seconds = refill_seconds
        self._monotonic = monotonic
        self._buckets: dict[str, _Bucket] = {}
        self._lock = threading.Lock()

    def wait_seconds(self, address: str) -> int:
        """Return 0 and use up one try, or the seconds until there is another."""
        now = self._monotonic()
        with self._lock:
            bucket = self._buckets.pop(address, None) or _Bucket(float(self._tries), now)
            bucket.left = min(float(self._tries), bucket.left + (now - bucket.at) / self._refill_seconds)
            bucket.at = now
            self._buckets[address] = bucket  # at the end: the first in the dict is the longest unseen
            if len(self._buckets) > _MOST_ADDRESSES:
                del self._buckets[next(iter(self._buckets))]
            if bucket.left >= 1:
                bucket.left -= 1
                return 0
            return max(1, int((1 - bucket.left) * self._refill_seconds))

    def forgive(self, address: str) -> None:
        """Give an address all its tries back: it showed that it may."""
        with self._lock:
            self._buckets.pop(address, None)
