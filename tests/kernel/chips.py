"""Chips for another process: python -m tests.kernel.chips FOLDER [--probes 12] [--behind none|user|kernel] ...

Serves FOLDER/dev/i2c-1 (and, with `--behind kernel`, /dev/i2c-22 onwards) until SIGTERM, in real time. What must be in
the other process's environment is printed first, a line NAME=value each, and then the probes' tables for its
configuration. FOLDER must be one that process may read, and write to its `socket`; a short path, at most 90 letters.

FOLDER/air.json may change what is there, at any time: {"humidity": {"p3": 40}, "temperature": {"p3": 39.5},
"unplugged": ["p5"], "held": true}; what is not named is well, at 28 °C and 65 %RH, give or take a sensor's noise.
"""

from __future__ import annotations

import argparse
import json
import random
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.kernel.emulated import EmulatedKernel, preloaded
from tests.wire.wire_faults import HeldLow

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Air, Sht3x

FIRST_CHANNEL = 22
FIRST_SERIAL = 0x0C41_0001
NOISE_C, NOISE_PERCENT = 0.013, 0.027
"""One sigma; the SHT3x data sheet gives 0.04 °C and 0.08 %RH as three."""


class Rack:
    """The wire, its probes `p0`, `p1` ... and where each hangs: bus number, multiplexer, channel, address.

    behind: `none`, or multiplexers driven by the daemon (`user`) or by the `kernel`. air: of each probe, by its index.
    """

    def __init__(
        self, kernel: EmulatedKernel, probes: int, behind: str, number: int = 1, air: Callable[[int], Air] | None = None
    ) -> None:
        self.control: dict[str, Any] = {}
        self.wire = Wire(number)
        self.chips: dict[str, Sht3x] = {}
        self.places: dict[str, tuple[int, int | None, int | None, int]] = {}
        kernel.add(self.wire)
        for index in range(probes):
            chip = Sht3x(air(index) if air else self._air(f"p{index}"), FIRST_SERIAL + index, 0x44 + index % 2)
            self.chips[f"p{index}"] = chip
            if behind == "none":
                self.wire.attach(chip)
                self.places[f"p{index}"] = (number, None, None, chip.address)
                continue
            mux_index, channel = divmod(index // 2, 8)
            if mux_index == len(self.wire.muxes):
                mux = self.wire.add_mux(0x70 + mux_index)
                if behind == "kernel":
                    kernel.drive(self.wire, mux, FIRST_CHANNEL + 8 * mux_index)
            self.wire.muxes[mux_index].channels[channel].append(chip)
            if behind == "kernel":
                self.places[f"p{index}"] = (FIRST_CHANNEL + 8 * mux_index + channel, None, None, chip.address)
            else:
                self.places[f"p{index}"] = (number, 0x70 + mux_index, channel, chip.address)

    def obey(self, control: dict[str, Any]) -> None:
        """Make everything as the file says."""
        self.control = control
        for name, chip in self.chips.items():
            chip.plugged = name not in control.get("unplugged", ())
        self.wire.faults = [HeldLow()] if control.get("held") else []

    def configuration(self) -> str:
        """Return the tables of buses, enclosures and probes for a configuration file; each probe has a tub of its own."""
        lines = []
        for number in sorted({place[0] for place in self.places.values()}):
            muxes = sorted({place[1] for place in self.places.values() if place[0] == number and place[1] is not None})
            lines += ["[[bus]]", f'name = "i2c{number}"', f"number = {number}"]
            lines += [f'adapter = "i2c{self.wire.number}"'] if number != self.wire.number else []
            lines += [f"multiplexers = [{', '.join(f'{{ address = {m:#04x} }}' for m in muxes)}]"] if muxes else []
        lines += ["[[rack]]", 'name = "R"', 'room = "room"']
        for index, (name, (number, mux, channel, address)) in enumerate(self.places.items()):
            lines += [
                "[[enclosure]]",
                f'name = "T{index}"',
                'rack = "R"',
                f"shelf = {1 + index // 8}",
                f"place = {1 + index % 8}",
            ]
            lines += [
                "[[probe]]",
                f'name = "{name}"',
                f'enclosure = "T{index}"',
                f'bus = "i2c{number}"',
                f"address = {address:#04x}",
            ]
            lines += [f"multiplexer = {mux:#04x}", f"channel = {channel}"] if mux is not None else []
        return "\n".join(lines) + "\n"

    def _air(self, name: str) -> Air:
        dice = random.Random(name)
        # The sensor's own noise: one that gives the same words over and over is rightly called stuck.
        return lambda: (
            float(self.control.get("temperature", {}).get(name, 28.0)) + dice.gauss(0.0, NOISE_C),
            float(self.control.get("humidity", {}).get(name, 65.0)) + dice.gauss(0.0, NOISE_PERCENT),
        )


def main(arguments: list[str]) -> None:
    """Serve until SIGTERM or SIGINT."""
    parser = argparse.ArgumentParser(prog="python -m tests.kernel.chips", description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--probes", type=int, default=12)
    parser.add_argument(
        "--behind",
        choices=("none", "user", "kernel"),
        default="user",
        help="multiplexers: none, driven by the daemon, or by the kernel",
    )
    parser.add_argument("--number", type=int, default=1, help="of /dev/i2c-N")
    args = parser.parse_args(arguments)
    args.folder.mkdir(parents=True, exist_ok=True)
    over = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: over.set())
    with EmulatedKernel(args.folder, real_time=True) as kernel:
        rack = Rack(kernel, args.probes, args.behind, args.number)
        for name, value in preloaded(args.folder, "real").items():
            print(f"{name}={value}")
        print(rack.configuration(), flush=True)
        said = ""
        while not over.wait(0.1):
            text = (args.folder / "air.json").read_text() if (args.folder / "air.json").exists() else "{}"
            if text != said:
                try:
                    rack.obey(json.loads(text))
                except ValueError:
                    continue  # half written; the next look finds it whole
                said = text


if __name__ == "__main__":
    main(sys.argv[1:])
