"""A day of pulled plugs leaves nothing behind: no descriptors, threads or memory."""

from __future__ import annotations

import gc
import threading
from pathlib import Path

import pytest
from tests.amounts import amount
from tests.wire.wire_large import large_rack

from dewkeeper_drivers.buses import open_bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import ProbeError
from dewkeeper_drivers.registry import open_probe


@pytest.mark.above_seam
def test_day_of_unplugging_grows_nothing(tmp_path: Path) -> None:
    """1,440 polls (210 outside CI) in which probes, multiplexers and the adapter come and go cost nothing for good."""
    rack = large_rack("growth", multiplexers=1, lock=tmp_path / "adapter.lock")
    bus = open_bus(rack.bus)
    opened: dict[str, Probe] = {}
    good = 0

    def poll(number: int) -> None:
        nonlocal good
        rack.wire.exists = number % 5 != 4
        rack.wire.muxes[0].plugged = number % 7 != 6
        rack.chips[f"p{number % 16}"].plugged = number % 2 == 0
        bus.begin_cycle()
        for config in rack.probes:
            try:
                if config.name not in opened:
                    opened[config.name] = open_probe(config, bus)
                opened[config.name].read()
                good += 1
            except ProbeError:
                opened.pop(config.name, None)
        bus.end_cycle()

    def measured() -> tuple[int, int, int]:
        gc.collect()
        return len(list(Path("/proc/self/fd").iterdir())), threading.active_count(), len(gc.get_objects())

    polls = amount(210, 1440)
    for number in range(140):
        poll(number)
    before = measured()
    for number in range(140, polls):
        poll(number)
    after = measured()
    bus.close()
    assert good > 3 * polls
    assert after[:2] == before[:2]
    assert after[2] - before[2] < 500, f"{after[2] - before[2]} objects more"
