"""A wire with sensors on it, and probes and buses opened on it as the daemon does.

Run under `python -m tests.kernel.under`, as CI does beside, the same tests reach the same wire as /dev/i2c-1, through
the library that talks to a real one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.amounts import LONG
from tests.kernel.emulated import EmulatedKernel

from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Mux, Sht3x
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.contract import SHT3X, Probe
from dewkeeper_drivers.registry import open_probe

OVER_KERNEL = "EMULATED_I2C" in os.environ
HERE = Path(__file__).parent

Seam = Callable[[Wire, BusConfig], BusConfig]
"""Makes a wire reachable, and returns the configuration with which it is reached."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Over the kernel leave out what is about what stands above the seam, and is run over the wire.

    The long run leaves nothing out.
    """
    if OVER_KERNEL and not LONG:
        above = [item for item in items if item.get_closest_marker("above_seam") and HERE in item.path.parents]
        config.hook.pytest_deselected(items=above)
        items[:] = [item for item in items if item not in above]


@pytest.fixture
def seam() -> Iterator[Seam]:
    """Give the seam below which the wire lies: the project's own adapter of it, or the kernel's device."""
    if not OVER_KERNEL:
        yield lambda wire, config: config
        return
    with EmulatedKernel(Path(os.environ["EMULATED_I2C"])) as kernel:

        def served(wire: Wire, config: BusConfig) -> BusConfig:
            if wire.number not in kernel.adapters:
                kernel.add(wire)
            kernel.adapters[wire.number].controller.wire = wire  # an example of hypothesis has one of its own
            return config.but(kind="linux", options={})

        yield served
        assert not +kernel.opened, "a device was left open"


class Rig:
    """One wire and what was opened on it. Every sensor has its own air: its number, in words, in both values."""

    def __init__(self, name: str, seam: Seam) -> None:
        self.name = name
        self._seam = seam
        self.rack = register_rack(name)
        self.wire: Wire = self.rack.add(number=1, keep=10_000)
        self.buses: list[Bus] = []

    def sensor(self, number: int, address: int = 0x44) -> Sht3x:
        """Return an SHT3x whose words and serial are its number."""
        return Sht3x(lambda: SHT3X.decode(20_000 + number, 30_000 + number), serial=number, address=address)

    def direct(self, number: int = 1, address: int = 0x44) -> Sht3x:
        """Hang a sensor on the bus itself."""
        chip = self.sensor(number, address)
        self.wire.attach(chip)
        return chip

    def behind(self, mux: Mux, channel: int, number: int, address: int = 0x44) -> Sht3x:
        """Hang a sensor on a channel."""
        chip = self.sensor(number, address)
        mux.channels[channel].append(chip)
        return chip

    def config(self, **changes: Any) -> BusConfig:
        """Return the configuration of the wire with all its multiplexers."""
        options = {"rack": self.name, **changes.pop("options", {})}
        muxes = [Multiplexer(address=mux.address) for mux in self.wire.muxes]
        return self._seam(
            self.wire, BusConfig(name="w", kind="wire", number=1, multiplexers=muxes, options=options, **changes)
        )

    def bus(self, **changes: Any) -> Bus:
        """Open the bus; closed after the test."""
        bus = open_bus(self.config(**changes))
        self.buses.append(bus)
        return bus

    def probe(
        self, bus: Bus, address: int = 0x44, mux: int | None = None, channel: int | None = None, driver: str = "sht31d"
    ) -> Probe:
        """Open a probe."""
        return open_probe(probe_config(address, mux, channel, driver), bus)

    def sent(self, kind: str, address: int) -> list[bytes]:
        """Return what was written to, or read from, an address."""
        return [
            t.data if kind == "write" else t.result or b""
            for t in self.wire.trace
            if t.kind == kind and t.address == address
        ]


def probe_config(
    address: int | None = 0x44, mux: int | None = None, channel: int | None = None, driver: str = "sht31d", **rest: Any
) -> ProbeConfig:
    """Return the configuration of a probe."""
    where = "" if mux is None else f"{mux:x}-{channel}-"
    fields = {"name": f"p{where}{address or 0:x}", "bus": "w", **rest}
    return ProbeConfig(enclosure="B4", driver=driver, address=address, multiplexer=mux, channel=channel, **fields)


@pytest.fixture
def make_config() -> Callable[..., ProbeConfig]:
    """Give the function that makes probe configurations."""
    return probe_config


@pytest.fixture
def rig(request: pytest.FixtureRequest, seam: Seam) -> Iterator[Rig]:
    """Give a wire of this test's own; everything opened on it must be let go of."""
    made = Rig(request.node.name, seam)
    yield made
    for bus in made.buses:
        bus.close()
    assert made.wire.opened == 0, "an adapter was left open"
