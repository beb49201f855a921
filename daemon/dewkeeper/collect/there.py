"""A site as the server knows it, for who shows it. Needs nothing of what speaks with the server."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from dewkeeper.store.history import History
from dewkeeper_config.models import Config


@dataclass(frozen=True, slots=True)
class SiteThere:
    """A site of the server. sent, ago_seconds: when it sent last and how long ago that is, by the server's clock; None: it never has.
    expected: whether it should send; not where it was released.

    config: how its rooms stand, in the site's own name; None where it does not say so, for the reason in `untold`.
    """

    number: int
    name: str
    sent: float | None
    ago_seconds: float | None
    expected: bool
    config: Config | None
    untold: str
    history: History


class AllThere(Protocol):
    """The sites of a server."""

    def sites(self) -> Sequence[SiteThere]:
        """Return all of them by name. Raises StoreUnusable."""
        ...

    def close(self) -> None:
        """End every connection."""
        ...
