"""Keeping everything, on one card, for years."""

from dewkeeper.store.history import History
from dewkeeper.store.store import Store

__all__ = ["History", "Store"]
