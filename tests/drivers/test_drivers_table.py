"""Finding drivers and bus kinds by name."""

from __future__ import annotations

from typing import Any

import pytest

from dewkeeper_drivers.adapters import find_adapter
from dewkeeper_drivers.errors import BusAbsent, DriverUnknown, DriverUnusable
from dewkeeper_drivers.registry import BUILT_IN, find_driver, known_drivers, open_probe


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_built_in_driver_loads(name: str) -> None:
    """Every name in the table leads to a factory."""
    assert callable(find_driver(name))
    assert name in known_drivers()


def test_unknown_driver_names_those_there_are(make_config: Any) -> None:
    """A misspelt driver is refused with the names to choose from."""
    with pytest.raises(DriverUnusable, match="sht31d") as caught:
        open_probe(make_config(driver="sht13d"), None)
    assert isinstance(caught.value, DriverUnknown)
    assert caught.value.name == "sht13d"


def test_wire_comes_from_an_installed_package() -> None:
    """The demonstration's bus kind is found by entry point, as a stranger's would be."""
    assert find_adapter("wire").__module__ == "dewkeeper_demo.wire"


def test_unknown_bus_kind_names_those_there_are() -> None:
    """A misspelt bus kind is refused with the names to choose from."""
    with pytest.raises(DriverUnknown, match="linux"):
        find_adapter("lynx")


def test_linux_bus_that_does_not_exist_is_absent(make_config: Any) -> None:
    """On a machine without /dev/i2c-250 the genuine adapter fails as an absent bus, again and again."""
    from dewkeeper_config.models import BusConfig
    from dewkeeper_drivers.buses import open_bus

    bus = open_bus(BusConfig(name="w", kind="linux", number=250))
    for _ in range(2):
        with pytest.raises(BusAbsent, match="i2c-250"):
            open_probe(make_config(), bus)
    bus.close()
