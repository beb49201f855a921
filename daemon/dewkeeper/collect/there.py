"""A site as the server knows it, for who shows it. Needs nothing of what speaks with the server."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from dewkeeper.judge.types import Alarm, JournalEntry
from dewkeeper.store.history import History, Stored
from dewkeeper_config.models import Config


class SiteRooms(NamedTuple):
    """How the rooms of a site stand, in the site's own name; config is None where it does not say so, for the reason in `untold`."""

    config: Config | None
    untold: str


@dataclass(frozen=True, slots=True)
class SiteThere:
    """A site of the server. sent, ago_seconds: when it sent last and how long ago that is, by the server's clock; None: it never has.
    expected: whether it should send; not where it was released.

    layout: reads what it says of its rooms when somebody asks first: of a thousand sites few are looked at. Raises StoreUnusable.
    """

    number: int
    name: str
    sent: float | None
    ago_seconds: float | None
    expected: bool
    layout: Callable[[], SiteRooms]
    history: History

    @property
    def config(self) -> Config | None:
        """How its rooms stand, None where it does not say so."""
        return self.layout().config

    @property
    def untold(self) -> str:
        """Why its rooms cannot be shown."""
        return self.layout().untold


class SaidThere(NamedTuple):
    """What a site said of itself when it sent last. told: Unix time by the server's clock; said: JSON values, of any version."""

    told: float
    said: Any


class AllThere(Protocol):
    """The sites of a server."""

    def sites(self) -> Sequence[SiteThere]:
        """Return all of them by name. Raises StoreUnusable."""
        ...

    def said(self) -> Mapping[int, SaidThere]:
        """Return what each says of itself, by its number; those that say nothing are left out. Raises StoreUnusable."""
        ...

    def read_layouts(self, numbers: Collection[int]) -> None:
        """Read at once how the rooms of these sites stand, where that is not known yet. Raises StoreUnusable."""
        ...

    def latest(self, wanted: Mapping[int, Collection[str]]) -> Mapping[int, Mapping[str, Stored]]:
        """Return the newest readings of some probes of each site, by its number, as its own history would. Raises StoreUnusable."""
        ...

    def standing(self) -> Mapping[int, Sequence[Alarm]]:
        """Return the alarms that are not normal, by the number of their site. Raises StoreUnusable."""
        ...

    def journal(self, since: int, before: int, most: int) -> Sequence[tuple[int, JournalEntry]]:
        """Return the newest entries of all journals in [since, before) seconds, each with its site's number, the newest first.

        So many, with all of the oldest second, and none that was corrected or taken back. Raises StoreUnusable.
        """
        ...

    def close(self) -> None:
        """End every connection."""
        ...
