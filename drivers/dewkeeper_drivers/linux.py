"""The Linux I2C controller /dev/i2c-N, through smbus2's plain transfers.

`board` and `busio` are never asked for a bus: they need to recognise the machine, and on one they do not know they
raise; `import board` can even start pip on a terminal. A numbered bus needs none of that.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from smbus2 import SMBus, i2c_msg

# linux/i2c-dev.h. smbus2 names neither.
_I2C_RETRIES = 0x0701
_I2C_SLAVE = 0x0703
_I2C_TIMEOUT = 0x0702  # in units of 10 ms

TRANSFER_TIMEOUT_SECONDS = 0.1
"""The longest transfer here is seven bytes, 0.7 ms at 100 kHz. The kernel's default of 1 s would let one dead
branch cost a rack a second a call."""


class LinuxAdapter:
    """/dev/i2c-`number`, opened here. Raises OSError.

    open_smbus: opens the device; a test without a kernel below it gives its own, on the library's real messages.
    """

    def __init__(self, number: int, open_smbus: Callable[[int], SMBus] = SMBus) -> None:
        self._path = Path(f"/dev/i2c-{number}")
        self._bus = open_smbus(number)
        try:
            _bound(self._descriptor())
        except OSError:
            self._bus.close()
            raise
        if (controller := _controller_of(number)) != number:
            with suppress(OSError):  # not ours to open: then a held line costs the kernel's second
                _bound_device(controller)

    @property
    def lock_path(self) -> Path:
        """Return the device itself: whoever may use the bus may lock it, and nothing is left behind."""
        return self._path

    def write(self, address: int, data: bytes) -> None:
        """Send one message; some controllers refuse an empty one, with EOPNOTSUPP or EINVAL. Raises OSError."""
        self._bus.i2c_rdwr(i2c_msg.write(address, data))

    def read(self, address: int, count: int) -> bytes:
        """Return `count` bytes. Raises OSError."""
        message = i2c_msg.read(address, count)
        self._bus.i2c_rdwr(message)
        return bytes(message)  # what `buf` points to; bytearray(message) would be the C structure itself

    def owned(self, address: int) -> bool:
        """Return whether a driver of the kernel has this address, as `i2cdetect` shows by UU. Raises OSError."""
        try:
            # Asks the kernel only, not the bus. Our transfers name their address themselves, so nothing is set by it.
            fcntl.ioctl(self._descriptor(), _I2C_SLAVE, address)
        except OSError as error:
            if error.errno == errno.EBUSY:
                return True
            if error.errno not in (errno.ENOTTY, errno.EINVAL):
                raise
        return False

    def close(self) -> None:
        """Close the device."""
        self._bus.close()

    def _descriptor(self) -> int:
        descriptor: int | None = self._bus.fd
        if descriptor is None:
            raise OSError(errno.EBADF, "the bus is closed")
        return descriptor


def _bound(descriptor: int) -> None:
    """Have a controller give up soon, and once: we try again ourselves, and count. Raises OSError."""
    try:
        fcntl.ioctl(descriptor, _I2C_TIMEOUT, int(TRANSFER_TIMEOUT_SECONDS * 100))
        fcntl.ioctl(descriptor, _I2C_RETRIES, 0)
    except OSError as error:
        if error.errno not in (errno.ENOTTY, errno.EINVAL):  # a controller without the setting is usable too
            raise


def _bound_device(number: int) -> None:
    descriptor = os.open(f"/dev/i2c-{number}", os.O_RDWR | os.O_CLOEXEC)
    try:
        _bound(descriptor)
    finally:
        os.close(descriptor)


def _controller_of(number: int) -> int:
    """Return the number of the controller that a bus hangs on, its own if it is one.

    A channel of a multiplexer that the kernel drives is a bus without wires of its own: .../i2c-1/i2c-24 below
    /sys/devices. What is set on it has no effect; its transfers are the controller's (drivers/i2c/i2c-mux.c).
    """
    there = Path(f"/sys/bus/i2c/devices/i2c-{number}").resolve()
    above = [found[1] for part in there.parts if (found := re.fullmatch(r"i2c-(\d+)", part))]
    return int(above[0]) if above else number
