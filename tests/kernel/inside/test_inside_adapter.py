"""The Linux adapter and the emulated kernel's devices, byte by byte and number by number."""

from __future__ import annotations

import errno
from collections.abc import Iterator

import pytest
from tests.kernel.emulated import EmulatedKernel
from tests.wire.wire_faults import HeldLow, Refuse

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.checksum import packed
from dewkeeper_drivers.contract import SHT3X
from dewkeeper_drivers.linux import LinuxAdapter

FIRST = 22


class Below:
    """A wire with a sensor and a multiplexer that the kernel drives, another sensor behind its channel 2."""

    def __init__(self, kernel: EmulatedKernel) -> None:
        self.kernel = kernel
        self.wire = Wire(1, keep=100)
        kernel.add(self.wire)
        self.wire.attach(Sht3x(lambda: SHT3X.decode(26_123, 40_321), serial=0xDEADBEEF))
        mux = self.wire.add_mux(0x70)
        mux.channels[2].append(Sht3x(lambda: SHT3X.decode(26_124, 40_322), serial=8, address=0x45))
        kernel.drive(self.wire, mux, FIRST)


@pytest.fixture
def below(inside: EmulatedKernel) -> Below:
    """Give what lies below the adapter."""
    return Below(inside)


@pytest.fixture
def adapter(below: Below) -> Iterator[LinuxAdapter]:
    """Give the adapter of the controller; it must have let go of its device afterwards (the fixture below looks)."""
    made = LinuxAdapter(1)
    yield made
    made.close()


def test_a_conversion_comes_back_byte_by_byte(below: Below, adapter: LinuxAdapter) -> None:
    """A command goes out whole and the frame comes back whole and in order, from the address asked."""
    adapter.write(0x44, b"\x24\x00")
    below.wire.pass_time(0.02)
    assert adapter.read(0x44, 6) == packed(26_123, 40_321)
    adapter.write(0x44, b"\x37\x80")
    assert adapter.read(0x44, 6) == packed(0xDEAD, 0xBEEF)


def test_one_transfer_is_one_message(below: Below, adapter: LinuxAdapter) -> None:
    """What is written and read is on the wire once, as given."""
    adapter.write(0x44, b"\xf3\x2d")
    adapter.read(0x44, 3)
    assert [(t.kind, t.address, t.data) for t in below.wire.trace] == [
        ("write", 0x44, b"\xf3\x2d"),
        ("read", 0x44, b""),
    ]


@pytest.mark.parametrize("code", [errno.EREMOTEIO, errno.ENXIO, errno.EIO, errno.EAGAIN, errno.ETIMEDOUT, errno.EBUSY])
def test_each_error_keeps_its_number(code: int, below: Below, adapter: LinuxAdapter) -> None:
    """Whatever the kernel refuses with is raised with that number, after one try, for writes and for reads."""
    below.wire.faults.append(Refuse(code=code))
    for call in (
        lambda: adapter.write(0x44, b"\x24\x00"),
        lambda: adapter.read(0x44, 6),
        lambda: adapter.write(0x44, b""),
    ):
        before = below.wire.transfers
        with pytest.raises(OSError) as refused:  # noqa: PT011  the number is the point
            call()
        assert refused.value.errno == code
        assert below.wire.transfers == before + 1, "the kernel must not try again by itself: we do, and count"


def test_an_empty_message_that_cannot_be_sent_is_refused(below: Below, adapter: LinuxAdapter) -> None:
    """On a controller without empty messages asking is an error, not an answer."""
    below.kernel.adapters[1].controller.empty_messages = False
    with pytest.raises(OSError) as refused:  # noqa: PT011
        adapter.write(0x46, b"")
    assert refused.value.errno == errno.EOPNOTSUPP


@pytest.mark.parametrize("number", [1, FIRST + 2], ids=["controller", "channel"])
def test_a_held_line_costs_a_tenth_of_a_second(number: int, below: Below) -> None:
    """A transfer on a held line is given up after 0.1 s; on a channel, selecting it and letting go of it are two more."""
    adapter = LinuxAdapter(number)
    below.wire.faults.append(HeldLow())
    began = below.wire.now()
    with pytest.raises(TimeoutError):
        adapter.write(0x45, b"\x24\x00")
    adapter.close()
    assert 0.09 < below.wire.now() - began < 0.21


def test_an_address_that_a_driver_has_is_told(adapter: LinuxAdapter) -> None:
    """The kernel's multiplexer is known as the kernel's, a sensor as free."""
    assert adapter.owned(0x70)
    assert not adapter.owned(0x44)


def test_a_channel_reads_what_hangs_there(below: Below) -> None:
    """A channel's device reads the sensor behind it."""
    adapter = LinuxAdapter(FIRST + 2)
    adapter.write(0x45, b"\x24\x00")
    below.wire.pass_time(0.02)
    assert adapter.read(0x45, 6) == packed(26_124, 40_322)
    adapter.close()


def test_closing_lets_go_of_the_device(below: Below) -> None:
    """After closing, nobody has the device open."""
    adapter = LinuxAdapter(1)
    assert below.kernel.opened[1] == 1
    adapter.close()
    assert below.kernel.opened[1] == 0
