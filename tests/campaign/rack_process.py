"""The daemon's process in the campaign: the real `Daemon` on an emulated wire, sixty times as fast as life.

Run as `python -m tests.campaign.rack_process FOLDER`. With the emulated kernel below it (tests/kernel) the wire is in another process,
which lives on when the daemon is killed (rack_chips.py). The wire: bus 1 has a multiplexer 0x70 with a probe on each channel, another,
0x71, with two, one of which repeats their address; bus 2 has three probes which no fault touches. Every conversion is numbered: the temperature word
counts the probe's conversions, the humidity word says whose it is, so that loss and mixing can be counted in the
database. `control.json` in the folder says what is wrong; it is looked at all the time, and `control.done` repeats
the number of the last one obeyed. Counters survive the process, as the air does.
"""

from __future__ import annotations

import contextlib
import json
import logging
import mmap
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.campaign.pace import LOOK_SECONDS, Told
from tests.wire.wire_faults import BitFlips, Blocked, HeldLow, Noise, Refuse

from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper.service.signals import EndSignal
from dewkeeper_config.last_good import load_or_last_good
from dewkeeper_demo.wire import Wire, WireRack, register_rack
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.contract import SHT3X

SPEED = 60.0
"""Simulated seconds a real second."""

PLACES = ("E0", "E1", "E2", "E3", "E4", "E5", "E6", "E7", "F0", "F1", "G0", "G1", "G2")
FIRST_WORD = 27_000  # 27.1 °C, and 0.16 °C more every sixty conversions
CALM_WORD, DRY_WORD, WORDS_EACH = 42_598, 29_491, 50  # 65 and 45 %RH
CHANNEL = 3
"""The multiplexer's channel, and so the probe, that most faults strike."""


SERIAL = 0xA0_0000


def address_of(place: str) -> int:
    """Return the address of a place's probe: one behind the second multiplexer has one that no other has."""
    return 0x45 if place == "F1" else 0x44


def whose(humidity_word: int) -> int:
    """Return the index in `PLACES` of the probe a humidity word was made by; -1 for no probe of ours."""
    for base in (CALM_WORD, DRY_WORD):
        index, rest = divmod(humidity_word - base, WORDS_EACH)
        if rest == 0 and 0 <= index < len(PLACES):
            return index
    return -1


class FastClock:
    """A clock of seconds since the start of a run, `SPEED` times as fast.

    frozen: names of threads that do not come back from waiting. stepped: seconds the wall clock was stepped by.
    """

    def __init__(self, seconds: Callable[[], float], wall: float) -> None:
        self._seconds = seconds
        self._wall = wall
        self.frozen: set[str] = set()
        self.stepped = 0.0

    def monotonic(self) -> float:
        """Return simulated seconds since the start of the run."""
        return self._seconds() * SPEED

    def wall(self) -> float:
        """Return simulated UTC seconds."""
        return self._wall + self.monotonic() + self.stepped

    def wait(self, event: threading.Event, seconds: float | None) -> bool:
        """Wait so many simulated seconds at most."""
        if threading.current_thread().name in self.frozen:
            threading.Event().wait()
        if seconds is None:
            return event.wait()
        end = self.monotonic() + seconds
        while (left := (end - self.monotonic()) / SPEED) > 0:  # it may run slower than it seems now
            if event.wait(max(left, LOOK_SECONDS / 2)):
                return True
        return event.is_set()


class FastWire(Wire):
    """A wire whose own time also passes in reality, `speed` times as fast."""

    def __init__(self, number: int, speed: float) -> None:
        super().__init__(number)
        self._speed = speed

    def pass_time(self, seconds: float) -> None:
        """Let time pass; what is too short for a sleep only counts."""
        super().pass_time(seconds)
        if seconds > 0.05:
            time.sleep(seconds / self._speed)


class Rack:
    """The wires, and what the control file does to them."""

    def __init__(self, folder: Path, clock: FastClock, wire_speed: float = SPEED) -> None:
        self._clock = clock
        self._freezes = folder / "freezes"
        counters = folder / "counters.bin"
        if not counters.exists():
            counters.write_bytes(bytes(8 * len(PLACES)))
        self._file = counters.open("r+b")
        self._counters = mmap.mmap(self._file.fileno(), 0)
        self.dry: set[str] = set()
        self.wet: set[str] = set()
        self.wires = [FastWire(1, wire_speed), FastWire(2, wire_speed)]
        self.probes = {
            place: Sht3x(self._air(index), serial=SERIAL + index, address=address_of(place))
            for index, place in enumerate(PLACES)
        }
        self._build()
        self.release = threading.Event()
        self._exchanged = False

    def _build(self) -> None:
        for wire, address, places in ((0, 0x70, PLACES[:8]), (0, 0x71, PLACES[8:10]), (1, 0x70, PLACES[10:])):
            mux = next((m for m in self.wires[wire].muxes if m.address == address), None) or self.wires[wire].add_mux(
                address
            )
            for channel, place in enumerate(places):
                mux.channels[channel][:] = [self.probes[place]]

    def _air(self, index: int) -> Callable[[], tuple[float, float]]:
        place = PLACES[index]

        def sense() -> tuple[float, float]:
            at = slice(8 * index, 8 * index + 8)
            count = int.from_bytes(self._counters[at], "little") + 1
            self._counters[at] = count.to_bytes(8, "little")
            if place in self.wet:
                return SHT3X.decode(FIRST_WORD + count, 65535)
            base = DRY_WORD if place in self.dry else CALM_WORD
            return SHT3X.decode(FIRST_WORD + count, base + WORDS_EACH * index)

        return sense

    def _exchange(self) -> None:
        """Pull the plugs of two probes."""
        for place in PLACES[CHANNEL : CHANNEL + 2]:
            self.probes[place].power_cycle(self.wires[0].now())

    def close(self) -> None:
        """Let go of the counters."""
        self._counters.close()
        self._file.close()

    def obey(self, control: dict[str, Any]) -> None:
        """Make everything well, then do the control file's will."""
        self.dry, self.wet = set(control.get("dry", ())), set(control.get("wet", ()))
        self.release.set()
        self.release = threading.Event()
        one = self.wires[0]
        one.faults = []
        for mux in one.muxes:
            mux.plugged, mux.deaf = True, False
        before = self._exchanged
        self._exchanged = control.get("fault") == "f13"
        self._build()
        if before != self._exchanged:
            self._exchange()
        for place, probe in self.probes.items():
            probe.plugged, probe.frozen = True, None
            if place in control.get("unplugged", ()):
                probe.plugged = False
        self._clock.stepped = float(control.get("step", 0))
        self._freeze(control)
        fault = control.get("fault")
        if fault is not None:
            getattr(self, f"_{fault}")(one)

    def _freeze(self, control: dict[str, Any]) -> None:
        """Freeze a thread, once for each control that says so: the next life of the process runs on."""
        number = str(control["number"])
        if "freeze" in control and (not self._freezes.exists() or self._freezes.read_text() != number):
            self._freezes.write_text(number)
            self._clock.frozen = {control["freeze"]}

    def _f02(self, wire: Wire) -> None:
        """The multiplexer refuses to select the channel."""
        wire.faults = [Refuse(address=0x70, kind="write", data=bytes([1 << CHANNEL]))]

    def _f03(self, wire: Wire) -> None:
        """The multiplexer does not close again."""
        wire.faults = [Refuse(address=0x70, kind="write", data=b"\0")]

    def _f04(self, wire: Wire) -> None:
        """The multiplexer is not there."""
        wire.muxes[0].plugged = False

    def _f05(self, wire: Wire) -> None:
        """The bus is dead as long as the channel is open."""
        wire.faults = [HeldLow(branch=(0x70, CHANNEL))]

    def _f06(self, wire: Wire) -> None:
        """Every call takes a second and times out."""
        wire.faults = [HeldLow()]

    def _f07(self, wire: Wire) -> None:
        """The next call does not return."""
        wire.faults = [Blocked(self.release)]

    def _f08(self, wire: Wire) -> None:
        """A fifth of all transfers fails."""
        wire.faults = [Noise(0.2)]

    def _f09(self, wire: Wire) -> None:
        """A tenth of all answers has three bits wrong."""
        wire.faults = [BitFlips(0.1, bits=3)]

    def _f10(self, wire: Wire) -> None:
        """A probe repeats one frame."""
        probe = self.probes[PLACES[CHANNEL]]
        probe.frozen = (FIRST_WORD, CALM_WORD + WORDS_EACH * CHANNEL)

    def _f12(self, wire: Wire) -> None:
        """A probe's heater is on."""
        self.probes[PLACES[CHANNEL]].heater = True

    def _f13(self, wire: Wire) -> None:
        """Two probes were plugged into each other's place."""
        channels = wire.muxes[0].channels
        channels[CHANNEL][:], channels[CHANNEL + 1][:] = channels[CHANNEL + 1][:], channels[CHANNEL][:]

    def _f14(self, wire: Wire) -> None:
        """The second multiplexer is stuck with both channels open, and hears nothing."""
        wire.muxes[1].mask, wire.muxes[1].deaf = 0x03, True


def main(folder: Path) -> None:
    """Run until SIGTERM."""
    logging.basicConfig(level=logging.INFO, format="%(relativeCreated)8d %(levelname)s %(name)s: %(message)s")
    run = json.loads((folder / "run.json").read_text())
    clock = FastClock(Told(folder / "pace").seconds, run["wall"])
    end = EndSignal()
    with contextlib.nullcontext() if "EMULATED_I2C" in os.environ else wired(folder, clock):
        file = folder / "dewkeeper.toml"
        config, problems = load_or_last_good(file, folder / "state")
        daemon = Daemon(
            config,
            clock=clock,
            alarm=SilentAlarm,
            problems=problems,
            recheck=lambda: load_or_last_good(file, folder / "state")[1],
        )
        daemon.start()
        while not end.wait(0.5):
            daemon.calendar.run_due()
        daemon.stop()


@contextlib.contextmanager
def wired(folder: Path, clock: FastClock, wire_speed: float = SPEED) -> Iterator[Rack]:
    """Have the rack in this process, obeying the control file."""
    rack = Rack(folder, clock, wire_speed)
    racks: WireRack = register_rack()
    for wire in rack.wires:
        racks.wires[wire.number] = wire
    stop = threading.Event()
    _obey_once(folder, rack, -1)
    obeying = threading.Thread(target=_obey, args=(folder, rack, stop), name="control file", daemon=True)
    obeying.start()
    yield rack
    stop.set()
    obeying.join(5)
    rack.close()


def _obey(folder: Path, rack: Rack, stop: threading.Event) -> None:
    done = -1
    while not stop.wait(0.02):
        done = _obey_once(folder, rack, done)


def _obey_once(folder: Path, rack: Rack, done: int) -> int:
    with contextlib.suppress(OSError, ValueError):
        control = json.loads((folder / "control.json").read_text())
        if control["number"] != done:
            rack.obey(control)
            (folder / "control.done").write_text(str(control["number"]))
            return int(control["number"])
    return done


if __name__ == "__main__":
    main(Path(sys.argv[1]))
