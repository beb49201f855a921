"""From twelve sensors on a bench to a daemon that reads them, on the emulated kernel, by the commands a keeper types."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.kernel.emulated import EmulatedKernel

from dewkeeper.store import History
from dewkeeper_config.loading import load
from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Sht3x, Sht4x

Child = Callable[..., str]
TWELVE = 12


class Bench:
    """Twelve sensors behind two multiplexers on /dev/i2c-1. `all_read` is set when each has been read once."""

    def __init__(self, kernel: EmulatedKernel) -> None:
        self.wire = Wire(1, keep=10_000)
        self.muxes = [self.wire.add_mux(0x70), self.wire.add_mux(0x71)]
        self.warm: int | None = None
        self.all_read = threading.Event()
        self._read: set[int] = set()
        for number in range(TWELVE):
            self.muxes[number // 8].channels[number % 8].append(Sht3x(self._air(number), serial=500 + number))
        kernel.add(self.wire)

    def _air(self, number: int) -> Callable[[], tuple[float, float]]:
        looked = 0

        def air() -> tuple[float, float]:
            nonlocal looked
            looked += 1
            self._read.add(number)
            if len(self._read) == TWELVE:
                self.all_read.set()
            # A hand warms it from the third look on: the scan is the first, what it was before the second.
            return 28.0 + (3.0 if number == self.warm and looked > 2 else 0.0), 60.0 + number

        return air

    def forget(self) -> None:
        """Begin to count anew who was read."""
        self._read.clear()
        self.all_read.clear()


@pytest.fixture
def bench(kernel: EmulatedKernel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Sensors plugged in, nothing configured; the address of the push service in the folder of secrets."""
    (tmp_path / "phone_url").write_text("http://127.0.0.1:9/")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    return Bench(kernel)


def _copied(printed: str, folder: Path) -> Path:
    """Return the file that somebody made who copied what was printed; only where readings live is a test's own."""
    file = folder / "dewkeeper.toml"
    state = f'[storage]\nfolder = "{folder / "state"}"\nballast_mb = 0\n\n[web]\nenabled = false\n\n'
    file.write_text(state + printed)
    return file


def _run_until_read(file: Path, bench: Bench, kernel: EmulatedKernel, child: Child) -> dict[str, float]:
    """Run the daemon, unmodified, until every sensor was read, and stop it as systemd does; return what was stored.

    A journal entry is committed at once, with the readings that wait: so nobody has to wait for the minute's own commit.
    """
    environment = {**os.environ, **kernel.environment()}
    bench.forget()
    command = [sys.executable, "-m", "dewkeeper", "run", "--config", str(file)]
    with subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True) as daemon:
        read, stored = bench.all_read.wait(60), {}
        for _ in range(20 if read else 0):
            child("", "journal", "add", "T1", "note", "looked", "--config", str(file))
            stored = _read(file)
            if len(stored) == TWELVE:
                break
        daemon.send_signal(signal.SIGTERM)
        _, said = daemon.communicate(timeout=60)
    assert read, said
    assert daemon.returncode == 0, said
    return stored


def _read(file: Path) -> dict[str, float]:
    """Return probe -> %RH of what was stored and believed."""
    with History.open(load(file).storage.folder) as history:
        latest = history.latest()
    return {name: round(one.reading.humidity_percent or 0.0) for name, one in latest.items() if one.quality.counts}


def test_twelve_new_probes_go_from_scan_to_run_by_copying(
    bench: Bench, kernel: EmulatedKernel, child: Child, tmp_path: Path
) -> None:
    """What `probes scan` prints is a whole configuration: the daemon runs on it and reads all twelve, each its own."""
    file = _copied(child("", "probes", "scan", "--complete", "--config", str(tmp_path / "none.toml")), tmp_path)
    child("", "config", "check", "--config", str(file))
    child("", "selftest", "--config", str(file))
    assert _run_until_read(file, bench, kernel, child) == {f"t{number + 1}": 60 + number for number in range(TWELVE)}


def test_twelve_on_the_kernels_own_multiplexers_too(
    bench: Bench, kernel: EmulatedKernel, child: Child, tmp_path: Path
) -> None:
    """Where the kernel drives the multiplexers each channel is a bus: listed once, and nothing is said to the chips it has."""
    for number, mux in enumerate(bench.muxes):
        kernel.drive(bench.wire, mux, first=22 + 8 * number)
    printed = child("", "probes", "scan", "--complete", "--config", str(tmp_path / "none.toml"))
    file = _copied(printed, tmp_path)
    config = load(file)
    assert {bus.adapter for bus in config.bus} == {"i2c1"}
    assert sorted(bus.number for bus in config.bus) == list(range(22, 34))
    assert sorted(_run_until_read(file, bench, kernel, child).values()) == [60 + number for number in range(TWELVE)]


def test_touch_tells_where_the_held_probe_is_before_anything_is_named(
    bench: Bench, child: Child, tmp_path: Path
) -> None:
    """Nothing is configured, one is in the hand: its channel is told."""
    bench.warm = 11
    told = json.loads(
        child("", "probes", "touch", "--interval", "0.01", "--config", str(tmp_path / "none.toml"), "--format", "json")
    )
    assert (told["where"], told["address"]) == ("i2c1 multiplexer 0x71 channel 3", 0x44)


def test_check_and_selftest_name_the_one_that_was_pulled(bench: Bench, child: Child, tmp_path: Path) -> None:
    """One plug out: both commands read the others and say which, where, and what to do."""
    file = _copied(child("", "probes", "scan", "--complete", "--config", str(tmp_path / "none.toml")), tmp_path)
    bench.muxes[0].channels[4].clear()
    for command in (("probes", "check"), ("selftest",)):
        told = child("", *command, "--config", str(file), code=1)
        assert "obody answers at 0x44 on channel 4" in told  # at the begin of a sentence or within one
        assert told.count("64 %RH") + told.count("28.0") >= TWELVE - 1


def test_a_machine_without_i2c_says_how_to_switch_it_on(kernel: EmulatedKernel, child: Child, tmp_path: Path) -> None:
    """There is no /dev/i2c-* at all: `probes scan` says the command, and finds nothing; exit code 1."""
    told = child("", "probes", "scan", "--config", str(tmp_path / "none.toml"), "--format", "json", code=1)
    assert "sudo raspi-config nonint do_i2c 0" in json.loads(told)["troubles"][0]


class NoSensor:
    """A chip that acknowledges everything and answers with a register of its own."""

    address = 0x44

    def write(self, data: bytes, now: float) -> bool:
        """Take anything."""
        return True

    def read(self, count: int, now: float) -> bytes | None:
        """Give a register, then ones."""
        return (b"\x39\x9f" + b"\xff" * count)[:count]


def _plug(kernel: EmulatedKernel, *chips: object) -> None:
    wire = Wire(1)
    wire.chips.extend(chips)  # type: ignore[arg-type]
    kernel.add(wire)


def _nothing(kernel: EmulatedKernel) -> None:
    """Leave the machine without any bus."""


def _forbidden(kernel: EmulatedKernel) -> None:
    _plug(kernel, Sht3x(lambda: (28.0, 64.0), serial=1))
    kernel.adapters[1].refusal = errno.EACCES


def _other_number(kernel: EmulatedKernel) -> None:
    kernel.add(Wire(1))
    kernel.add(Wire(20))


def _two(kernel: EmulatedKernel) -> None:
    _plug(kernel, *(Sht3x(lambda: (28.0, 64.0), serial=serial) for serial in (0x12345678, 0x0BADCAFE)))


def _empty(kernel: EmulatedKernel) -> None:
    _plug(kernel, Sht3x(lambda: (28.0, 64.0), serial=1, address=0x45))


def _another_kind(kernel: EmulatedKernel) -> None:
    _plug(kernel, Sht4x(lambda: (28.0, 64.0), serial=1))


def _no_sensor(kernel: EmulatedKernel) -> None:
    _plug(kernel, NoSensor())


@pytest.mark.parametrize(
    ("wired", "number", "said"),
    [
        (
            _nothing,
            1,
            "/dev/i2c-1 is not there: I2C is switched off: switch I2C on (`sudo raspi-config nonint do_i2c 0`)",
        ),
        (_forbidden, 1, "/dev/i2c-1 may not be opened"),
        (_other_number, 7, "/dev/i2c-7 is not there: there are buses 1, 20: correct `number` of bus i2c1"),
        (_other_number, 1, "nothing at all answers on bus i2c1: check the wires at the Pi"),
        (_two, 1, "two sensors answer at 0x44 at once: give one of them the other address"),
        (_empty, 1, "nobody answers at 0x44, but a chip does at 0x45: set `address = 0x45`"),
        (_another_kind, 1, 'the chip at 0x44 is an SHT4x, the configuration says sht31d: set `driver = "sht4x"`'),
        (_no_sensor, 1, "the chip at 0x44 is no SHT3x"),
    ],
)
def test_what_is_wired_wrong_is_named_by_selftest(
    wired: Callable[[EmulatedKernel], None],
    number: int,
    said: str,
    kernel: EmulatedKernel,
    child: Child,
    tmp_path: Path,
) -> None:
    """Each of the likeliest faults of a first start, as the kernel shows it: what is wrong, and what to do; exit code 1."""
    wired(kernel)
    file = tmp_path / "one.toml"
    file.write_text(_ONE.format(folder=tmp_path, number=number))
    assert said in child("", "selftest", "--config", str(file), code=1)


_ONE = """
storage = {{ folder = "{folder}" }}
bus = [{{ name = "i2c1", number = {number} }}]
rack = [{{ name = "R" }}]
enclosure = [{{ name = "T1", rack = "R" }}]
probe = [{{ name = "t1", enclosure = "T1", bus = "i2c1", address = 0x44 }}]
channel = [{{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
"""
