"""Finding what hangs on a bus, and saying it as configuration."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from dewkeeper_config.models import ProbeConfig
from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_demo.wire_faults import HeldLow
from dewkeeper_drivers.errors import BusAbsent
from dewkeeper_drivers.scan import as_toml, scan_bus


@pytest.fixture
def shelf(rig: Any) -> Any:
    """A direct SHT31-D, one of each kind behind an undeclared multiplexer, and something unknown."""
    rig.direct(1, 0x45)
    mux = rig.wire.add_mux(0x72)
    rig.behind(mux, 2, number=2)
    mux.channels[5].append(Sht4x(lambda: (22.0, 55.0), serial=77))
    rig.direct(3, 0x29)
    return rig


def test_finds_each_sensor_once_with_its_kind(shelf: Any) -> None:
    """Direct ones, those behind a multiplexer nobody declared, and unknown ones are found, each once."""
    config = shelf.config().model_copy(update={"multiplexers": []})
    found = {(f.multiplexer, f.channel, f.address): (f.driver, f.serial) for f in scan_bus(config)}
    assert found == {
        (None, None, 0x29): (None, None),
        (None, None, 0x45): ("sht31d", 1),
        (0x72, 2, 0x44): ("sht31d", 2),
        (0x72, 5, 0x44): ("sht4x", 77),
    }
    assert shelf.wire.muxes[0].mask == 0


def test_dead_channel_hides_no_other(shelf: Any) -> None:
    """A channel on which everything times out is left out; the rest is found."""
    shelf.wire.faults.append(HeldLow(branch=(0x72, 2)))
    assert {f.serial for f in scan_bus(shelf.config())} == {None, 1, 77}


def test_channels_left_open_are_not_taken_for_direct_probes(shelf: Any) -> None:
    """A channel that somebody left open is closed before anything is taken to be on the bus itself."""
    shelf.wire.muxes[0].mask = 1 << 2
    found = scan_bus(shelf.config().model_copy(update={"multiplexers": []}))
    assert [f.multiplexer for f in found if f.serial == 2] == [0x72]


def test_absent_bus_is_said(shelf: Any) -> None:
    """A bus that is not there is an error, not an empty list."""
    shelf.wire.exists = False
    with pytest.raises(BusAbsent):
        scan_bus(shelf.config())


def test_printed_table_is_valid_configuration(shelf: Any) -> None:
    """What is printed reads back as the probe that was found."""
    for found in scan_bus(shelf.config()):
        if found.driver is None:
            continue
        (table,) = tomllib.loads(as_toml(found, "b4", "B4"))["probe"]
        probe = ProbeConfig.model_validate(table)
        assert (probe.multiplexer, probe.channel, probe.address) == (found.multiplexer, found.channel, found.address)
        assert (probe.driver, probe.serial) == (found.driver, found.serial)
