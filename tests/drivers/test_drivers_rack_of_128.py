"""128 probes behind eight multiplexers, by the emulated bus's own clock."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.wire.wire_faults import HeldLow
from tests.wire.wire_large import LargeRack, large_rack

from dewkeeper_config.models import BusConfig
from dewkeeper_demo.wire import Wire
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import ProbeError
from dewkeeper_drivers.registry import open_probe

LONGEST_CYCLE_SECONDS = 5.0
WORST_EXTRA_SECONDS = 2.0


class Cycles:
    """A full rack, opened."""

    def __init__(self, seam: Callable[[Wire, BusConfig], BusConfig]) -> None:
        self.rack: LargeRack = large_rack("128")
        self.bus: Bus = open_bus(seam(self.rack.wire, self.rack.bus))
        self.probes: list[Probe] = [open_probe(config, self.bus) for config in self.rack.probes]

    def cycle(self) -> tuple[float, int]:
        """Return the seconds a cycle took on the wire's clock and how many readings it gave."""
        began, good = self.rack.wire.now(), 0
        self.bus.begin_cycle()
        for probe in self.probes:
            try:
                probe.read()
            except ProbeError:
                continue
            good += 1
        self.bus.end_cycle()
        return self.rack.wire.now() - began, good


@pytest.fixture
def full(seam: Callable[[Wire, BusConfig], BusConfig]) -> Cycles:
    """Give the full rack."""
    return Cycles(seam)


def test_cycle_of_128_probes(full: Cycles) -> None:
    """A cycle takes at most 5 s and exactly one conversion of every probe."""
    before = {name: chip.converted for name, chip in full.rack.chips.items()}
    seconds, good = full.cycle()
    full.bus.close()
    assert good == 128
    assert seconds <= LONGEST_CYCLE_SECONDS
    assert all(chip.converted == before[name] + 1 for name, chip in full.rack.chips.items())


@pytest.mark.above_seam
def test_dead_branch_in_128_probes(full: Cycles) -> None:
    """One dead branch adds at most 2 s to any cycle and costs its own two probes only."""
    healthy, _ = full.cycle()
    full.rack.wire.faults.append(HeldLow(branch=(0x74, 5)))
    for _ in range(10):
        seconds, good = full.cycle()
        assert good == 126
        assert seconds <= healthy + WORST_EXTRA_SECONDS
    full.bus.close()


def test_all_probes_unplugged(full: Cycles) -> None:
    """With every probe of the rack unplugged a cycle still ends within half a minute of poll."""
    for chip in full.rack.chips.values():
        chip.plugged = False
    seconds, good = full.cycle()
    full.bus.close()
    assert good == 0
    assert seconds <= 30.0
