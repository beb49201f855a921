"""A rack behind multiplexers that the kernel drives: each channel a bus of its own, all on one controller's wires."""

from __future__ import annotations

import errno
from collections.abc import Iterator

import pytest
from tests.kernel.emulated import EmulatedKernel
from tests.wire.wire_faults import HeldLow

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import Reading
from dewkeeper.sampling.worker import AdapterWorker
from dewkeeper_config.models import BusConfig, ProbeConfig
from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.contract import SHT3X
from dewkeeper_drivers.linux import TRANSFER_TIMEOUT_SECONDS

FIRST = 22
CHANNELS = range(16)


class ChannelRack:
    """Two multiplexers of the kernel's, 16 channels, two probes on each, polled by a worker as the daemon has it."""

    def __init__(self, kernel: EmulatedKernel) -> None:
        self.kernel = kernel
        self.wire = Wire(1)
        kernel.add(self.wire)
        self.chips = [self._chip(number) for number in range(32)]
        for place, address in enumerate((0x70, 0x71)):
            mux = self.wire.add_mux(address)
            kernel.drive(self.wire, mux, FIRST + 8 * place)
            for channel in range(8):
                at = 16 * place + 2 * channel
                mux.channels[channel].extend(self.chips[at : at + 2])
        buses = [BusConfig(name=f"c{n}", number=FIRST + n, adapter="i2c1") for n in CHANNELS]
        probes = [ProbeConfig(name=f"p{n}", enclosure="B4", bus=f"c{n // 2}", address=0x44 + n % 2) for n in range(32)]
        self.worker = AdapterWorker("i2c1", buses, probes, ManualClock(), lambda *_: None)
        self.seconds = 0.0

    @staticmethod
    def _chip(number: int) -> Sht3x:
        return Sht3x(lambda: SHT3X.decode(20_000 + number, 30_000 + number), 1_000 + number, 0x44 + number % 2)

    def poll(self) -> set[int]:
        """Return the numbers of the probes that were read; each must have read its own sensor."""
        began = self.wire.now()
        found: list[Reading] = []
        self.worker.read_all(1_000, found.append)
        self.seconds = self.wire.now() - began
        read = {int(r.probe[1:]): r.temperature_word for r in found if r.failure is None}
        assert read == {number: 20_000 + number for number in read}
        return set(read)

    def hold(self, *channels: int) -> None:
        """Short these channels, or everything."""
        places = [(0x70 + channel // 8, channel % 8) for channel in channels]
        self.wire.faults = [HeldLow(branch=place) for place in places] or [HeldLow()]

    def close(self) -> None:
        self.worker.start()
        self.worker.stop()
        self.worker.thread.join(10)


ALL = set(range(32))


@pytest.fixture
def rack(inside: EmulatedKernel) -> Iterator[ChannelRack]:
    """Give the rack."""
    made = ChannelRack(inside)
    yield made
    made.close()


def test_every_probe_reads_its_own_air(rack: ChannelRack) -> None:
    """32 probes on 16 channels give their own air, a conversion each, and leave no channel open."""
    rack.poll()
    before = [chip.converted for chip in rack.chips]
    assert rack.poll() == ALL
    assert [chip.converted - b for chip, b in zip(rack.chips, before, strict=True)] == [1] * 32
    assert [mux.mask for mux in rack.wire.muxes] == [0, 0]


def test_the_time_out_is_set_where_it_counts(rack: ChannelRack) -> None:
    """Opening a channel bounds the controller that it hangs on: what is set on the channel has no effect."""
    rack.poll()
    assert rack.wire.timeout_seconds == TRANSFER_TIMEOUT_SECONDS


@pytest.mark.parametrize("allowed", [True, False], ids=["bounded", "the kernel's own time-out"])
def test_a_held_bus_costs_little(allowed: bool, rack: ChannelRack) -> None:
    """A held line costs two channels' time-outs once, then one's a poll; when it is well all are read by the third poll.

    Also when the controller's device may not be opened, and its time-out stays the kernel's second.
    """
    if not allowed:
        rack.kernel.adapters[1].refusal = errno.EACCES
    assert rack.poll() == ALL
    rack.hold()
    once = 2 * rack.wire.timeout_seconds  # selecting the channel, and letting go of it
    for cycle in range(20):
        assert rack.poll() == set()
        assert rack.seconds <= (4 if cycle == 0 else 1) * once + 0.1
    (fault,) = rack.worker.faults
    assert fault.bus == "i2c1"
    rack.wire.faults.clear()
    rack.poll()
    rack.poll()
    assert rack.poll() == ALL
    assert rack.worker.faults == ()


def test_held_from_the_start_costs_no_more(rack: ChannelRack) -> None:
    """A line that is held when the daemon starts is asked by two channels in the first poll, not by sixteen."""
    rack.kernel.adapters[1].refusal = errno.EACCES
    rack.hold()
    rack.poll()
    assert rack.seconds <= 4 * 2.0 + 0.1
    for _ in range(4):
        rack.poll()
        assert rack.seconds <= 2.0 + 0.1


def test_a_dead_channel_costs_its_own_probes_only(rack: ChannelRack) -> None:
    """A short behind one channel costs its two probes and at most two seconds a poll; four cost at most three."""
    rack.poll()
    rack.poll()
    healthy = rack.seconds
    rack.hold(5)
    for _ in range(8):
        assert rack.poll() == ALL - {10, 11}
        assert rack.seconds <= healthy + 2.0
    rack.hold(5, 6, 7, 12)
    for cycle in range(8):
        found = rack.poll()
        assert rack.seconds <= healthy + 3.0
        assert found == ALL - {10, 11, 12, 13, 14, 15, 24, 25} or cycle == 0
    rack.wire.faults.clear()
    rack.poll()
    rack.poll()
    assert rack.poll() == ALL
