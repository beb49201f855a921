"""Keeping everything, on one card, for years."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dewkeeper.store.history import History
    from dewkeeper.store.store import Store

__all__ = ["History", "Store"]


def __getattr__(name: str) -> Any:
    # When first asked for: who reads needs none of what writes, and what compiles the questions neither.
    if name == "History":
        from dewkeeper.store.history import History

        return History
    if name == "Store":
        from dewkeeper.store.store import Store

        return Store
    raise AttributeError(name)
