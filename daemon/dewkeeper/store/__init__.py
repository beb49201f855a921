"""Keeping everything, on one card, for years."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dewkeeper.left_out import asyncio_put_off

with asyncio_put_off():
    import sqlalchemy.dialects.sqlite  # noqa: F401  all of it that is needed, before anything else imports it

from dewkeeper.store.history import History

if TYPE_CHECKING:
    from dewkeeper.store.store import Store

__all__ = ["History", "Store"]


def __getattr__(name: str) -> Any:
    if name == "Store":  # when first asked for: who reads needs none of what writes
        from dewkeeper.store.store import Store

        return Store
    raise AttributeError(name)
