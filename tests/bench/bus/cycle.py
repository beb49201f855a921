"""How long a cycle of 128 probes takes by the emulated bus's own clock: python tests/bench/bus/cycle.py"""

from __future__ import annotations

import json
import sys
import time

from tests.wire.wire_faults import HeldLow, Noise
from tests.wire.wire_large import large_rack

from dewkeeper_drivers.buses import open_bus
from dewkeeper_drivers.errors import ProbeError
from dewkeeper_drivers.registry import open_probe


def measure(cycles: int = 20) -> dict[str, float]:
    """Return seconds per cycle: healthy, with a dead branch (worst), with 20 % of transfers lost (worst)."""
    rack = large_rack("bench")
    bus = open_bus(rack.bus)
    probes = [open_probe(config, bus) for config in rack.probes]

    def cycle() -> float:
        began = rack.wire.now()
        bus.begin_cycle()
        for probe in probes:
            try:
                probe.read()
            except ProbeError:
                continue
        bus.end_cycle()
        return rack.wire.now() - began

    before, transfers, real = sum(c.converted for c in rack.chips.values()), rack.wire.transfers, time.perf_counter()
    result = {"healthy_s": cycle()}
    result["real_cpu_ms"] = (time.perf_counter() - real) * 1000
    result["transfers"] = rack.wire.transfers - transfers
    result["conversions"] = sum(c.converted for c in rack.chips.values()) - before
    for name, fault in (("dead_branch_worst_s", HeldLow(branch=(0x74, 5))), ("noise_worst_s", Noise(share=0.2))):
        rack.wire.faults[:] = [fault]
        result[name] = max(cycle() for _ in range(cycles))
        rack.wire.faults.clear()
        cycle()
        cycle()
    bus.close()
    return {name: round(value, 3) for name, value in result.items()}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(measure()) + "\n")
