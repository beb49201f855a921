"""The judge: what readings are worth, what stands, what to tell. Pure: no clock, store, network or logging."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dewkeeper.judge.core import Judge
    from dewkeeper.judge.dump import DumpUnreadable

__all__ = ["DumpUnreadable", "Judge"]


def __getattr__(name: str) -> Any:
    # When first asked for: what an alarm is called is read by every command, and the detectors are a sixth of its start.
    if name == "Judge":
        from dewkeeper.judge.core import Judge

        return Judge
    if name == "DumpUnreadable":
        from dewkeeper.judge.dump import DumpUnreadable

        return DumpUnreadable
    raise AttributeError(name)
