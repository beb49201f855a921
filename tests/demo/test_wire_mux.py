"""The emulated TCA9548A against its data sheet, and what several sensors on one line do."""

from __future__ import annotations

import pytest

from dewkeeper_config.models import BusConfig
from dewkeeper_demo.wire import Wire, open_adapter, register_rack
from dewkeeper_demo.wire_chips import Mux, Sht3x
from dewkeeper_drivers.checksum import crc8


def sensor(number: int, temperature_c: float = 25.0) -> Sht3x:
    """A sensor whose serial is its number."""
    return Sht3x(lambda: (temperature_c, 50.0), serial=number)


def serial(wire: Wire) -> bytes:
    """The six bytes that come back when the serial number at 0x44 is asked for."""
    wire.transfer("write", 0x44, b"\x37\x80")
    return wire.transfer("read", 0x44, b"", 6)


@pytest.fixture
def wire() -> Wire:
    """Two multiplexers with a sensor on channel 3 of each."""
    made = Wire(keep=100)
    for address in (0x70, 0x71):
        made.add_mux(address).channels[3].append(sensor(address))
    return made


def test_closed_after_power_up(wire: Wire) -> None:
    """No channel is selected after power-up (data sheet, section 7.4): nobody answers."""
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("write", 0x44, b"")
    assert wire.transfer("read", 0x70, b"", 1) == b"\x00"


def test_selects_and_reads_back(wire: Wire) -> None:
    """The last byte written selects and can be read back; only that channel's sensor answers."""
    wire.transfer("write", 0x70, b"\x01\x08")
    assert wire.transfer("read", 0x70, b"", 1) == b"\x08"
    assert serial(wire)[3:5] == b"\x00\x70"


def test_two_open_channels_collide(wire: Wire) -> None:
    """Two sensors that answer together give the AND of their bits, whose checksum is wrong more often than not."""
    for address in (0x70, 0x71):
        wire.transfer("write", address, b"\x08")
    frame = serial(wire)
    assert frame[4] == 0x70 & 0x71
    assert frame[5] == crc8(b"\x00\x70") & crc8(b"\x00\x71")
    assert {chip.serial for chip in wire.trace[-1].answered if isinstance(chip, Sht3x)} == {0x70, 0x71}


def test_power_cycle_closes(wire: Wire) -> None:
    """A multiplexer that lost its supply, or whose RESET was pulsed, has no channel selected."""
    wire.transfer("write", 0x70, b"\x08")
    wire.muxes[0].power_cycle()
    with pytest.raises(OSError, match="Remote"):
        serial(wire)


def test_deaf_multiplexer_keeps_its_channel(wire: Wire) -> None:
    """A multiplexer that does not answer goes on connecting whatever it had selected."""
    wire.transfer("write", 0x70, b"\x08")
    wire.muxes[0].deaf = True
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("write", 0x70, b"\x00")
    assert serial(wire)[3:5] == b"\x00\x70"


def test_configuration_chooses_rack_and_wire() -> None:
    """Rack name and bus number choose the wire; one that is not there is missing like a device node."""
    rack = register_rack("chosen")
    rack.add(3).muxes.append(Mux(0x77))
    adapter = open_adapter(BusConfig(name="b", kind="wire", number=3, options={"rack": "chosen"}))
    adapter.write(0x77, b"\x00")
    adapter.close()
    for bus in (
        BusConfig(name="b", kind="wire", number=4, options={"rack": "chosen"}),
        BusConfig(name="b", kind="wire", number=3, options={"rack": "other"}),
    ):
        with pytest.raises(FileNotFoundError):
            open_adapter(bus)


def test_closed_adapter_is_closed() -> None:
    """A closed adapter fails as a closed file does, and closing twice is safe."""
    register_rack("closing").add(1)
    adapter = open_adapter(BusConfig(name="b", kind="wire", number=1, options={"rack": "closing"}))
    adapter.close()
    adapter.close()
    with pytest.raises(OSError, match="descriptor"):
        adapter.read(0x44, 1)
