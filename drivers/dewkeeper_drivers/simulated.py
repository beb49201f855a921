"""A probe without hardware, with the faults real ones have: it drifts, sticks, drops off the bus, damages answers.

What it does not imitate: a bus, timing, a sensor's response time. The series is a pure function of options and time.
"""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Callable
from typing import Literal

from dewkeeper_config.models import ProbeConfig
from dewkeeper_config.models.base import Field, Model
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import SHT3X, Sample
from dewkeeper_drivers.errors import DriverUnusable, ProbeCrc, ProbeMissing
from dewkeeper_drivers.options import options_as

Fault = Literal["", "drift", "stick", "drop", "crc", "saturate", "restart", "heater"]
_DAY_SECONDS = 86_400.0
_WARMEST_SECONDS = 15 * 3600.0

_clocks: dict[str, tuple[Callable[[], float], float]] = {"": (time.time, time.time())}


def register_clock(name: str, now: Callable[[], float]) -> None:
    """Let probes with the option `clock = name` live by `now` (UTC seconds); fault times count from this moment."""
    _clocks[name] = (now, now())


class SimulatedOptions(Model):
    """What a simulated probe is to do."""

    seed: str | int | float | None = Field(default=None, description="Another series; else the probe's name decides.")
    temperature_c: float = Field(default=28.5, description="The middle of the day's swing.")
    humidity_percent: float = Field(default=65.0, description="The middle of the day's swing.")
    swing_c: float = Field(default=1.5, description="Half of the day's swing, warm and dry at 15:00 UTC.")
    swing_percent: float = Field(default=2.0, description="Half of the day's swing.")
    noise_percent: float = Field(default=0.1, description="Standard deviation; a thirtieth of it in °C.")
    fault: Fault = Field(default="", description="`drop` and `crc` only in the time of the fault.")
    fault_after_seconds: float = Field(default=0.0, description="When, counted from the clock's registration.")
    fault_for_seconds: float = Field(default=math.inf, description="For how long.")
    fault_share: float = Field(default=1.0, description="The share of readings that fail in that time, 0 to 1.")
    drift_percent_per_hour: float = Field(default=1.0, description="For `drift`.")
    clock: str = Field(default="", description="One registered with `register_clock`; else the machine's.")


Options = SimulatedOptions  # the name by which `options` finds it


class SimulatedProbe:
    """One simulated probe. Raises DriverUnusable for wrong options, ProbeMissing while it is dropped."""

    def __init__(self, config: ProbeConfig) -> None:
        options = options_as(SimulatedOptions, config)
        self._name = config.name
        self._seed = str(config.name if options.seed is None else options.seed)
        self._temperature_c = options.temperature_c
        self._humidity_percent = options.humidity_percent
        self._swing_c = options.swing_c
        self._swing_percent = options.swing_percent
        self._noise_percent = options.noise_percent
        self._fault = options.fault
        self._fault_after = options.fault_after_seconds
        self._fault_for = options.fault_for_seconds
        self._fault_share = options.fault_share
        self._drift = options.drift_percent_per_hour
        self._serial = config.serial if config.serial is not None else int(self._dice("serial") * 2**32)
        clock = options.clock
        if clock not in _clocks:
            raise DriverUnusable(f"probe {config.name}: no clock {clock!r} is registered")
        self._now, self._origin = _clocks[clock]
        self._must_be_there(self._struck(self._now())[0])

    def read(self) -> Sample:
        """Return what it senses now. Raises ProbeMissing, ProbeCrc as its fault asks."""
        now = self._now()
        fault, since = self._struck(now)
        self._must_be_there(fault)
        if fault == "crc":
            raise ProbeCrc(f"probe {self._name}: the checksum does not match (simulated)", self._name)
        temperature_c, humidity_percent = self._air(now - since if fault == "stick" else now)
        if fault == "drift":
            humidity_percent += self._drift * since / 3600
        if fault == "saturate":
            humidity_percent = 100.0
        if fault == "heater":
            temperature_c, humidity_percent = temperature_c + 4.0, humidity_percent * 0.8
        notes = {"heater": ("heater_on",), "restart": ("reset_seen",)}.get(fault, ())
        return Sample(*SHT3X.encode(temperature_c, humidity_percent), SHT3X, notes)

    def serial(self) -> int | None:
        """Return the configured serial number, or one that follows from the seed. Raises ProbeMissing if dropped."""
        self._must_be_there(self._struck(self._now())[0])
        return self._serial

    def close(self) -> None:
        """Nothing to release."""

    def _struck(self, now: float) -> tuple[str, float]:
        """Return the fault in force, "" for none, and the seconds since its time began."""
        since = now - self._origin - self._fault_after
        in_force = 0 <= since < self._fault_for and self._dice(f"fault{now}") < self._fault_share
        return (self._fault if in_force else ""), since

    def _must_be_there(self, fault: str) -> None:
        if fault == "drop":
            raise ProbeMissing(f"probe {self._name}: no answer (simulated)", self._name)

    def _air(self, when: float) -> tuple[float, float]:
        warmth = math.cos(2 * math.pi * (when - _WARMEST_SECONDS) / _DAY_SECONDS)
        # Box-Muller: two numbers from two others, repeatable for the moment.
        size = math.sqrt(-2 * math.log(1 - self._dice(f"size{when}"))) * self._noise_percent
        turn = 2 * math.pi * self._dice(f"turn{when}")
        return (
            self._temperature_c + self._swing_c * warmth + size * math.cos(turn) / 30,
            self._humidity_percent - self._swing_percent * warmth + size * math.sin(turn),
        )

    def _dice(self, what: str) -> float:
        """Return 0 to below 1, always the same for the same seed and question."""
        digest = hashlib.blake2b(f"{self._seed}/{what}".encode(), digest_size=7).digest()
        return int.from_bytes(digest, "big") / 2**56


def open_probe(config: ProbeConfig, bus: Bus | None) -> SimulatedProbe:
    """Return the simulated probe; a bus is not needed. Raises DriverUnusable."""
    del bus
    return SimulatedProbe(config)
