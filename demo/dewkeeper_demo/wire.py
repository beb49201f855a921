"""An I2C bus emulated at the level of its transfers, chosen by configuration alone: `kind = "wire"`.

    rack = register_rack("default")
    wire = rack.add(number=1)
    wire.attach(Sht3x(air, serial=7))
    wire.add_mux(0x70).channels[3].append(Sht3x(other_air, serial=8))

`[[bus]] kind = "wire", number = 1` then opens that wire; the option `rack` names another registered rack. Everything
above the adapter is what runs on a Pi. A number that was never added does not exist, like a missing /dev/i2c-N.

The wire has a clock of its own: a transfer takes its bits at 100 kHz, a wait takes what was asked, and nothing takes
real time, unless `real_time` is set: then it goes with the machine's. Several adapters may be open on one wire; each transfer is atomic, as on copper,
and several transfers of two of them interleave, as on copper.
"""

from __future__ import annotations

import errno
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from dewkeeper_config.models import BusConfig
from dewkeeper_demo.wire_chips import Chip, Mux

BIT_SECONDS = 1e-5
"""100 kHz."""

TIMEOUT_SECONDS = 1.0
"""What a controller takes to give up on a line held low: the kernel's default. `Wire.timeout_seconds` is what is set."""

_SHORTEST_SLEEP_SECONDS = 0.001  # less is made good at the next longer one


@dataclass(slots=True)
class Transfer:
    """One message on the wire, from start to stop. `result` is what came back, `error` how it failed."""

    number: int
    at: float
    kind: str  # "write" or "read"
    address: int
    data: bytes
    open_channels: tuple[tuple[int, int], ...] = ()
    answered: tuple[Chip, ...] = field(default=(), repr=False)
    result: bytes | None = None
    error: int | None = None


Fault = Callable[["Wire", Transfer, Callable[[], None]], None]
"""Called instead of each transfer; it may call the third argument to let it happen, before or after which it may
raise OSError, let time pass, or change `result`. Tests keep such faults in tests/wire."""


class Wire:
    """One bus. Attributes may be changed while it runs.

    faults: applied to every transfer, the last added outermost. trace: the last transfers, if `keep` was given.
    real_time: its clock goes with the machine's, and what takes long on it takes real time, for users with clocks of
    their own. timeout_seconds: what its controller takes to give up on a line held low.
    """

    def __init__(self, number: int = 1, keep: int = 0, real_time: bool = False) -> None:
        self.number = number
        self.chips: list[Chip] = []
        self.muxes: list[Mux] = []
        self.faults: list[Fault] = []
        self.trace: deque[Transfer] = deque(maxlen=keep)
        self.real_time = real_time
        self.timeout_seconds = TIMEOUT_SECONDS
        self.owned: set[int] = set()
        self.exists = True
        self.transfers = 0
        self.opened = 0
        self._seconds = 0.0
        self._began = time.monotonic()
        self._lock = threading.RLock()

    def attach(self, chip: Chip) -> None:
        """Hang a chip on the bus itself."""
        self.chips.append(chip)

    def add_mux(self, address: int = 0x70) -> Mux:
        """Hang a multiplexer on the bus and return it."""
        mux = Mux(address)
        self.muxes.append(mux)
        return mux

    def now(self) -> float:
        """Return the wire's own seconds."""
        if self.real_time:
            with self._lock:
                self._seconds = max(self._seconds, time.monotonic() - self._began)
        return self._seconds

    def pass_time(self, seconds: float) -> None:
        """Let time pass on the wire."""
        with self._lock:
            self._seconds = until = self.now() + seconds
        ahead = until - (time.monotonic() - self._began)
        if self.real_time and ahead > _SHORTEST_SLEEP_SECONDS:
            time.sleep(ahead)

    def transfer(self, kind: str, address: int, data: bytes, count: int = 0) -> bytes:
        """Carry one message; return what was read. Raises OSError."""
        with self._lock:
            self.transfers += 1
            found = Transfer(self.transfers, self.now(), kind, address, data)
            found.open_channels = tuple(pair for mux in self.muxes for pair in mux.open_channels())
            if self.trace.maxlen:
                self.trace.append(found)

        def happen() -> None:
            with self._lock:
                self._carry(found, count)

        for fault in self.faults:
            happen = _wrapped(fault, self, found, happen)
        try:
            happen()
        except OSError as error:
            found.error = error.errno
            raise
        return found.result or b""

    def _carry(self, found: Transfer, count: int) -> None:
        length = len(found.data) if found.kind == "write" else count
        taken = (9 * (1 + length) + 2) * BIT_SECONDS  # nine clocks a byte, start and stop
        listening = [
            chip
            for chip in (*self.muxes, *self.chips, *(chip for mux in self.muxes for chip in mux.connected()))
            if chip.address == found.address
        ]
        if found.kind == "write":
            self.pass_time(taken)  # a command takes effect at STOP
            # Everybody of that address hears it and pulls the acknowledge low: one is enough.
            found.answered = tuple([chip for chip in listening if chip.write(found.data, self._seconds)])
        else:
            answers = [(chip, chip.read(count, self._seconds)) for chip in listening]
            self.pass_time(taken)  # whether there is an answer shows at the address, at the start
            found.answered = tuple(chip for chip, answer in answers if answer is not None)
            found.result = _wired_and([answer for _, answer in answers if answer is not None], count)
        if not found.answered:
            found.result = None
            raise OSError(errno.EREMOTEIO, "Remote I/O error")


def _wrapped(fault: Fault, wire: Wire, found: Transfer, happen: Callable[[], None]) -> Callable[[], None]:
    return lambda: fault(wire, found, happen)


def _wired_and(answers: list[bytes], count: int) -> bytes:
    """Return what the line shows when several drive it: low wins, bit by bit."""
    line = bytearray(b"\xff" * count)
    for answer in answers:
        for place, byte in enumerate(answer):
            line[place] &= byte
    return bytes(line)


class WireAdapter:
    """The controller end of a wire, as `dewkeeper_drivers.adapters.Adapter` wants it."""

    def __init__(self, wire: Wire, lock_path: Path | None) -> None:
        self._wire = wire
        self._lock_path = lock_path
        self._open = True
        wire.opened += 1

    @property
    def lock_path(self) -> Path | None:
        """Return the file of the option `lock`, None without."""
        return self._lock_path

    def write(self, address: int, data: bytes) -> None:
        """Send one message. Raises OSError."""
        self._check().transfer("write", address, data)

    def read(self, address: int, count: int) -> bytes:
        """Return `count` bytes. Raises OSError."""
        return self._check().transfer("read", address, b"", count)

    def owned(self, address: int) -> bool:
        """Return whether a driver of the kernel has this address."""
        return address in self._wire.owned

    def now(self) -> float:
        """Return the wire's own seconds."""
        return self._wire.now()

    def sleep(self, seconds: float) -> None:
        """Let time pass on the wire."""
        self._wire.pass_time(seconds)

    def close(self) -> None:
        """Let go of the wire."""
        if self._open:
            self._open = False
            self._wire.opened -= 1

    def _check(self) -> Wire:
        if not self._open:
            raise OSError(errno.EBADF, "Bad file descriptor")
        if not self._wire.exists:
            raise OSError(errno.ENODEV, "No such device")
        return self._wire


class WireRack:
    """The wires of one rack, by number."""

    def __init__(self) -> None:
        self.wires: dict[int, Wire] = {}

    def add(self, number: int = 1, keep: int = 0, real_time: bool = False) -> Wire:
        """Add a wire and return it."""
        self.wires[number] = Wire(number, keep, real_time)
        return self.wires[number]


_racks: dict[str, WireRack] = {}


def register_rack(name: str = "default") -> WireRack:
    """Make a new rack, in place of any of that name, for adapters opened from now on."""
    _racks[name] = WireRack()
    return _racks[name]


def open_adapter(bus: BusConfig) -> WireAdapter:
    """Open the wire the configuration names. Raises FileNotFoundError where there is none."""
    rack = _racks.get(str(bus.options.get("rack", "default")))
    wire = rack.wires.get(bus.number) if rack is not None else None
    if wire is None or not wire.exists:
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", f"wire {bus.number}")
    lock = bus.options.get("lock")
    return WireAdapter(wire, Path(str(lock)) if lock is not None else None)
