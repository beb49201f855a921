"""Finding what hangs on a bus and behind its multiplexers, and saying it as configuration."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dewkeeper_config.models import Bus as BusConfig
from dewkeeper_config.models import Multiplexer, ProbeConfig
from dewkeeper_drivers.adapters import find_adapter
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.errors import DriverError, ProbeError
from dewkeeper_drivers.table import open_probe

MULTIPLEXER_ADDRESSES = range(0x70, 0x78)
SENSOR_DRIVERS = {0x44: ("sht31d", "sht4x"), 0x45: ("sht31d", "sht4x"), 0x46: ("sht4x",)}
"""Address -> drivers to try, in this order: the SHT31-D's answer to its status question is unmistakable."""


@dataclass(frozen=True, slots=True)
class Found:
    """Something that answers. driver: None when none of ours understands it. Values are °C and %RH."""

    bus: str
    address: int
    multiplexer: int | None = None
    channel: int | None = None
    driver: str | None = None
    serial: int | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None


def scan_bus(config: BusConfig) -> list[Found]:
    """Return everything that answers on the bus and behind its multiplexers, declared or not. Raises BusError.

    Each look takes the bus for some 30 ms, so a daemon that reads it goes on meanwhile.
    """
    bus = Bus(config, find_adapter(config.kind))
    try:
        with bus.session(root := bus.port()):
            direct = root.scan()
    finally:
        bus.close()
    muxes = [address for address in direct if address in MULTIPLEXER_ADDRESSES]
    # Opened anew with every multiplexer there is, so that all of them are closed before anything is read.
    bus = Bus(_with_multiplexers(config, muxes), find_adapter(config.kind))
    try:
        with bus.session(root := bus.port()):
            direct = root.scan()
        found = [_identify(bus, Found(config.name, a)) for a in direct if a not in MULTIPLEXER_ADDRESSES]
        for multiplexer in muxes:
            for channel in range(8):
                found += _behind(bus, multiplexer, channel, direct)
    finally:
        bus.close()
    return found


def _with_multiplexers(config: BusConfig, addresses: Iterable[int]) -> BusConfig:
    return config.model_copy(update={"multiplexers": [Multiplexer(address=address) for address in addresses]})


def _behind(bus: Bus, multiplexer: int, channel: int, direct: Sequence[int]) -> list[Found]:
    bus.begin_cycle()
    try:
        with bus.session(port := bus.port(multiplexer, channel)):
            there = [address for address in port.scan() if address not in direct]
    except ProbeError:
        return []  # a dead channel must not hide the others; `check` names it
    return [_identify(bus, Found(bus.name, address, multiplexer, channel)) for address in there]


def _identify(bus: Bus, found: Found) -> Found:
    for driver in SENSOR_DRIVERS.get(found.address, ()):
        bus.begin_cycle()
        try:
            probe = open_probe(_probe_config(found, driver), bus)
            sample, serial = probe.read(), probe.serial()
        except DriverError:
            continue
        return Found(
            found.bus,
            found.address,
            found.multiplexer,
            found.channel,
            driver,
            serial,
            sample.temperature_c,
            sample.humidity_percent,
        )
    return found


def _probe_config(found: Found, driver: str) -> ProbeConfig:
    return ProbeConfig(
        name="scan",
        driver=driver,
        bus=found.bus,
        address=found.address,
        multiplexer=found.multiplexer,
        channel=found.channel,
    )


def as_toml(found: Found, name: str, enclosure: str) -> str:
    """Return the `[[probe]]` table of what was found, ready for the configuration file."""
    lines = ["[[probe]]", f'name = "{name}"', f'enclosure = "{enclosure}"', f'driver = "{found.driver}"']
    lines += [f'bus = "{found.bus}"', f"address = {found.address:#04x}"]
    if found.multiplexer is not None:
        lines += [f"multiplexer = {found.multiplexer:#04x}", f"channel = {found.channel}"]
    if found.serial is not None:
        lines.append(f"serial = {found.serial}")
    if found.temperature_c is not None and found.humidity_percent is not None:
        lines.append(f"# reads {found.temperature_c:.1f} °C, {found.humidity_percent:.0f} %RH now")
    return "\n".join(lines) + "\n"
