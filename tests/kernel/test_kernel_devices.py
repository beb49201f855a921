"""The emulated devices answer a process as Linux answers: Documentation/i2c/dev-interface.rst and i2c-dev.c, by memory."""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest
from tests.kernel.emulated import EmulatedKernel
from tests.wire.wire_faults import HeldLow, Refuse

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.checksum import packed
from dewkeeper_drivers.contract import SHT3X

Child = Callable[..., str]

_OPEN = """
import errno, fcntl, os, time
from smbus2 import SMBus, i2c_msg
def refusal(call, *args):
    try:
        call(*args)
    except OSError as error:
        return errno.errorcode[error.errno]
    return "done"
"""
AIR = SHT3X.decode(26_000, 40_000)


@pytest.fixture
def wire(kernel: EmulatedKernel) -> Wire:
    """A wire, /dev/i2c-1, with a sensor at 0x44 and a multiplexer at 0x70 that has another on channel 2."""
    made = Wire(1, keep=1000)
    made.attach(Sht3x(lambda: AIR, serial=7))
    made.add_mux(0x70).channels[2].append(Sht3x(lambda: AIR, serial=8, address=0x45))
    kernel.add(made)
    return made


def test_the_librarys_messages_reach_the_sensor(wire: Wire, child: Child) -> None:
    """A conversion asked for with smbus2's own messages gives the sensor's frame, byte by byte."""
    told = child(
        _OPEN
        + """
with SMBus(1) as bus:
    bus.i2c_rdwr(i2c_msg.write(0x44, [0x24, 0x00]))
    time.sleep(0.02)
    answer = i2c_msg.read(0x44, 6)
    bus.i2c_rdwr(answer)
    print(bytes(answer).hex())
"""
    )
    assert bytes.fromhex(told) == packed(26_000, 40_000)


def test_an_address_set_first_is_read_and_written_as_a_file(wire: Wire, child: Child) -> None:
    """After I2C_SLAVE, write and read of the descriptor are one message each."""
    told = child(
        _OPEN
        + """
fd = os.open("/dev/i2c-1", os.O_RDWR)
fcntl.ioctl(fd, 0x0703, 0x44)
os.write(fd, bytes([0x24, 0x00]))
time.sleep(0.02)
print(os.read(fd, 6).hex())
os.close(fd)
"""
    )
    assert bytes.fromhex(told) == packed(26_000, 40_000)


def test_nobody_there_is_an_error_by_number(kernel: EmulatedKernel, wire: Wire, child: Child) -> None:
    """A message to nobody, a bus that is not there and one that is not allowed each have the kernel's number."""
    kernel.add(Wire(4))
    kernel.adapters[4].refusal = errno.EACCES
    told = child(
        _OPEN
        + """
with SMBus(1) as bus:
    print(refusal(bus.i2c_rdwr, i2c_msg.write(0x46, [0])), refusal(bus.i2c_rdwr), refusal(fcntl.ioctl, bus.fd, 0x07ff, 0))
print(refusal(SMBus, 9), refusal(SMBus, 4))
"""
    )
    assert told.split() == ["EREMOTEIO", "EINVAL", "ENOTTY", "ENOENT", "EACCES"]


@pytest.mark.parametrize("code", [errno.ENXIO, errno.EAGAIN, errno.ETIMEDOUT, errno.EBUSY, errno.EIO])
def test_a_controllers_error_arrives_by_number(code: int, wire: Wire, child: Child) -> None:
    """Whatever number the controller fails with is the one the process sees."""
    wire.faults.append(Refuse(code=code, address=0x44))
    told = child(_OPEN + "with SMBus(1) as bus: print(refusal(bus.i2c_rdwr, i2c_msg.write(0x44, [0x24, 0])))")
    assert told.strip() == errno.errorcode[code]


def test_a_kernels_multiplexer_makes_its_channels_buses(kernel: EmulatedKernel, wire: Wire, child: Child) -> None:
    """Behind channel 2 of a multiplexer that the kernel drives from number 22 on, 24 reads; its own address is busy."""
    kernel.drive(wire, wire.muxes[0], first=22)
    told = child(
        _OPEN
        + """
with SMBus(24) as bus:
    bus.i2c_rdwr(i2c_msg.write(0x45, [0x24, 0x00]))
    time.sleep(0.02)
    answer = i2c_msg.read(0x45, 6)
    bus.i2c_rdwr(answer)
    print(bytes(answer).hex(), refusal(fcntl.ioctl, bus.fd, 0x0703, 0x70))
with SMBus(23) as bus:
    print(refusal(bus.i2c_rdwr, i2c_msg.write(0x45, [0x24, 0])))
print(*sorted(name for name in os.listdir("/dev") if name.startswith("i2c-")))
print(os.path.realpath("/sys/bus/i2c/devices/i2c-24"), os.path.basename(os.path.realpath("/sys/bus/i2c/devices/1-0070/driver")))
print(open("/sys/bus/i2c/devices/i2c-24/name").read())
"""
    )
    lines = told.splitlines()
    assert lines[0] == f"{packed(26_000, 40_000).hex()} EBUSY"
    assert lines[1] == "EREMOTEIO"
    assert lines[2].split() == ["i2c-1", *(f"i2c-{number}" for number in range(22, 30))]
    assert lines[3].split() == ["/sys/devices/emulated/i2c-1/i2c-24", "pca954x"]
    assert lines[4] == "i2c-1-mux (chan_id 2)"
    assert wire.muxes[0].mask == 0, "disconnected when idle"


def test_left_as_is_two_kernels_multiplexers_stand_open_at_once(
    kernel: EmulatedKernel, wire: Wire, child: Child
) -> None:
    """Without an idle state of `disconnect` a channel stays open behind the kernel's back: two sensors answer."""
    other = wire.add_mux(0x71)
    other.channels[5].append(Sht3x(lambda: AIR, serial=9, address=0x45))
    kernel.drive(wire, wire.muxes[0], first=22, disconnect=False)
    kernel.drive(wire, other, first=30, disconnect=False)
    child(
        _OPEN
        + """
for number in (24, 35):
    with SMBus(number) as bus:
        bus.i2c_rdwr(i2c_msg.write(0x45, [0x24, 0x00]))
    time.sleep(0.02)
"""
    )
    assert [mux.mask for mux in wire.muxes] == [1 << 2, 1 << 5]


def test_a_time_out_counts_on_the_controller_only(kernel: EmulatedKernel, wire: Wire, child: Child) -> None:
    """A held line costs what was set on the controller's device; what is set on a channel's changes nothing."""
    kernel.drive(wire, wire.muxes[0], first=22)
    wire.faults.append(HeldLow())
    told = child(
        _OPEN
        + """
for device, asked in ((24, 10), (1, 10), (1, 30)):
    with SMBus(device) as setting, SMBus(24) as bus:
        fcntl.ioctl(setting.fd, 0x0702, asked)
        began = time.monotonic()
        print(refusal(bus.i2c_rdwr, i2c_msg.write(0x45, [0x24, 0])), round(time.monotonic() - began, 1))
"""
    )
    # the channel is selected first, and selecting is what times out
    assert [line.split() for line in told.splitlines()] == [
        ["ETIMEDOUT", "2.0"],
        ["ETIMEDOUT", "0.2"],
        ["ETIMEDOUT", "0.6"],
    ]


def test_a_controller_without_empty_messages_refuses_them(kernel: EmulatedKernel, wire: Wire, child: Child) -> None:
    """Where a message of no bytes cannot be sent it is refused as unsupported, and SMBus quick is not among its functions."""
    kernel.adapters[1].controller.empty_messages = False
    told = child(
        _OPEN
        + """
with SMBus(1) as bus:
    print(refusal(bus.i2c_rdwr, i2c_msg.write(0x44, b"")), int(bus.funcs) >> 16 & 1, refusal(bus.write_quick, 0x44))
"""
    )
    assert told.split() == ["ENOTSUP", "0", "ENOTSUP"]  # another name of EOPNOTSUPP


def test_scan_finds_what_hangs_there(wire: Wire, child: Child) -> None:
    """`probes scan`, unmodified and without a configuration, lists /dev and finds both sensors where they are."""
    told = child("", "probes", "scan")
    rows = [line.split()[:4] for line in told.splitlines()]
    assert ["i2c1", "0x44", "sht31d", "7"] in rows
    assert ["i2c1", "0x70/2", "0x45", "sht31d"] in rows
