"""What is wrong with parts of the wiring, for the judge to tell as the cause when their probes stay silent."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import SystemReport
from dewkeeper_config.models import BusConfig
from dewkeeper_drivers.branches import BranchFault
from dewkeeper_drivers.diagnosis import Diagnosis

STUCK_SECONDS = 120.0
"""A call on an adapter that lasts longer does not return: the kernel gives up a transfer within a second or two."""


def adapter_name(bus: BusConfig) -> str:
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
    troubles: part -> why its probes were never read, as looked into on the bus.
    """

    def __init__(
        self,
        faults: Callable[[], Iterable[BranchFault]],
        stuck: Callable[[], Mapping[str, float]],
        troubles: Callable[[], Mapping[str, Diagnosis]] = dict,
    ) -> None:
        self._faults = faults
        self._stuck = stuck
        self._troubles = troubles
        self._told: dict[str, str] = {}

    def __call__(self, now: int) -> list[SystemReport]:
        """Return what changed since the last call."""
        sick = {
            part: SystemReport(now, _what(part), True, f"tried again and again, {fault.why}", part=part)
            for fault in self._faults()
            for part in [part_name(fault.bus, fault.branch.multiplexer, fault.branch.channel)]
        }
        for part, found in self._troubles().items():
            advice = f"{found.advice} ({TYPED})" if "`" in found.advice else found.advice
            sick[part] = SystemReport(
                now, _what(part), True, found.text, part=part, response=advice, action=found.brief
            )
        for part, seconds in self._stuck().items():
            if seconds >= STUCK_SECONDS:
                text = "a call on it does not return; the daemon restarts itself if it stays so"
                sick[part] = SystemReport(now, _what(part), True, text, part=part)
        over = [SystemReport(now, _what(part), False, part=part) for part in sorted(self._told.keys() - sick.keys())]
        # The watch passes on what begins and what ends. Another reason than before is the end of that one.
        over += [
            SystemReport(now, _what(p), False, part=p) for p, s in sick.items() if self._told.get(p, s.text) != s.text
        ]
        self._told = {part: report.text for part, report in sick.items()}
        return [*over, *sick.values()]


def _what(part: str) -> str:
    return part if part.startswith("probe ") else f"bus {part}"
