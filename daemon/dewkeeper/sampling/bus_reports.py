"""Branches of buses that are given up, as reports of the daemon's own health: one a branch, over when it is back."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from dewkeeper.judge.types import SystemReport
from dewkeeper_drivers.buses import BranchFault


class BusReports:
    """A source for the watch. faults: the branches in quarantine now."""

    def __init__(self, faults: Callable[[], Iterable[BranchFault]]) -> None:
        self._faults = faults
        self._told: set[str] = set()

    def __call__(self, now: int) -> list[SystemReport]:
        """Return a report for each branch given up, and one for each that is back since the last call."""
        sick = {f"bus {fault.bus}, {fault.branch}": fault.why for fault in self._faults()}
        over = sorted(self._told - set(sick))
        self._told = set(sick)
        reports = [
            SystemReport(now, what, True, f"{what}: not read for now, tried again and again. {why}")
            for what, why in sick.items()
        ]
        return reports + [SystemReport(now, what, False) for what in over]
