"""SHT30, SHT31 and SHT35 through the genuine CircuitPython library, one conversion a reading.

The library's public properties convert once each: 33 ms, and temperature and humidity from two instants. One call of
its private `_data` gives both from one. tests/drivers/test_drivers_sht31d_library.py fails when that changes; the
version range is pinned in pyproject.toml.
"""

from __future__ import annotations

from typing import Any

from dewkeeper_config.models import ProbeConfig
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.checksum import crc8
from dewkeeper_drivers.contract import SHT3X, Sample
from dewkeeper_drivers.errors import ProbeCrc, ProbeError, ProbeGarbled, ProbeMissing, ProbeReset
from dewkeeper_drivers.options import NoOptions
from dewkeeper_drivers.sensirion import Conversation, port_for

ADDRESSES = (0x44, 0x45)

# SHT3x-DIS data sheet v7, sections 4.9 to 4.11. The library reads the status without checking it and cannot clear it.
_READ_STATUS = b"\xf3\x2d"
_CLEAR_STATUS = b"\x30\x41"
_HEATER_OFF = b"\x30\x66"
_STATUS_HEATER = 1 << 13
_STATUS_RESET = 1 << 4
_COMMAND_PAUSE_SECONDS = 0.001  # the least between two commands: data sheet v7, section 4


Options = NoOptions


class Sht31dProbe:
    """An opened SHT31-D: reset, heater off, its restart flag cleared, so that the next restart is its own."""

    def __init__(self, config: ProbeConfig, bus: Bus | None) -> None:
        """Open it. Raises ProbeError, DriverUnusable."""
        port = port_for(config, bus, ADDRESSES)
        self._talk = Conversation(port, config.name, port.address or 0)
        self._chip: Any = None
        self._talk.run("open", self._open)

    def read(self) -> Sample:
        """Make one conversion; notes `heater_on`, `reset_seen` and `crc_burst`. Raises ProbeError."""
        return self._talk.noting(self._talk.run("read", self._read))

    def serial(self) -> int | None:
        """Return the 32-bit serial number, asked anew. Raises ProbeError."""
        return self._talk.run("ask for the serial number", lambda: self._talk.who(self._ask_serial))

    def close(self) -> None:
        """Nothing is kept open between readings."""

    def _open(self) -> None:
        library = self._talk.port.bus.link.library("adafruit_sht31d")
        self._chip = library.SHT31D(self._talk.port, self._talk.address)  # break and soft reset
        self._write(_HEATER_OFF)
        self._write(_CLEAR_STATUS)
        status = self._status()
        if status & _STATUS_HEATER:
            raise ProbeGarbled("the heater does not go off")
        self._talk.remember(self._ask_serial())

    def _ask_serial(self) -> int:
        return int(self._chip.serial_number)

    def _read(self) -> Sample:
        self._talk.make_sure(self._ask_serial)
        try:
            temperature_c, humidity_percent = self._chip._data()
        except ProbeMissing as error:
            raise self._why_silent(error) from error
        if not (isinstance(temperature_c, float) and isinstance(humidity_percent, float)):
            raise ProbeGarbled("not one conversion")
        # The library's scaling is exact to far less than a step, so the words come back whole.
        words = self._talk.measured(*SHT3X.encode(temperature_c, humidity_percent))
        return Sample(*words, SHT3X, self._notes())

    def _notes(self) -> tuple[str, ...]:
        status = self._status()
        notes = []
        if status & _STATUS_HEATER:
            notes.append("heater_on")
            self._write(_HEATER_OFF)
        if status & _STATUS_RESET:
            notes.append("reset_seen")
            self._write(_CLEAR_STATUS)
        return tuple(notes)

    def _why_silent(self, error: ProbeMissing) -> ProbeError:
        """Return a brown-out if the sensor is there after all and has restarted in the middle of the conversion."""
        link = self._talk.port.bus.link
        try:
            link.trouble = None
            restarted = bool(self._status() & _STATUS_RESET)
            if restarted:
                self._write(_CLEAR_STATUS)
        except ProbeError:
            return error
        return ProbeReset("the sensor restarted during the conversion") if restarted else error

    def _write(self, command: bytes) -> None:
        link = self._talk.port.bus.link
        link.write(self._talk.address, command)
        link.sleep(_COMMAND_PAUSE_SECONDS)

    def _status(self) -> int:
        self._write(_READ_STATUS)
        frame = self._talk.port.bus.link.read(self._talk.address, 3)
        if crc8(frame[:2]) != frame[2]:
            raise ProbeCrc("the status came damaged")
        return int.from_bytes(frame[:2], "big")


def open_probe(config: ProbeConfig, bus: Bus | None) -> Sht31dProbe:
    """Return the opened probe. Raises ProbeError, DriverUnusable."""
    return Sht31dProbe(config, bus)
