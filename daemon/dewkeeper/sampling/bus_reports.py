"""What is wrong with parts of the wiring, for the judge to tell as the cause when their probes stay silent."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from dewkeeper.judge.types import SystemReport
from dewkeeper_config.models import Bus
from dewkeeper_drivers.buses import BranchFault

STUCK_SECONDS = 120.0
"""A call on an adapter that lasts longer does not return: the kernel gives up a transfer within a second or two."""


def adapter_name(bus: Bus) -> str:
    """Return the name of the physical adapter a bus hangs on."""
    return bus.adapter or bus.name


def part_name(bus: str | None, multiplexer: int | None, channel: int | None) -> str:
    """Name a part of the wiring, which fails together: the bus, a multiplexer on it, or one of its channels."""
    if bus is None:
        return ""
    if multiplexer is None:
        return bus
    return f"{bus} multiplexer {multiplexer:#04x}" + ("" if channel is None else f" channel {channel}")


class BusReports:
    """A source for the watch: one report for each part given up, and one when it is back.

    faults: the branches in quarantine now. stuck: seconds since which each adapter's worker is busy, where it is.
    """

    def __init__(self, faults: Callable[[], Iterable[BranchFault]], stuck: Callable[[], Mapping[str, float]]) -> None:
        self._faults = faults
        self._stuck = stuck
        self._told: set[str] = set()

    def __call__(self, now: int) -> list[SystemReport]:
        """Return what changed since the last call."""
        sick = {
            part_name(fault.bus, fault.branch.multiplexer, fault.branch.channel): f"tried again and again, {fault.why}"
            for fault in self._faults()
        }
        for adapter, seconds in self._stuck().items():
            if seconds >= STUCK_SECONDS:
                sick[adapter] = "a call on it does not return; the daemon restarts itself if it stays so"
        over = sorted(self._told - set(sick))
        self._told = set(sick)
        reports = [SystemReport(now, f"bus {part}", True, text, part=part) for part, text in sick.items()]
        return reports + [SystemReport(now, f"bus {part}", False, part=part) for part in over]
