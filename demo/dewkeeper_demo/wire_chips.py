"""What hangs on the emulated wire, as the data sheets say: SHT3x, SHT4x and the eight-channel multiplexer.

Not imitated: periodic measuring and alert limits of the SHT3x, analogue behaviour, bus speeds other than 100 kHz.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, Protocol

from dewkeeper_drivers.checksum import packed
from dewkeeper_drivers.contract import SHT3X, SHT4X, Scale

Air = Callable[[], tuple[float, float]]
"""What a probe senses: °C and %RH, asked when a conversion starts."""


class Chip(Protocol):
    """Something with an address. Times are seconds of the wire's clock."""

    address: int

    def write(self, data: bytes, now: float) -> bool:
        """Take one whole message; return whether it acknowledged its address."""
        ...

    def read(self, count: int, now: float) -> bytes | None:
        """Return `count` bytes, None when it does not acknowledge."""
        ...


class Sensor:
    """What SHT3x and SHT4x have in common. Change the attributes to make it fail.

    plugged: whether it is there at all. frozen: words it repeats whatever the air. serial: its number.
    converted: conversions so far.
    """

    scale: Scale
    power_up_seconds = 0.001  # SHT3x data sheet v7, table 4; SHT4x table 5

    def __init__(self, air: Air, serial: int, address: int = 0x44) -> None:
        self.address = address
        self.air = air
        self.serial = serial
        self.plugged = True
        self.frozen: tuple[int, int] | None = None
        self.heater = False
        self.converted = 0
        self._ready_at = 0.0
        self._answer: bytes | None = None

    def power_cycle(self, now: float) -> None:
        """Lose and regain the supply."""
        self._ready_at = now + self.power_up_seconds
        self._answer, self.heater = None, False

    def write(self, data: bytes, now: float) -> bool:
        """Take a command; not while busy."""
        if not self.plugged or now < self._ready_at:
            return False
        if data:
            self._answer = None
            self._obey(data, now)
        return True

    def read(self, count: int, now: float) -> bytes | None:
        """Give the answer once; not while busy, not without a command."""
        if not self.plugged or now < self._ready_at or self._answer is None:
            return None
        # The master clocks past the end: nobody drives the line, it reads ones.
        answer = (self._answer + b"\xff" * count)[:count]
        self._answer = None
        return answer

    def _convert(self, now: float, seconds: float) -> None:
        temperature_c, humidity_percent = self.air()
        if self.heater:  # a few degrees, and as much drier as the same vapour is at that warmth
            temperature_c, humidity_percent = temperature_c + 3.0, humidity_percent * 0.84
        self._answer = packed(*(self.frozen or self.scale.encode(temperature_c, humidity_percent)))
        self._ready_at = now + seconds
        self.converted += 1

    def _obey(self, data: bytes, now: float) -> None:
        raise NotImplementedError


class Sht3x(Sensor):
    """SHT30, SHT31, SHT35: two-byte commands, status register. Data sheet v7."""

    scale = SHT3X
    # Table 4: longest measuring time by repeatability, supply 2.4 V and up. Stretching ones are answered late instead.
    _SINGLE_SHOT: ClassVar = {
        0x2400: 0.015, 0x240B: 0.006, 0x2416: 0.004, 0x2C06: 0.015, 0x2C0D: 0.006, 0x2C10: 0.004,
    }  # fmt: skip
    _RESET_SECONDS = 0.0015

    def __init__(self, air: Air, serial: int, address: int = 0x44) -> None:
        super().__init__(air, serial, address)
        self.status = 0x8010  # table 18: alert pending, reset detected

    def power_cycle(self, now: float) -> None:
        """Lose and regain the supply: heater off, restart flagged."""
        super().power_cycle(now)
        self.status = 0x8010

    def _obey(self, data: bytes, now: float) -> None:
        command = int.from_bytes(data[:2], "big")
        if command in self._SINGLE_SHOT:
            self._convert(now, self._SINGLE_SHOT[command])
        elif command == 0xF32D:
            self._answer = packed(self.status | (0x2000 if self.heater else 0))
        elif command == 0x3780:
            self._answer = packed(self.serial >> 16, self.serial & 0xFFFF)
        elif command == 0x3041:
            self.status &= ~0x8C10
        elif command in (0x306D, 0x3066):
            self.heater = command == 0x306D
        elif command == 0x30A2:
            self.power_cycle(now)
            self._ready_at = now + self._RESET_SECONDS
        elif command != 0x3093:  # break has nothing to break here
            self.status |= 0x0002


class Sht4x(Sensor):
    """SHT40, SHT41, SHT45: one-byte commands. Data sheet, section 4.5."""

    scale = SHT4X
    _SINGLE_SHOT: ClassVar = {0xFD: 0.0083, 0xF6: 0.0045, 0xE0: 0.0016}

    def _obey(self, data: bytes, now: float) -> None:
        command = data[0]
        if command in self._SINGLE_SHOT:
            self._convert(now, self._SINGLE_SHOT[command])
        elif command == 0x89:
            self._answer = packed(self.serial >> 16, self.serial & 0xFFFF)
        elif command == 0x94:
            self.power_cycle(now)


class Mux:
    """TCA9548A, PCA9548: the last byte written, one bit a channel, takes effect at STOP and can be read back.

    deaf: it hears nothing, though its channels stay as they are. plugged: without supply it also lets go of them.
    """

    def __init__(self, address: int) -> None:
        self.address = address
        self.mask = 0
        self.deaf = False
        self.plugged = True
        self.channels: tuple[list[Chip], ...] = tuple([] for _ in range(8))

    def power_cycle(self) -> None:
        """Lose and regain the supply, or pulse RESET: every channel closed."""
        self.mask = 0

    def connected(self) -> list[Chip]:
        """Return what hangs on the open channels."""
        if not self.mask or not self.plugged:
            return []
        return [chip for bit, chips in enumerate(self.channels) if self.mask >> bit & 1 for chip in chips]

    def open_channels(self) -> list[tuple[int, int]]:
        """Return (address, channel) of the open ones."""
        if not self.mask or not self.plugged:
            return []
        return [(self.address, bit) for bit in range(8) if self.mask >> bit & 1]

    def write(self, data: bytes, now: float) -> bool:
        """Latch the last byte. The wire delivers whole messages, so this is STOP."""
        del now
        if self.deaf or not self.plugged:
            return False
        if data:
            self.mask = data[-1]
        return True

    def read(self, count: int, now: float) -> bytes | None:
        """Return the mask, again and again."""
        del now
        return None if self.deaf or not self.plugged else bytes([self.mask]) * count
