"""Which driver a name in the configuration means: our own in a plain table, others by the entry-point group."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING

from dewkeeper_config.models import ProbeConfig
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import DriverBroken, DriverUnknown

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

DRIVER_GROUP = "dewkeeper.drivers"

OpenProbe = Callable[[ProbeConfig, "Bus | None"], Probe]

BUILT_IN: dict[str, str] = {
    "hwmon": "dewkeeper_drivers.hwmon",
    "sht31d": "dewkeeper_drivers.sht31d",
    "sht4x": "dewkeeper_drivers.sht4x",
    "simulated": "dewkeeper_drivers.simulated",
}
"""Name -> module with `open_probe`; imported when first used, so nothing pays for sensors it does not have."""


def known_drivers() -> list[str]:
    """Return the names of all drivers, installed ones included."""
    return sorted({*BUILT_IN, *_installed()})


def _installed() -> dict[str, EntryPoint]:
    from importlib.metadata import entry_points  # costs three starts of Python, and reads through everything installed

    return {entry.name: entry for entry in entry_points(group=DRIVER_GROUP)}


def find_driver(name: str) -> OpenProbe:
    """Return the driver's factory. Raises DriverUnknown, DriverBroken; both are DriverUnusable."""
    found = {} if name in BUILT_IN else _installed()
    if name not in BUILT_IN and name not in found:
        raise DriverUnknown(name, known_drivers())
    try:
        factory: OpenProbe = import_module(BUILT_IN[name]).open_probe if name in BUILT_IN else found[name].load()
    except Exception as error:  # importing a stranger's module may raise anything
        raise DriverBroken(f"driver {name!r} cannot be loaded: {error}") from error
    return factory


def open_probe(config: ProbeConfig, bus: Bus | None) -> Probe:
    """Return the configured probe, opened. Raises ProbeError, DriverUnusable."""
    return find_driver(config.driver)(config, bus)
