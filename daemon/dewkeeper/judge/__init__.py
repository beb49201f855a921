"""The judge: what readings are worth, what stands, what to tell. Pure: no clock, store, network or logging."""

from dewkeeper.judge.codec import DumpUnreadable
from dewkeeper.judge.core import Judge

__all__ = ["DumpUnreadable", "Judge"]
