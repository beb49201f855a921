"""Any probe the kernel already reads: temperature and humidity of a folder under /sys/class/hwmon.

The kernel gives thousandths of °C and of %RH (Documentation/hwmon/sysfs-interface.rst) and decides itself when it
converts, so the two values may be of different conversions; set `rounded = true` for the probe.
"""

from __future__ import annotations

import errno
from pathlib import Path

from dewkeeper_config.models import ProbeConfig
from dewkeeper_config.models.base import Field, Model
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import SHT3X, Sample
from dewkeeper_drivers.errors import DriverUnusable, ProbeGarbled, ProbeMissing
from dewkeeper_drivers.translate import translated

FOLDER = "/sys/class/hwmon"


class HwmonOptions(Model):
    """Which chip it is; the numbers in `hwmon0`, `hwmon1` change from boot to boot and are not asked for."""

    chip: str | None = Field(
        default=None, description="What the folder's file `name` says, such as `sht3x` or `sht4x`."
    )
    device: str | None = Field(
        default=None, description="The device behind it, such as `1-0044`, where several chips have that name."
    )
    folder: str = Field(default=FOLDER, description="Where to look.")


Options = HwmonOptions  # the name by which `options` finds it


class HwmonProbe:
    """One folder with `temp1_input` and `humidity1_input`, looked for anew at each reading."""

    def __init__(self, config: ProbeConfig) -> None:
        """Open it. Raises ProbeMissing, DriverUnusable."""
        self._name = config.name
        self._folder = Path(str(config.options.get("folder", FOLDER)))
        self._chip = config.options.get("chip")
        self._device = config.options.get("device")
        if self._chip is None and self._device is None:
            raise DriverUnusable(f"probe {config.name}: driver hwmon needs the option chip or device")
        self._find()

    def read(self) -> Sample:
        """Return what the kernel says now. Raises ProbeError."""
        with translated(self._name, f"probe {self._name}: read"):
            there = self._find()
            temperature_c = _thousandths(there / "temp1_input")
            humidity_percent = _thousandths(there / "humidity1_input")
            if not (-45.0 <= temperature_c <= 130.0 and 0.0 <= humidity_percent <= 100.0):
                raise ProbeGarbled(f"{temperature_c} °C, {humidity_percent} % cannot be")
            return Sample(*SHT3X.encode(temperature_c, humidity_percent), SHT3X)

    def serial(self) -> int | None:
        """Return None: the kernel does not tell."""
        return None

    def close(self) -> None:
        """Nothing is kept open between readings."""

    def _find(self) -> Path:
        with translated(self._name, f"probe {self._name}: look in {self._folder}"):
            found = [there for there in sorted(self._folder.glob("*")) if self._is_mine(there)]
        if not found:
            raise ProbeMissing(f"no chip {self._chip or self._device} in {self._folder}", self._name)
        if len(found) > 1:
            devices = ", ".join((there / "device").resolve().name for there in found)
            raise DriverUnusable(f"probe {self._name}: several chips {self._chip}; set device to one of {devices}")
        return found[0]

    def _is_mine(self, there: Path) -> bool:
        if self._device is not None and (there / "device").resolve().name != self._device:
            return False
        try:
            return self._chip is None or (there / "name").read_text().strip() == self._chip
        except OSError:  # it went away while it was looked at
            return False


def _thousandths(path: Path) -> float:
    try:
        return int(path.read_text()) / 1000
    except FileNotFoundError as error:
        # Not there any more, or a chip that has no such value.
        raise OSError(errno.ENXIO, f"no {path.name}") from error


def open_probe(config: ProbeConfig, bus: Bus | None) -> HwmonProbe:
    """Return the opened probe; a bus is not needed. Raises ProbeError, DriverUnusable."""
    del bus
    return HwmonProbe(config)
