"""`dewkeeper probes ...` on the wire-level bus, with the daemon's end of the socket where one is needed."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.cli import main
from dewkeeper.judge.types import Calibration, Command
from dewkeeper.sampling.identity import Identities
from dewkeeper.sampling.probe_check import Thermometers, find_warming
from dewkeeper.sampling.probe_tools import ProbeTools
from dewkeeper.service.control import ControlSocket
from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Sht3x
from dewkeeper_drivers.buses import open_bus

_CONFIG = """
[storage]
folder = "{folder}"

[[bus]]
name = "wire1"
kind = "wire"
number = 1
options = {{ rack = "cli" }}
multiplexers = [{{ address = 0x70 }}]

[[rack]]
name = "left"

[[enclosure]]
name = "B4"
rack = "left"

[[enclosure]]
name = "B5"
rack = "left"

[[probe]]
name = "b4"
enclosure = "B4"
bus = "wire1"
multiplexer = 0x70
channel = 0
address = 0x44

[[probe]]
name = "b5"
enclosure = "B5"
bus = "wire1"
multiplexer = 0x70
channel = 1
address = 0x44
serial = 5

[[channel]]
kind = "webhook"
name = "phone"
url = "http://127.0.0.1:9/"

[[person]]
name = "Marit"
channels = ["phone"]
"""

Run = Callable[..., tuple[int, Any]]


@pytest.fixture
def wire() -> Wire:
    """A wire with the two configured sensors and one nobody declared."""
    made = register_rack("cli").add(1)
    mux = made.add_mux(0x70)
    for channel, serial in ((0, 4), (1, 5), (6, 66)):
        mux.channels[channel].append(Sht3x(lambda: (28.0, 64.0), serial=serial))
    return made


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a `probes` command as JSON; give its exit code and what it printed."""
    file = tmp_path / "rack.toml"
    file.write_text(_CONFIG.format(folder=tmp_path))

    def command(*words: str) -> tuple[int, Any]:
        code = main(["probes", *words, "--config", str(file), "--format", "json"])
        out = capsys.readouterr().out
        return code, json.loads(out) if out else None

    return command


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[tuple[Identities, dict[str, str], list[Command]]]:
    """The daemon's end of the socket, with the real handlers."""
    identities, notes, commands = Identities({"b4": 4, "b5": 5}), {}, []  # type: ignore[var-annotated]

    def submit(command: Command | Calibration) -> str:
        assert isinstance(command, Command)
        commands.append(command)
        return ""

    tools = ProbeTools(["b4", "b5"], identities, notes.__setitem__, submit, lambda: 1000)
    socket = ControlSocket(tmp_path, tools.handlers())
    socket.start()
    yield identities, notes, commands
    socket.stop()


def test_scan_tells_known_from_new(run: Run, wire: Wire) -> None:
    """Configured probes are named, the new one comes as a table to add."""
    code, told = run("scan")
    assert code == 0
    assert [row["probe"] for row in told["found"]] == ["b4", "b5", "new"]
    added = tomllib.loads(told["configuration"])
    assert [probe["channel"] for probe in added["probe"]] == [6]
    assert "66" in told["configuration"]
    assert "bus" not in added, "the file has it, with this multiplexer"


def test_scan_without_a_bus_is_not_well(run: Run, wire: Wire) -> None:
    """A bus that is not there is said, with exit code 1."""
    wire.exists = False
    code, told = run("scan")
    assert code == 1
    assert "/dev/i2c-1 is not there: I2C is switched off" in told["troubles"][0]


def test_check_of_a_healthy_rack(run: Run, wire: Wire) -> None:
    """Every probe is read and well; exit code 0."""
    code, rows = run("check")
    assert code == 0
    assert [(row["probe"], row["well"], row["serial"]) for row in rows] == [("b4", True, 4), ("b5", True, 5)]


def test_check_says_what_is_wrong_and_what_to_do(run: Run, wire: Wire) -> None:
    """An unplugged probe and one with another serial than configured are said, with advice; exit code 1."""
    mux = wire.muxes[0]
    mux.channels[0].clear()
    mux.channels[1][:] = [Sht3x(lambda: (28.0, 64.0), serial=9)]
    code, rows = run("check")
    assert code == 1
    assert "Check its plug" in rows[0]["says"]
    assert "Sensor 9 is there, the configuration says 5" in rows[1]["says"]


def test_check_asks_the_daemon_what_it_recorded(run: Run, wire: Wire, daemon: Any) -> None:
    """What only the daemon knows, that a sensor is not the recorded one, is part of the answer."""
    daemon[0].observe("b4", 40)
    code, rows = run("check", "b4")
    assert code == 1
    assert "Did you replace it?" in rows[0]["says"]


def test_unknown_probe_is_refused_with_the_names(run: Run, wire: Wire, capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt probe lists those there are; exit code 1."""
    assert run("check", "b9") == (1, None)


def test_replace_records_the_sensor_that_is_there(run: Run, wire: Wire, daemon: Any) -> None:
    """`replace` reads the sensor now at the place and has the daemon record it."""
    wire.muxes[0].channels[0][:] = [Sht3x(lambda: (28.0, 64.0), serial=44)]
    code, told = run("replace", "b4")
    assert (code, told["serial"]) == (0, 44)
    assert daemon[1]["serial:b4"] == "44"


def test_replace_without_a_daemon_is_refused(run: Run, wire: Wire) -> None:
    """Nothing can be remembered while the daemon is down: exit code 1."""
    assert run("replace", "b4")[0] == 1


def test_retire_tells_the_daemon(run: Run, wire: Wire, daemon: Any) -> None:
    """`retire` has the daemon believe nothing of the probe any more."""
    code, _ = run("retire", "b4", "--why", "cable broken")
    assert code == 0
    assert [(command.verb, command.probe) for command in daemon[2]] == [("retire", "b4")]


def test_check_tells_a_retired_probe_and_where_each_lies(run: Run, wire: Wire, daemon: Any) -> None:
    """A retired probe that reads well is told as retired; what was noted as placement is shown."""
    _warm(wire, channel=0)
    run("touch", "B4", "--interval", "0.001", "--seconds", "60", "--placement", "back")
    run("retire", "b5", "--why", "cable broken")
    code, rows = run("check")
    assert code == 1
    assert [row["placement"] for row in rows] == ["back", ""]
    assert (rows[0]["well"], rows[1]["well"]) == (True, False)
    assert "probes replace b5" in rows[1]["says"]


def test_scan_of_a_bus_nobody_configured_names_those_there_are(
    run: Run, wire: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    """A misspelt bus is said, with the names of the configured ones; exit code 1."""
    code, told = run("scan", "--bus", "wire9")
    assert (code, told["found"]) == (1, [])


def test_touch_finds_the_probe_in_the_hand(run: Run, wire: Wire, daemon: Any) -> None:
    """The probe that warms is found; being the enclosure's own it is recorded with its placement."""
    _warm(wire, channel=0)
    code, told = run("touch", "B4", "--interval", "0.001", "--seconds", "60", "--placement", "back")
    assert (code, told["warmed"], told["recorded"]) == (0, "b4", True)
    assert daemon[1] == {"serial:b4": "4", "placement:b4": "back"}


def test_touch_tells_a_wrong_assignment(run: Run, wire: Wire) -> None:
    """If another enclosure's probe warms, that is said and nothing is recorded; exit code 1."""
    _warm(wire, channel=1)
    code, told = run("touch", "B4", "--interval", "0.001", "--seconds", "60")
    assert (code, told["warmed"], told["right"], told["recorded"]) == (1, "b5", False, False)


def _warm(wire: Wire, channel: int, looks: int = 0) -> None:
    """Have the sensor of a channel read 3 °C more from its second reading on; later by so many looks of a scan."""
    chip = wire.muxes[0].channels[channel][0]
    assert isinstance(chip, Sht3x)
    chip.air = lambda: (28.0 if chip.converted <= looks else 31.0, 64.0)


def test_warming_together_is_no_hand() -> None:
    """A heater that warms all of them alike names none."""
    rounds = iter([{"a": 20.0, "b": 20.0}, {"a": 22.0, "b": 22.1}, {"a": 25.0, "b": 25.2}])
    assert find_warming(lambda: next(rounds), lambda: None, looks(2))[0] is None


def test_probe_that_appears_late_is_measured_from_then() -> None:
    """A probe plugged in during the search counts from its first reading."""
    rounds = iter([{"a": 20.0}, {"a": 20.1, "b": 33.0}, {"a": 20.1, "b": 33.1}, {"a": 21.5, "b": 33.1}])
    assert find_warming(lambda: next(rounds), lambda: None, looks(3))[0] == "a"


def looks(rounds: int) -> Callable[[], bool]:
    """Return what says that time is up after so many looks."""
    left = iter(range(rounds))
    return lambda: next(left, None) is None


def test_an_empty_bus_says_what_to_check(run: Run, wire: Wire) -> None:
    """Nothing answers at all: that is said, with the wires in the order to look at them; exit code 1."""
    wire.muxes.clear()
    code, told = run("scan")
    assert (code, told["found"]) == (1, [])
    assert "nothing answers" in told["troubles"][0]
    assert "VIN to 3.3 V" in told["troubles"][0]


def test_a_multiplexer_with_nothing_behind_it_is_not_silence(run: Run, wire: Wire) -> None:
    """The multiplexer answers, so the wires at the Pi are right: look at the plugs of its channels."""
    for channel in wire.muxes[0].channels:
        channel.clear()
    code, told = run("scan")
    assert code == 1
    assert told["troubles"] == [
        "wire1: multiplexer 0x70 answers, and nothing behind it: check the plugs on its channels"
    ]


def test_a_multiplexer_that_the_file_does_not_declare_comes_with_its_bus(run: Run, wire: Wire) -> None:
    """The bus is printed anew with both multiplexers, to take the place of the table that is there."""
    wire.add_mux(0x71).channels[2].append(Sht3x(lambda: (28.0, 64.0), serial=77))
    _, told = run("scan")
    assert '# in place of the [[bus]] "wire1" that is there:' in told["configuration"]
    (bus,) = tomllib.loads(told["configuration"])["bus"]
    assert [m["address"] for m in bus["multiplexers"]] == [0x70, 0x71]


def test_touch_before_anything_is_named_tells_where_the_probe_is(run: Run, wire: Wire) -> None:
    """Without a name, the sensor that warms is found where it hangs, configured or not."""
    _warm(wire, channel=6, looks=1)
    code, told = run("touch", "--interval", "0.001", "--seconds", "60")
    assert (code, told["where"], told["address"]) == (0, "wire1 multiplexer 0x70 channel 6", 0x44)
    assert "not in the configuration yet" in told["says"]


def test_touch_without_a_name_knows_the_configured_one(run: Run, wire: Wire) -> None:
    """And when the file has it, its name and enclosure are told."""
    _warm(wire, channel=1, looks=1)
    _, told = run("touch", "--interval", "0.001", "--seconds", "60")
    assert "The configuration calls it b5, the probe of B5" in told["says"]


def test_touch_keeps_to_its_seconds_with_128_probes() -> None:
    """By the wire's own clock: a round takes seconds, and the one under way ends in the middle when time is up."""
    wire = register_rack("hundred").add(1)
    probes: list[ProbeConfig] = []
    for multiplexer in range(0x70, 0x78):
        mux = wire.add_mux(multiplexer)
        for number in range(16):
            channel, address = number // 2, 0x44 + number % 2
            mux.channels[channel].append(Sht3x(lambda: (28.0, 64.0), serial=len(probes) + 1, address=address))
            name = f"p{len(probes)}"
            probes.append(ProbeConfig(name=name, bus="w", multiplexer=multiplexer, channel=channel, address=address))
    muxes = [Multiplexer(address=address) for address in range(0x70, 0x78)]
    bus = open_bus(BusConfig(name="w", kind="wire", number=1, options={"rack": "hundred"}, multiplexers=muxes))
    try:
        thermometers = Thermometers(probes, {"w": bus}, lambda: wire.now() >= 10.0)
        found, rise = find_warming(thermometers.read, lambda: wire.pass_time(1.0), lambda: wire.now() >= 10.0)
    finally:
        bus.close()
    assert (found, len(rise)) == (None, 128)
    assert wire.now() < 10.2


def test_replace_holds_where_the_file_names_the_serial(
    tmp_path: Path, wire: Wire, capsys: pytest.CaptureFixture[str], run: Run
) -> None:
    """What the keeper accepts stands in place of the number in the file, and the line to change is told."""
    identities, notes = Identities({}, {"b5": 5}), {}  # type: ignore[var-annotated]
    tools = ProbeTools(["b4", "b5"], identities, notes.__setitem__, lambda _: "", lambda: 1000)
    socket = ControlSocket(tmp_path, tools.handlers())
    socket.start()
    wire.muxes[0].channels[1][:] = [Sht3x(lambda: (28.0, 64.0), serial=55)]
    identities.observe("b5", 55)
    assert identities.note("b5") is not None
    try:
        assert main(["probes", "replace", "b5", "--config", str(tmp_path / "rack.toml")]) == 0
        said = capsys.readouterr().out
        _, (row,) = run("check", "b5")
    finally:
        socket.stop()
    line = next(
        n for n, text in enumerate((tmp_path / "rack.toml").read_text().splitlines(), 1) if text == "serial = 5"
    )
    assert f"rack.toml, line {line}, still says serial = 5" in said
    assert identities.note("b5") is None
    assert row["well"]
    # The next start: what was accepted still holds, until the file names yet another one.
    assert notes == {"serial:b5": "55", "superseded serial:b5": "5"}
    again = Identities({"b5": 55}, {"b5": 5}, superseded={"b5": 5})
    assert again.observe("b5", 55).what == "same"
    edited = Identities({"b5": 55}, {"b5": 6}, superseded={"b5": 5})
    assert edited.observe("b5", 55).what == "unexpected"


def test_selftest_reads_each_probe_and_says_what_it_tried(
    tmp_path: Path, wire: Wire, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every bus is opened and every probe read once, by name; all well is exit code 0."""
    code = main(["selftest", "--config", str(tmp_path / "rack.toml")])
    said = capsys.readouterr().out
    assert "ok  open bus wire1 (wire 1): opened; multiplexer 0x70 answers" in said
    assert "ok  read b4 (B4) at wire1 0x70/0 0x44: 28.0 °C, 64 %RH" in said
    assert code == 0


def test_selftest_of_an_unplugged_probe_is_not_well(
    tmp_path: Path, wire: Wire, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """A probe that does not read is told with what to do, the others are read; exit code 1. An update does not mind."""
    wire.muxes[0].channels[0].clear()
    code = main(["selftest", "--config", str(tmp_path / "rack.toml")])
    said = capsys.readouterr().out
    assert "NOT read b4 (B4) at wire1 0x70/0 0x44: nobody answers at 0x44 on channel 0: check its plug" in said
    assert "ok  read b5 (B5)" in said
    assert code == 1
    assert main(["selftest", "--installation", "--config", str(tmp_path / "rack.toml")]) == 0


def test_selftest_without_a_bus_names_the_switch(
    tmp_path: Path, wire: Wire, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where the bus is not there, the command that switches it on is said; exit code 1."""
    wire.exists = False
    assert main(["selftest", "--config", str(tmp_path / "rack.toml")]) == 1
    assert "sudo raspi-config nonint do_i2c 0" in capsys.readouterr().out


def test_selftest_without_a_configuration_says_how_to_get_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is configured the installation is tried, and the next step named; exit code 1."""
    assert main(["selftest", "--config", str(tmp_path / "none.toml")]) == 1
    said = capsys.readouterr().out
    assert "ok  libraries: in order" in said
    assert "`dewkeeper probes scan` writes one" in said
