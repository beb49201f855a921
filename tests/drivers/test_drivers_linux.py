"""The Linux adapter on the library's real messages, without a kernel below it; with one: tests/kernel."""

from __future__ import annotations

import ctypes
import errno
import os
from collections.abc import Iterator

import pytest
from smbus2 import SMBus, i2c_msg

from dewkeeper_drivers.linux import LinuxAdapter


class _Controller(SMBus):  # type: ignore[misc, unused-ignore]  # smbus2 ships types in some versions only
    """The genuine SMBus, except that the one call that needs a kernel fills the messages itself, as the kernel does."""

    answer = b""
    code = 0

    def open(self, bus: int | str) -> None:
        del bus
        self.sent: list[tuple[int, bytes]] = []
        self.fd = os.open("/dev/null", os.O_RDWR)  # the time-out's ioctl is refused there: not every controller has one

    def i2c_rdwr(self, *messages: i2c_msg) -> None:
        if self.code:
            raise OSError(self.code, "injected")
        for message in messages:
            if message.flags & 1:  # I2C_M_RD: linux/i2c.h
                assert message.len == len(self.answer)
                ctypes.memmove(message.buf, self.answer, message.len)
            else:
                self.sent.append((message.addr, ctypes.string_at(message.buf, message.len)))


@pytest.fixture
def controller() -> Iterator[tuple[LinuxAdapter, _Controller]]:
    """An adapter and the controller below it."""
    made: list[_Controller] = []

    def opened(number: int) -> SMBus:
        made.append(_Controller(number))
        return made[0]

    adapter = LinuxAdapter(1, opened)
    yield adapter, made[0]
    adapter.close()


@pytest.mark.parametrize("answer", [b"\x08", b"\x00\x10\xe1", b"\x66\x01\x93\x9c\x40\xa2", b"\xff" * 6, b"\0" * 3])
def test_what_the_sensor_sent_is_what_is_read(answer: bytes, controller: tuple[LinuxAdapter, _Controller]) -> None:
    """The bytes behind the message's pointer are the answer: the wire's, in number and in order."""
    adapter, below = controller
    below.answer = answer
    assert adapter.read(0x44, len(answer)) == answer


def test_what_is_written_is_what_the_sensor_hears(controller: tuple[LinuxAdapter, _Controller]) -> None:
    """A command arrives whole, at its address; an empty message is one of no bytes."""
    adapter, below = controller
    adapter.write(0x44, b"\x24\x00")
    adapter.write(0x70, b"")
    assert below.sent == [(0x44, b"\x24\x00"), (0x70, b"")]


@pytest.mark.parametrize("code", [errno.EREMOTEIO, errno.ETIMEDOUT, errno.EOPNOTSUPP])
def test_the_kernels_error_is_not_swallowed(code: int, controller: tuple[LinuxAdapter, _Controller]) -> None:
    """What the kernel refuses reaches the caller with the kernel's number."""
    adapter, below = controller
    below.code = code
    with pytest.raises(OSError) as refused:  # noqa: PT011  the number is the point
        adapter.write(0x44, b"\x24\x00")
    assert refused.value.errno == code
    with pytest.raises(OSError) as refused:  # noqa: PT011
        adapter.read(0x44, 6)
    assert refused.value.errno == code
