"""Buses that share the wires of one controller, as the channels of a kernel's multiplexer do.

When the controller's line is held, a transfer on any of them takes a time-out, and none says more than the first
ones did. So after two in a row that worked until now the others are not asked in that cycle, and from then on one is
asked a cycle, each time another one, until any is heard.
"""

from __future__ import annotations

from dewkeeper_drivers.branches import ROOT, BranchFault
from dewkeeper_drivers.errors import BusStuck

_ENOUGH = 2
"""So many must fall silent one after the other: one alone is a dead channel, and two at once are rare."""


class Siblings:
    """All buses of one physical adapter. Used by the one thread that reads them. `name` is the adapter's."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._well: dict[str, bool] = {}
        self._fallen: set[str] = set()
        self._asked: set[str] = set()
        self._may_ask = False
        self._held_cycles = 0
        self._held = False
        self._why = ""

    def begin_cycle(self) -> None:
        """Start a poll."""
        self._fallen.clear()
        self._held_cycles = self._held_cycles + 1 if self._held else 0
        self._may_ask = True
        if self._asked >= self._well.keys():
            self._asked.clear()

    def refuse(self, bus: str) -> None:
        """Raise BusStuck if a bus need not be asked in this cycle: the wires that it shares are held."""
        self._well.setdefault(bus, True)
        if not self._held:
            return
        if bus in self._asked or not self._may_ask:
            raise BusStuck(f"bus {bus}: not asked, the wires of {self._name} are held: {self._why}")
        self._may_ask = False
        self._asked.add(bus)

    def note(self, bus: str, heard: bool, stuck: BusStuck | None) -> None:
        """Note how a session on a bus ended: whether anybody answered, and whether it timed out."""
        if heard:
            self._well[bus] = True
            self._held = False
            self._fallen.clear()
        elif stuck is not None:
            if self._well[bus]:
                self._fallen.add(bus)
            self._well[bus] = False
            self._why = str(stuck)
            if len(self._fallen) >= _ENOUGH:
                self._held, self._may_ask = True, False
                self._asked = set(self._fallen)

    def faults(self) -> tuple[BranchFault, ...]:
        """Return the fault of the wires they share, in place of one for each bus; none if they are not held."""
        return (BranchFault(self._name, ROOT, self._why, 0),) if self._held and self._held_cycles else ()
