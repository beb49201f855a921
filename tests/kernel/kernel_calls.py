"""What the emulated kernel answers to each call about /dev/i2c-N, as i2c-dev.c and i2c-mux-pca954x.c do (from memory)."""

from __future__ import annotations

import errno
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Mux

# i2c_dev.h of this folder
_MESSAGE = struct.Struct("=HHH")
_SMBUS = struct.Struct("=BBHI34s2x")

# linux/i2c.h
_READ = 0x0001
_FUNCTIONS = 0x0EFF0009  # I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL, as of bcm2835
_QUICK = 0x00010000
_SMBUS_QUICK, _SMBUS_BYTE, _SMBUS_BYTE_DATA, _SMBUS_WORD_DATA = 0, 1, 2, 3

Message = tuple[int, int, int, bytes]
"""Address, flags, length, data."""


@dataclass
class Controller:
    """A physical adapter. Attributes may be changed while it runs.

    empty_messages: whether it can send a message of no bytes; some controllers cannot. retries: as set by I2C_RETRIES.
    """

    wire: Wire
    empty_messages: bool = True
    retries: int = 0
    owned: dict[int, str] = field(default_factory=dict)
    """Addresses that a driver of the kernel holds, with its name."""
    lock: threading.RLock = field(default_factory=threading.RLock, repr=False)


@dataclass
class KernelMux:
    """A multiplexer driven by the kernel. `disconnect`: its idle_state; False leaves the last channel open."""

    mux: Mux
    disconnect: bool
    selected: int = 0

    def select(self, wire: Wire, mask: int) -> None:
        """Open a channel unless it is open, as far as the driver knows. Raises OSError."""
        if self.selected != mask:
            self.selected = 0
            wire.transfer("write", self.mux.address, bytes([mask]))
            self.selected = mask

    def deselect(self, wire: Wire) -> None:
        """Close it if that is its idle state; nobody is told when that fails."""
        if self.disconnect:
            self.selected = 0
            with suppress(OSError):
                wire.transfer("write", self.mux.address, b"\0")


@dataclass
class Adapter:
    """What a number of /dev/i2c-N means: a controller, or one channel of a kernel's multiplexer on it.

    refusal: what opening it answers, 0 for yes.
    """

    controller: Controller
    mux: KernelMux | None = None
    channel: int = 0
    refusal: int = 0
    removed: bool = False


def _open(adapter: Adapter, about: int, data: bytes) -> bytes:
    del about, data
    if adapter.refusal:
        raise OSError(adapter.refusal, "refused")
    return b""


def _transfer(adapter: Adapter, about: int, data: bytes) -> bytes:
    messages: list[Message] = []
    at = 0
    for _ in range(about):
        address, flags, length = _MESSAGE.unpack_from(data, at)
        at += _MESSAGE.size
        taken = 0 if flags & _READ else length
        messages.append((address, flags, length, data[at : at + taken]))
        at += taken
    return _carried(adapter, messages)


def _carried(adapter: Adapter, messages: list[Message]) -> bytes:
    """Carry one call's messages, with the channel selected around them and lost arbitration tried again."""
    controller = adapter.controller
    if not controller.empty_messages and any(length == 0 for _, _, length, _ in messages):
        raise OSError(errno.EOPNOTSUPP, "no messages of no length")
    for left in range(controller.retries, -1, -1):
        try:
            if adapter.mux is None:
                return _plain(controller.wire, messages)
            try:
                adapter.mux.select(controller.wire, 1 << adapter.channel)
                return _plain(controller.wire, messages)
            finally:
                adapter.mux.deselect(controller.wire)
        except OSError as error:
            if error.errno != errno.EAGAIN or left == 0:
                raise
    raise AssertionError("the last try returns or raises")


def _plain(wire: Wire, messages: list[Message]) -> bytes:
    answer = b""
    for address, flags, length, data in messages:
        if flags & _READ:
            answer += wire.transfer("read", address, b"", length)
        else:
            wire.transfer("write", address, data)
    return answer


def _smbus(adapter: Adapter, about: int, data: bytes) -> bytes:
    """Carry an SMBus call as the messages it stands for."""
    del about
    reads, command, address, size, room = _SMBUS.unpack(data)
    how_long = {_SMBUS_QUICK: 0, _SMBUS_BYTE: 1, _SMBUS_BYTE_DATA: 1, _SMBUS_WORD_DATA: 2}
    if size not in how_long:
        raise OSError(errno.EOPNOTSUPP, "not imitated")
    length = how_long[size]
    messages: list[Message] = []
    if size in (_SMBUS_BYTE_DATA, _SMBUS_WORD_DATA) and reads:
        messages = [(address, 0, 1, bytes([command])), (address, _READ, length, b"")]
    elif reads:
        messages = [(address, _READ, length, b"")]
    else:
        said = {_SMBUS_QUICK: b"", _SMBUS_BYTE: bytes([command])}.get(size, bytes([command]) + room[:length])
        messages = [(address, 0, len(said), said)]
    return _carried(adapter, messages).ljust(34, b"\0")


def _functions(adapter: Adapter, about: int, data: bytes) -> bytes:
    del about, data
    return (_FUNCTIONS if adapter.controller.empty_messages else _FUNCTIONS & ~_QUICK).to_bytes(8, "little")


def _time_out(adapter: Adapter, about: int, data: bytes) -> bytes:
    del data
    if adapter.mux is None:  # a channel's own time-out is kept and never asked for
        adapter.controller.wire.timeout_seconds = about / 100
    return b""


def _retries(adapter: Adapter, about: int, data: bytes) -> bytes:
    del data
    if adapter.mux is None:
        adapter.controller.retries = about
    return b""


def _address(adapter: Adapter, about: int, data: bytes) -> bytes:
    del data
    if about in adapter.controller.owned or about in adapter.controller.wire.owned:
        raise OSError(errno.EBUSY, "a driver of the kernel has it")
    return b""


HANDLERS: dict[bytes, Callable[[Adapter, int, bytes], bytes]] = {
    b"o": _open,
    b"t": _transfer,
    b"b": _smbus,
    b"f": _functions,
    b"w": _time_out,
    b"r": _retries,
    b"a": _address,
}
