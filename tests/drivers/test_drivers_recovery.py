"""Whatever failed, in whatever order: three polls after the wire is well every probe is read.

One thing is left out, as it is meant: a channel that took the whole bus down twice before it was mended, each time until
somebody pulled the multiplexer's supply, is tried ever more rarely.
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.wire.wire_faults import HeldLow, Refuse, Slow

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import Reading
from dewkeeper.sampling.worker import AdapterWorker
from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.contract import SHT3X

POLLS = 3
MUXES = (0x70, 0x71)
CHANNELS = range(4)
PLACES = [(mux, channel) for mux in MUXES for channel in CHANNELS]

Event = tuple[str, int]
"""What fails, and at which of the places (or of the multiplexers) it does."""

Seam = Callable[[Wire, BusConfig], BusConfig]


class Rack:
    """Two multiplexers with four probes each and one on the bus itself, polled by a worker as the daemon has it."""

    def __init__(self, seam: Seam) -> None:
        self.wire = register_rack("recovery").add(1)
        self.chips: list[Sht3x] = []
        for address in MUXES:
            mux = self.wire.add_mux(address)
            for channel in CHANNELS:
                mux.channels[channel].append(self._chip(0x44))
        self.wire.attach(self._chip(0x45))
        config = BusConfig(
            name="w",
            kind="wire",
            number=1,
            multiplexers=[Multiplexer(address=a) for a in MUXES],
            options={"rack": "recovery"},
        )
        probes = [
            ProbeConfig(name=f"p{n}", enclosure="B4", bus="w", address=0x44, multiplexer=mux, channel=channel)
            for n, (mux, channel) in enumerate(PLACES)
        ]
        probes.append(ProbeConfig(name=f"p{len(PLACES)}", enclosure="B4", bus="w", address=0x45))
        self.worker = AdapterWorker("w", [seam(self.wire, config)], probes, ManualClock(), lambda *_: None)
        self.poll()

    def _chip(self, address: int) -> Sht3x:
        number = len(self.chips)
        self.chips.append(Sht3x(lambda: SHT3X.decode(20_000 + number, 30_000 + number), 1_000 + number, address))
        return self.chips[-1]

    def poll(self) -> dict[str, int | None]:
        found: list[Reading] = []
        self.worker.read_all(1_000, found.append)
        for reading in found:
            right = 20_000 + int(reading.probe[1:])
            assert reading.temperature_word in (None, right), f"{reading.probe} read another sensor"
        return {reading.probe: reading.temperature_word for reading in found}

    def happen(self, events: list[Event]) -> None:
        """Have exactly these things wrong from now on."""
        self.wire.faults, self.wire.exists = [], True
        for mux in self.wire.muxes:
            mux.plugged, mux.deaf = True, False
        for chip in self.chips:
            chip.plugged = True
        for what, index in events:
            getattr(self, f"_{what}")(index)

    def well(self) -> None:
        """Mend everything, as a keeper does: the plugs, and the multiplexers' supply once."""
        self.happen([])
        for mux in self.wire.muxes:
            mux.power_cycle()

    def _unplugged(self, index: int) -> None:
        self.chips[index].plugged = False

    def _dead_channel(self, index: int) -> None:
        self.wire.faults.append(HeldLow(branch=PLACES[index]))

    def _absent_multiplexer(self, index: int) -> None:
        mux = self.wire.muxes[index % 2]
        mux.plugged = False
        mux.power_cycle()

    def _deaf_multiplexer(self, index: int) -> None:
        self.wire.muxes[index % 2].deaf = True

    def _slow_multiplexer(self, index: int) -> None:
        self.wire.faults.append(Slow(0.3, address=MUXES[index % 2]))

    def _held_multiplexer(self, index: int) -> None:
        """A time-out at each word to it, while others are heard."""

        def fault(wire: Wire, transfer: Any, happen: Callable[[], None]) -> None:
            if transfer.address != MUXES[index % 2]:
                return happen()
            wire.pass_time(wire.timeout_seconds)
            raise OSError(errno.ETIMEDOUT, "injected")

        self.wire.faults.append(fault)

    def _short(self, index: int) -> None:
        """Nobody on the bus is heard any more once the channel was selected, its multiplexer included."""
        self.wire.faults.append(HeldLow(branch=PLACES[index], deaf=True))

    def _refused_channel(self, index: int) -> None:
        mux, channel = PLACES[index]
        self.wire.faults.append(Refuse(code=errno.EIO, address=mux, kind="write", data=bytes([1 << channel])))

    def _held_bus(self, index: int) -> None:
        del index
        self.wire.faults.append(HeldLow())

    def _no_device(self, index: int) -> None:
        del index
        self.wire.exists = False


WHAT = [name.removeprefix("_") for name in vars(Rack) if name[0] == "_" and name[1] != "_" and name != "_chip"]


def _one_short(steps: list[tuple[list[Event], int]]) -> bool:
    """Tell whether there is no more than one short, and that in one step."""
    return sum(what == "short" for events, _ in steps for what, _ in events) <= 1


STEPS = st.lists(
    st.tuples(
        st.lists(st.tuples(st.sampled_from(WHAT), st.integers(0, len(PLACES) - 1)), max_size=5), st.integers(1, 6)
    ),
    min_size=1,
    max_size=6,
).filter(_one_short)


@pytest.mark.above_seam
@settings(
    max_examples=amount(15, 600), suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(steps=STEPS)
@example(steps=[([("held_multiplexer", 0)], 6), ([("dead_channel", 0), ("held_multiplexer", 0)], 6)])
@example(steps=[([("dead_channel", 0)], 6), ([("dead_channel", 0), ("slow_multiplexer", 0)], 6)])
@example(steps=[([("dead_channel", n) for n in range(8)], 5)])
@example(steps=[([("dead_channel", 0)], 30), ([("held_bus", 0)], 4)])
@example(steps=[([("dead_channel", 3)], 5), ([("short", 3)], 4)])
def test_three_polls_after_the_wire_is_well_every_probe_is_read(
    steps: list[tuple[list[Event], int]], seam: Seam
) -> None:
    """Probes, channels, multiplexers, the bus and its device fail and come back in any order; nothing stays given up."""
    rack = Rack(seam)
    try:
        for events, polls in steps:
            rack.happen(events)
            for _ in range(polls):
                rack.poll()
        rack.well()
        for _ in range(POLLS):
            found = rack.poll()
        assert found == {f"p{n}": 20_000 + n for n in range(len(PLACES) + 1)}
    finally:
        rack.worker.start()
        rack.worker.stop()
        rack.worker.thread.join(10)
