"""The adapter's worker over the wire-level bus: who is asked who it is, and what is said of sick branches."""

from __future__ import annotations

from typing import Any

import pytest
from tests.wire.wire_faults import HeldLow, Noise
from tests.wire.wire_large import LargeRack, large_rack

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import Reading
from dewkeeper.sampling.bus_reports import BusReports
from dewkeeper.sampling.worker import AdapterWorker


class Working:
    """A worker over one multiplexer with 16 probes, driven by hand in the test's own thread."""

    def __init__(self) -> None:
        self.rack: LargeRack = large_rack("worker", multiplexers=1)
        self.heard: list[tuple[str, int | None]] = []
        self.worker = AdapterWorker(
            "w", [self.rack.bus], self.rack.probes, ManualClock(), lambda p, s: self.heard.append((p, s))
        )

    def poll(self) -> dict[str, Reading]:
        readings: list[Reading] = []
        self.worker.read_all(1_000, readings.append)
        return {reading.probe: reading for reading in readings}


@pytest.fixture
def working() -> Any:
    """Give the worker; its buses are closed as its thread would."""
    made = Working()
    yield made
    made.worker.start()
    made.worker.stop()
    made.worker.thread.join(10)
    assert made.rack.wire.opened == 0


def test_every_sensor_is_asked_once(working: Working) -> None:
    """Each sensor is asked for its serial number when it is opened and not at every poll."""
    for _ in range(3):
        working.poll()
    assert sorted(working.heard) == sorted((f"p{n}", 1000 + n) for n in range(16))


def test_sensor_exchanged_between_two_polls_is_noticed(working: Working) -> None:
    """A sensor pulled and another plugged in within one poll misses no reading, and is asked who it is before that one is handed on."""
    working.poll()
    chip = working.rack.chips["p3"]
    chip.serial = 99
    chip.power_cycle(working.rack.wire.now())
    working.rack.wire.pass_time(1.0)
    assert working.poll()["p3"].failure is None
    assert working.heard[-1] == ("p3", 99)


def test_dead_branch_is_one_report_until_it_is_back(working: Working) -> None:
    """Two probes on a dead channel are one trouble, named in words; its end is reported once."""
    reports = BusReports(lambda: working.worker.faults, dict)
    working.poll()
    working.rack.wire.faults.append(HeldLow(branch=(0x70, 3)))
    for _ in range(4):
        readings = working.poll()
    assert [p for p, reading in readings.items() if reading.failure == "bus"] == ["p6", "p7"]
    (report,) = reports(1_000)
    assert report.trouble
    assert report.part == "w multiplexer 0x70 channel 3"
    working.rack.wire.faults.clear()
    for _ in range(3):
        working.poll()
    assert [(r.part, r.trouble) for r in reports(1_100)] == [(report.part, False)]
    assert reports(1_160) == []


def test_a_fifth_of_all_transfers_lost_leaves_the_cycles_complete(working: Working) -> None:
    """With 20 % of all transfers refused at random, at least 99 % of 200 cycles have a value from every one of 16 probes."""
    working.poll()
    working.rack.wire.faults.append(Noise(0.2))
    complete = sum(all(reading.failure is None for reading in working.poll().values()) for _ in range(200))
    working.rack.wire.faults.clear()
    assert complete >= 198
