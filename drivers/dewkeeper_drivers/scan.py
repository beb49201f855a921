"""Finding what hangs on buses and behind their multiplexers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_drivers.adapters import find_adapter, owned_by_kernel
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.errors import DriverError, ProbeError
from dewkeeper_drivers.multiplexers import ADDRESSES as MULTIPLEXER_ADDRESSES
from dewkeeper_drivers.registry import open_probe

ADDRESSES = range(0x08, 0x78)  # those outside are reserved: I2C-bus specification, UM10204, section 3.1.12
LOOK_SECONDS = 10.0
"""What asking every address of one branch may take. A sensor's second is too short on a slow machine that is busy."""

SENSOR_DRIVERS = {0x44: ("sht31d", "sht4x"), 0x45: ("sht31d", "sht4x"), 0x46: ("sht4x",)}
"""Address -> drivers to try, in this order: the SHT31-D's answer to its status question is unmistakable."""


@dataclass(frozen=True, slots=True)
class Found:
    """Something that answers. driver: None when none of ours understands it. Values are °C and %RH.

    owned: a driver of the kernel has it. Nothing was said to it, so nobody knows whether it answers.
    """

    bus: str
    address: int
    multiplexer: int | None = None
    channel: int | None = None
    driver: str | None = None
    serial: int | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None
    owned: bool = False


@dataclass(frozen=True, slots=True)
class Scanned:
    """One bus as it was found. multiplexers: addresses of those that answer and are ours to drive."""

    bus: BusConfig
    found: tuple[Found, ...]
    multiplexers: tuple[int, ...] = ()

    @property
    def hidden(self) -> tuple[int, ...]:
        """Addresses of sensors on the bus itself that a multiplexer's channels have too: two would answer at once."""
        direct = {one.address for one in self.found if one.multiplexer is None and one.address in SENSOR_DRIVERS}
        return tuple(sorted(direct)) if self.multiplexers else ()


def scan_bus(config: BusConfig) -> Scanned:
    """Return everything that answers on the bus and behind its multiplexers, declared or not. Raises BusError.

    Nothing is said to what a driver of the kernel has. Each look takes the bus for some 30 ms, so a daemon that reads it
    goes on meanwhile.
    """
    direct, owned = _direct(config)
    muxes = [address for address in direct if address in MULTIPLEXER_ADDRESSES]
    # Opened anew with every multiplexer there is, so that all of them are closed before anything is read.
    bus = Bus(_with_multiplexers(config, muxes), find_adapter(config.kind), read_seconds=LOOK_SECONDS)
    try:
        with bus.session(bus.port()):
            direct, owned = _answering(bus)
        found = [Found(config.name, address, owned=True) for address in owned]
        found += [_identify(bus, Found(config.name, a)) for a in direct if a not in MULTIPLEXER_ADDRESSES]
        for multiplexer in muxes:
            for channel in range(8):
                found += _behind(bus, multiplexer, channel, (*direct, *owned))
    finally:
        bus.close()
    return Scanned(config, tuple(found), tuple(muxes))


def each_once(scans: Sequence[Scanned], parents: dict[str, str]) -> list[Scanned]:
    """Return the same with every sensor, known by its serial number, at one place only.

    A channel of the kernel's multiplexer is a bus of its own, and what hangs before the multiplexer answers on each of
    them. parents: bus -> the bus it is a channel of.
    """
    places: dict[int, list[Found]] = defaultdict(list)
    for one in (one for scan in scans for one in scan.found if one.serial):
        places[one.serial or 0].append(one)
    kept = {_place_of(places[serial], parents) for serial in places}
    return [replace(scan, found=tuple(f for f in scan.found if not f.serial or f in kept)) for scan in scans]


def _place_of(seen: Sequence[Found], parents: dict[str, str]) -> Found:
    """Return where a sensor hangs: one that answers on several channels does so on the bus before them."""
    channels = [one for one in seen if one.bus in parents]
    before = [one for one in seen if one.bus not in parents]
    return channels[0] if len(channels) == 1 or not before else before[0]


def _direct(config: BusConfig) -> tuple[list[int], list[int]]:
    bus = Bus(config, find_adapter(config.kind), read_seconds=LOOK_SECONDS)
    try:
        with bus.session(bus.port()):
            return _answering(bus)
    finally:
        bus.close()


def _answering(bus: Bus) -> tuple[list[int], list[int]]:
    """Return the addresses that answer where the session is, and those that drivers of the kernel have."""
    owned = [address for address in ADDRESSES if owned_by_kernel(bus.link.adapter, address)]
    return [a for a in ADDRESSES if a not in owned and bus.link.ask(a, tries=2)], owned


def _with_multiplexers(config: BusConfig, addresses: Iterable[int]) -> BusConfig:
    return config.but(multiplexers=[Multiplexer(address=address) for address in addresses])


def _behind(bus: Bus, multiplexer: int, channel: int, elsewhere: Sequence[int]) -> list[Found]:
    bus.begin_cycle()
    try:
        with bus.session(bus.port(multiplexer, channel)):
            there = [a for a in ADDRESSES if a not in elsewhere and bus.link.ask(a, tries=2)]
    except ProbeError:
        return []  # a dead channel must not hide the others; `check` names it
    return [_identify(bus, Found(bus.name, address, multiplexer, channel)) for address in there]


def _identify(bus: Bus, found: Found) -> Found:
    for driver in SENSOR_DRIVERS.get(found.address, ()):
        # Each channel has a fresh budget: what a dead one before it wasted is not held against it.
        bus.begin_cycle()
        try:
            probe = open_probe(probe_config(found, driver), bus)
            sample, serial = probe.read(), probe.serial()
        except DriverError:
            continue
        return replace(
            found,
            driver=driver,
            serial=serial,
            temperature_c=sample.temperature_c,
            humidity_percent=sample.humidity_percent,
        )
    return found


def probe_config(found: Found, driver: str, name: str = "scan") -> ProbeConfig:
    """Return the configuration of what was found, as a probe of no enclosure yet."""
    return ProbeConfig(
        name=name,
        driver=driver,
        bus=found.bus,
        address=found.address,
        multiplexer=found.multiplexer,
        channel=found.channel,
    )
