"""SHT40, SHT41 and SHT45 through the genuine CircuitPython library, one conversion a reading.

The sensor has no status register: neither a restart nor a heater can be seen. Its heater never stays on by itself.
That another sensor was plugged in between two polls shows only in its serial number, so that is asked at every reading.
"""

from __future__ import annotations

from typing import Any

from dewkeeper_config.models import ProbeConfig
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import SHT4X, Sample
from dewkeeper_drivers.options import NoOptions
from dewkeeper_drivers.sensirion import Conversation, port_for

ADDRESSES = (0x44, 0x45, 0x46)


Options = NoOptions


class Sht4xProbe:
    """An opened SHT4x, reset."""

    def __init__(self, config: ProbeConfig, bus: Bus | None) -> None:
        """Open it. Raises ProbeError, DriverUnusable."""
        port = port_for(config, bus, ADDRESSES)
        self._talk = Conversation(port, config.name, port.address or 0)
        self._chip: Any = None
        self._talk.run("open", self._open)

    def read(self) -> Sample:
        """Make one conversion; notes `crc_burst`, and `reset_seen` of another sensor. Raises ProbeError."""
        return self._talk.noting(self._talk.run("read", self._read))

    def serial(self) -> int | None:
        """Return the 32-bit serial number, asked anew. Raises ProbeError."""
        return self._talk.run("ask for the serial number", lambda: self._talk.who(self._ask_serial))

    def close(self) -> None:
        """Nothing is kept open between readings."""

    def _open(self) -> None:
        library = self._talk.port.bus.link.library("adafruit_sht4x")
        self._chip = library.SHT4x(self._talk.port, self._talk.address)  # soft reset
        self._talk.remember(self._ask_serial())

    def _ask_serial(self) -> int:
        return int(self._chip.serial_number)

    def _read(self) -> Sample:
        serial = self._ask_serial()
        self._talk.make_sure(lambda: serial)
        # One conversion, both checksums checked. The values are cut to 0..100 %, the buffer still has the words.
        _ = self._chip.measurements
        frame = bytes(self._chip._buffer)
        words = self._talk.measured(int.from_bytes(frame[:2], "big"), int.from_bytes(frame[3:5], "big"))
        return Sample(*words, SHT4X, () if self._talk.knows(serial) else ("reset_seen",))


def open_probe(config: ProbeConfig, bus: Bus | None) -> Sht4xProbe:
    """Return the opened probe. Raises ProbeError, DriverUnusable."""
    return Sht4xProbe(config, bus)
