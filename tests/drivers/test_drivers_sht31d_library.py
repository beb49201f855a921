"""What our driver relies on in the genuine library, so that an update that changes it fails here and not on a shelf."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from importlib.metadata import version

import pytest

from dewkeeper_drivers import library
from dewkeeper_drivers.errors import DriverBroken


class Plain:
    """Blinka's `busio.I2C` methods, writing down what the library does with them."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, bytes | int]] = []
        self.frame = bytes.fromhex("666693a66639")

    def try_lock(self) -> bool:
        return True

    def unlock(self) -> None:
        return

    def writeto(self, address: int, buffer: bytes, *, start: int = 0, end: int | None = None) -> None:
        self.calls.append(("write", bytes(buffer[start:end])))

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        self.calls.append(("read", len(buffer)))
        buffer[:] = self.frame[: len(buffer)]


def test_version_is_in_the_pinned_range() -> None:
    """The installed library is one of the versions whose private read was looked at."""
    found = tuple(int(part) for part in version("adafruit-circuitpython-sht31d").split("."))
    assert (2, 3, 31) <= found < (2, 4)


def test_private_read_is_one_conversion() -> None:
    """`_data` in single mode sends 0x2400 once, reads six bytes once, and returns °C and %RH as floats."""
    bus = Plain()
    chip = library.load("adafruit_sht31d").SHT31D(bus)
    bus.calls.clear()
    temperature_c, humidity_percent = chip._data()
    assert bus.calls == [("write", b"\x24\x00"), ("read", 6)]
    assert temperature_c == pytest.approx(25.0, abs=1e-4)
    assert humidity_percent == pytest.approx(65.0004, abs=1e-4)


def test_public_properties_convert_twice() -> None:
    """The reason for the private read still holds: each public property makes its own conversion."""
    bus = Plain()
    chip = library.load("adafruit_sht31d").SHT31D(bus)
    bus.calls.clear()
    assert chip.temperature > 0
    assert chip.relative_humidity > 0
    assert bus.calls.count(("write", b"\x24\x00")) == 2


def test_public_status_is_not_checked() -> None:
    """The reason for our own status read still holds: the library reads two bytes and no checksum."""
    bus = Plain()
    chip = library.load("adafruit_sht31d").SHT31D(bus)
    bus.calls.clear()
    assert chip.status == 0x6666
    assert ("read", 2) in bus.calls


def test_damaged_frame_is_a_runtime_error() -> None:
    """The library reports a wrong checksum as RuntimeError with the word CRC in it."""
    bus = Plain()
    chip = library.load("adafruit_sht31d").SHT31D(bus)
    bus.frame = bytes.fromhex("666694a66639")
    with pytest.raises(RuntimeError, match="CRC"):
        chip._data()


def test_construction_is_break_and_soft_reset() -> None:
    """Opening asks who is there, then breaks periodic mode and resets."""
    bus = Plain()
    library.load("adafruit_sht31d").SHT31D(bus)
    assert bus.calls == [("write", b""), ("write", b"\x30\x93"), ("write", b"\x30\xa2")]


def test_ordinary_sleep_uses_the_imported_module() -> None:
    """Over hardware the library is the imported module, nothing exchanged."""
    assert library.load("adafruit_sht31d") is sys.modules["adafruit_sht31d"]
    assert sys.modules["adafruit_sht31d"].time is time


def test_own_time_is_a_second_instance() -> None:
    """A bus with its own time gets its own instance; its conversion waits at least the data sheet's 15 ms there."""
    waited: list[float] = []
    bus = Plain()
    theirs = library.load("adafruit_sht31d", waited.append)
    theirs.SHT31D(bus)._data()
    assert sum(waited[-1:]) >= 0.015
    assert sys.modules["adafruit_sht31d"].time is time


def test_missing_library_is_a_broken_driver() -> None:
    """A library that cannot be imported is DriverBroken, with the cause."""
    with pytest.raises(DriverBroken) as caught:
        library.load("adafruit_no_such_sensor")
    assert isinstance(caught.value.__cause__, ImportError)


_ALONE = """
import sys, builtins
genuine = builtins.__import__
def refusing(name, *rest, **more):
    if name.split(".")[0] in ("board", "RPi", "lgpio", "gpiod", "digitalio"):
        raise ImportError("blocked: " + name)
    return genuine(name, *rest, **more)
builtins.__import__ = refusing
opened = []
sys.addaudithook(lambda event, args: opened.append(str(args[0])) if event == "open" else None)
from dewkeeper_drivers import library
library.load("adafruit_sht31d")
assert not [path for path in opened if path.startswith("/proc/")], opened
assert "board" not in sys.modules
"""


def test_import_needs_no_pins_and_looks_at_no_machine() -> None:
    """Loading imports neither `board` nor a GPIO library and reads nothing of /proc: no machine is unknown to it."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _ALONE], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr


def test_loading_leaves_the_environment_alone() -> None:
    """The names that skip platform detection are gone again afterwards."""
    library.load("adafruit_sht31d")
    assert not [key for key in os.environ if key.startswith("BLINKA_")]
