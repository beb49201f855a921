"""What has to do with other sites: sending on, a neighbour, looking after all. What is not set is not imported."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport
from dewkeeper.notify.neighbour import NeighbourWatch
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)


class _Part(Protocol):
    def start(self) -> None: ...

    def stop(self, seconds: float) -> None: ...

    def reports(self, now: int) -> Sequence[SystemReport]: ...


def _said(config: Config, now: int) -> Mapping[str, Any] | None:
    """Return what this site says of itself in a few lines, None where it cannot: nothing else is kept from being sent."""
    from dewkeeper.report.site_line import said_now

    try:
        return said_now(config, now)
    except Exception:
        log.exception("the morning that goes along to the server cannot be told")
        return None


class Outward:
    """What the daemon holds of it: does nothing where nothing is set.

    now: UTC seconds as this site believes them, trusted: whether it may. vouch: whether this site's own work is done.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        now: Callable[[], int],
        trusted: Callable[[], bool],
        vouch: Callable[[], bool],
    ) -> None:
        self._parts: list[_Part] = []
        self.neighbour: NeighbourWatch | None = None
        if config.collect is not None:
            from dewkeeper.collect.sender import Sender

            self._parts.append(Sender(config, clock, said=lambda: _said(config, now())))
        if config.collector is not None:
            from dewkeeper.notify.sites import SitesWatch

            self._parts.append(SitesWatch(config, clock))
        if config.neighbour is not None:
            self.neighbour = NeighbourWatch(config, clock, now, trusted, vouch)
            self._parts.append(self.neighbour)

    def start(self) -> None:
        """Begin."""
        for part in self._parts:
            part.start()

    def stop(self, seconds: float) -> None:
        """End each, within so many seconds; a batch under way was not sent."""
        for part in self._parts:
            part.stop(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return how it stands."""
        return [report for part in self._parts for report in part.reports(now)]
