"""100,000 readings in all (a tenth outside CI and over the kernel's seam) over a wire that misbehaves: none hangs, none is another sensor's.

The judge is the wire's own trace: for each reading it must hold an answer of six bytes, with the reading's words, that
exactly one sensor gave: the probe's own.
"""

from __future__ import annotations

import errno
import random
from collections import Counter
from collections.abc import Callable
from functools import partial
from itertools import takewhile
from typing import Any

import pytest
from tests.amounts import amount
from tests.wire.wire_faults import BitFlips, Noise, Refuse, Swallow
from tests.wire.wire_large import LargeRack, large_rack

from dewkeeper_config.models import BusConfig
from dewkeeper_demo.wire import Transfer, Wire
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.checksum import packed
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import ProbeError
from dewkeeper_drivers.registry import open_probe

TRANSFERS_OF_A_READING = 400  # far more than the longest one with all its tries

pytestmark = pytest.mark.above_seam


def _later(number: int, transfer: Transfer) -> bool:
    return transfer.number > number


class Reader:
    """Reads a rack as a sampler does, reopening what failed, and has every reading judged by the trace."""

    def __init__(self, rack: LargeRack, seam: Callable[[Wire, BusConfig], BusConfig]) -> None:
        self.rack = rack
        self.bus: Bus = open_bus(seam(rack.wire, rack.bus))
        self.open: dict[str, Probe] = {}
        self.outcomes: Counter[str] = Counter()

    def cycle(self) -> None:
        self.bus.begin_cycle()
        for config in self.rack.probes:
            before = self.rack.wire.transfers
            try:
                if config.name not in self.open:
                    self.open[config.name] = open_probe(config, self.bus)
                sample = self.open[config.name].read()
            except ProbeError as error:
                self.open.pop(config.name, None)
                self.outcomes[type(error).__name__] += 1
                continue
            chip = self.rack.chips[config.name]
            frame = packed(sample.temperature_word, sample.humidity_word)
            number = config.name[1:]
            assert (sample.temperature_word, sample.humidity_word) == (26_000 + int(number), 40_000 + int(number))
            told = takewhile(partial(_later, before), reversed(self.rack.wire.trace))
            assert any(transfer.result == frame and transfer.answered == (chip,) for transfer in told), (
                f"reading of {config.name} is not an answer of its own sensor alone"
            )
            self.outcomes["good"] += 1
        self.bus.end_cycle()


def _flicker(seed: int) -> Callable[[Any, Any, Any], None]:
    """Multiplexers that go deaf, lose their supply or are opened by somebody else, at any transfer."""
    dice = random.Random(seed)

    def fault(wire: Any, transfer: Any, happen: Any) -> None:
        mux = dice.choice(wire.muxes)
        what = dice.random()
        if what < 0.001:
            mux.deaf = not mux.deaf
        elif what < 0.0015:
            mux.plugged = not mux.plugged
            mux.power_cycle()
        elif what < 0.02:
            mux.deaf, mux.plugged = False, True
        happen()

    return fault


def _plugs(seed: int) -> Callable[[Any, Any, Any], None]:
    """Sensors that are pulled and put back, at any transfer."""
    dice = random.Random(seed)

    def fault(wire: Any, transfer: Any, happen: Any) -> None:
        if dice.random() < 0.002:
            chip = dice.choice(dice.choice(dice.choice(wire.muxes).channels))
            chip.plugged = not chip.plugged
            chip.power_cycle(wire.now())
        happen()

    return fault


SCENES: dict[str, tuple[int, Callable[[], list[Any]]]] = {
    "20 % refused": (30_000, lambda: [Noise(share=0.2, code=errno.EREMOTEIO)]),
    "20 % arbitration lost": (25_000, lambda: [Noise(share=0.2, code=errno.EAGAIN, seed=2)]),
    "damaged answers": (
        20_000,
        lambda: [BitFlips(share=0.05), BitFlips(share=0.05, bits=8, seed=3, addresses=range(0x44, 0x78))],
    ),
    "flickering multiplexers, pulled plugs": (10_000, lambda: [_flicker(4), _plugs(5), Noise(share=0.05)]),
    "writes lost unnoticed": (
        15_000,
        lambda: [_rarely(Swallow(), 6), _flicker(7), _rarely(Refuse(code=errno.EIO), 8)],
    ),
}
"""Kind of trouble -> how many readings, and its faults. The numbers add up to 100,000."""


def _rarely(fault: Any, seed: int, share: float = 0.02) -> Callable[[Any, Any, Any], None]:
    dice = random.Random(seed)

    def sometimes(wire: Any, transfer: Any, happen: Any) -> None:
        (fault(wire, transfer, happen) if dice.random() < share else happen())

    return sometimes


@pytest.mark.parametrize("scene", SCENES)
def test_no_reading_is_another_sensors(scene: str, seam: Callable[[Wire, BusConfig], BusConfig]) -> None:
    """Under each kind of trouble every reading that arrives is its own sensor's, and many arrive."""
    readings, faults = SCENES[scene]
    readings //= amount(20, 1)
    rack = large_rack(f"judge {scene}", keep=TRANSFERS_OF_A_READING)
    reader = Reader(rack, seam)
    rack.wire.faults.extend(faults())
    while reader.outcomes.total() < readings:
        reader.cycle()
    reader.bus.close()
    assert reader.outcomes["good"] > readings * 0.3, reader.outcomes
