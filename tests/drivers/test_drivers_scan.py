"""Finding what hangs on a bus, and saying it as configuration."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tests.wire.wire_faults import HeldLow, Slow

from dewkeeper_config.models import BusConfig
from dewkeeper_demo.wire_chips import Sht4x
from dewkeeper_drivers.adapters import parent_number
from dewkeeper_drivers.errors import BusAbsent
from dewkeeper_drivers.scan import each_once, scan_bus


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
    config = shelf.config().but(multiplexers=[])
    found = {(f.multiplexer, f.channel, f.address): (f.driver, f.serial) for f in scan_bus(config).found}
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
    assert {f.serial for f in scan_bus(shelf.config()).found} == {None, 1, 77}


def test_channels_left_open_are_not_taken_for_direct_probes(shelf: Any) -> None:
    """A channel that somebody left open is closed before anything is taken to be on the bus itself."""
    shelf.wire.muxes[0].mask = 1 << 2
    found = scan_bus(shelf.config().but(multiplexers=[])).found
    assert [f.multiplexer for f in found if f.serial == 2] == [0x72]


def test_a_machine_that_asks_slowly_finds_everything_too(shelf: Any) -> None:
    """Where each question takes 10 ms, all of a branch's addresses take longer than one reading ever may."""
    shelf.wire.faults.append(Slow(0.01))
    assert {f.serial for f in scan_bus(shelf.config()).found} == {None, 1, 2, 77}


def test_absent_bus_is_said(shelf: Any) -> None:
    """A bus that is not there is an error, not an empty list."""
    shelf.wire.exists = False
    with pytest.raises(BusAbsent):
        scan_bus(shelf.config())


def test_nothing_is_said_to_a_chip_that_a_driver_of_the_kernel_has(shelf: Any) -> None:
    """An address that belongs to the kernel is shown as that; no transfer of the whole scan names it."""
    shelf.wire.owned = {0x45, 0x72}
    scanned = scan_bus(shelf.config().but(multiplexers=[]))
    assert {(f.address, f.owned, f.driver) for f in scanned.found} == {
        (0x29, False, None), (0x45, True, None), (0x72, True, None),
    }  # fmt: skip
    assert scanned.multiplexers == ()
    assert {t.address for t in shelf.wire.trace}.isdisjoint({0x45, 0x72})


def test_a_sensor_that_shows_on_every_channel_of_the_kernel_is_listed_once(rig: Any) -> None:
    """What hangs before the kernel's multiplexer answers on each of its channels: it is on the bus before them."""
    # The same sensor on several wires, each of which keeps its own time: a chip each with the same serial number.
    for number, chips in ((1, ["before"]), (10, ["before", "behind"]), (11, ["before"])):
        rig.rack.add(number).chips.extend(rig.sensor(1, 0x45) if chip == "before" else rig.sensor(2) for chip in chips)
    buses = [
        BusConfig(name=f"i2c{number}", kind="wire", number=number, options={"rack": rig.name}) for number in (1, 10, 11)
    ]
    found = each_once([scan_bus(bus) for bus in buses], {"i2c10": "i2c1", "i2c11": "i2c1"})
    assert [(f.bus, f.serial) for scan in found for f in scan.found] == [("i2c1", 1), ("i2c10", 2)]


def test_a_channel_left_open_does_not_move_its_sensor_to_the_bus_before_it(rig: Any) -> None:
    """Without `idle_state` the last channel stays open, and its sensor answers on the bus itself too."""
    for number, chips in ((1, 1), (10, 1), (11, 0)):
        rig.rack.add(number).chips.extend(rig.sensor(2) for _ in range(chips))
    buses = [
        BusConfig(name=f"i2c{number}", kind="wire", number=number, options={"rack": rig.name}) for number in (1, 10, 11)
    ]
    found = each_once([scan_bus(bus) for bus in buses], {"i2c10": "i2c1", "i2c11": "i2c1"})
    assert [(f.bus, f.serial) for scan in found for f in scan.found] == [("i2c10", 2)]


def test_which_bus_a_channel_belongs_to_is_read_from_the_kernel(tmp_path: Path) -> None:
    """/sys/bus/i2c/devices/i2c-10 lies inside i2c-1 when it is a channel of a multiplexer there."""
    channel = tmp_path / "devices" / "soc" / "i2c-1" / "i2c-10"
    channel.mkdir(parents=True)
    listed = tmp_path / "bus"
    listed.mkdir()
    (listed / "i2c-10").symlink_to(channel)
    (listed / "i2c-1").symlink_to(channel.parent)
    assert [parent_number(number, listed) for number in (10, 1, 4)] == [1, None, None]
