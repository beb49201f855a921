"""The emulated SHT3x against its data sheet, transfer by transfer. Sections are of SHT3x-DIS version 7."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc8Nrsc5
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.checksum import crc8


@pytest.fixture
def wire() -> Wire:
    """A wire with one SHT3x in 25 °C, 60 %."""
    made = Wire()
    made.attach(Sht3x(lambda: (25.0, 60.0), serial=0x12345678))
    return made


def ask(wire: Wire, command: int, count: int, wait_seconds: float = 0.0) -> bytes:
    """Send a command, wait, read."""
    wire.transfer("write", 0x44, command.to_bytes(2, "big"))
    wire.pass_time(wait_seconds)
    return wire.transfer("read", 0x44, b"", count)


@given(st.binary(max_size=64))
def test_checksum_agrees_with_crccheck(data: bytes) -> None:
    """Our checksum is CRC-8/NRSC-5 of the public package crccheck for any bytes."""
    assert crc8(data) == Crc8Nrsc5.calc(data)


def test_checksum_example_of_the_data_sheet() -> None:
    """0xBEEF has the checksum 0x92 (section 4.12)."""
    assert crc8(b"\xbe\xef") == 0x92


def test_conversion_takes_its_time(wire: Wire) -> None:
    """A high-repeatability conversion is not answered before 15 ms (table 4) and is after."""
    wire.transfer("write", 0x44, b"\x24\x00")
    wire.pass_time(0.0145)
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("read", 0x44, b"", 6)
    wire.pass_time(0.0005)
    frame = wire.transfer("read", 0x44, b"", 6)
    assert frame[2] == crc8(frame[:2])
    assert frame[5] == crc8(frame[3:5])


def test_answer_is_given_once(wire: Wire) -> None:
    """Without a new command there is nothing more to read."""
    ask(wire, 0x2400, 6, 0.016)
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("read", 0x44, b"", 6)


def test_commands_during_a_conversion_are_not_acknowledged(wire: Wire) -> None:
    """A busy sensor does not answer."""
    wire.transfer("write", 0x44, b"\x24\x00")
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("write", 0x44, b"\xf3\x2d")


def test_reset_flag_heater_and_clear(wire: Wire) -> None:
    """Bit 4 is set after power-up and until cleared, bit 13 while the heater is on (sections 4.10, 4.11)."""
    assert ask(wire, 0xF32D, 3)[1] & 0x10
    wire.transfer("write", 0x44, b"\x30\x41")
    assert not ask(wire, 0xF32D, 3)[1] & 0x10
    wire.transfer("write", 0x44, b"\x30\x6d")
    assert ask(wire, 0xF32D, 3)[0] & 0x20
    wire.transfer("write", 0x44, b"\x30\x66")
    assert not ask(wire, 0xF32D, 3)[0] & 0x20


def test_soft_reset_takes_its_time_and_ends_the_heater(wire: Wire) -> None:
    """After a soft reset the sensor is away for 1.5 ms (table 4) and comes back with heater off and flag set."""
    wire.transfer("write", 0x44, b"\x30\x6d")
    wire.transfer("write", 0x44, b"\x30\xa2")
    with pytest.raises(OSError, match="Remote"):
        wire.transfer("write", 0x44, b"\xf3\x2d")
    wire.pass_time(0.0016)
    status = ask(wire, 0xF32D, 3)
    assert not status[0] & 0x20
    assert status[1] & 0x10


def test_serial_number_is_two_words(wire: Wire) -> None:
    """Command 0x3780 gives the serial number, each word with its checksum."""
    frame = ask(wire, 0x3780, 6)
    assert frame[:2] + frame[3:5] == bytes.fromhex("12345678")
    assert Crc8Nrsc5.calc(frame[:2]) == frame[2]


def test_unknown_command_sets_its_status_bit(wire: Wire) -> None:
    """A command the sensor does not know sets bit 1."""
    wire.transfer("write", 0x44, b"\x12\x34")
    assert ask(wire, 0xF32D, 3)[1] & 0x02


def test_heater_warms_and_dries(wire: Wire) -> None:
    """With the heater on the air reads warmer and drier than it is."""
    cold = ask(wire, 0x2400, 6, 0.016)
    wire.transfer("write", 0x44, b"\x30\x6d")
    warm = ask(wire, 0x2400, 6, 0.016)
    assert warm[:2] > cold[:2]
    assert warm[3:5] < cold[3:5]


def test_transfers_take_their_bits(wire: Wire) -> None:
    """Six bytes and their address take 65 bit times at 100 kHz."""
    wire.transfer("write", 0x44, b"\x24\x00")
    wire.pass_time(0.016)
    before = wire.now()
    wire.transfer("read", 0x44, b"", 6)
    assert wire.now() - before == pytest.approx(650e-6)
