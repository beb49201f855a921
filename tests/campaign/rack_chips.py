"""The campaign's chips in a process of their own, below the emulated kernel: python -m tests.campaign.rack_chips FOLDER.

FOLDER/k holds /dev/i2c-1 and /dev/i2c-2 until SIGTERM. A time-out takes the daemon's real time there, as set on the
controller: not sixty times as fast, as it does where the wire is in the daemon's process.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from tests.campaign.rack_process import FastClock, wired
from tests.kernel.emulated import EmulatedKernel

from dewkeeper.service.signals import EndSignal


def main(folder: Path) -> None:
    """Serve until SIGTERM."""
    end = EndSignal()
    with (
        EmulatedKernel(folder / "k") as kernel,
        wired(folder, FastClock(time.monotonic, 0.0), wire_speed=1.0) as rack,
    ):
        for wire in rack.wires:
            kernel.add(wire)
        (folder / "k/ready").touch()
        while not end.wait(1.0):
            pass
        rack.release.set()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
