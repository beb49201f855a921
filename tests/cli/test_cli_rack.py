"""`dewkeeper config rack` and `config show`, and what `probes scan` prints of a rack it found."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from dewkeeper.cli import main
from dewkeeper.cli.proposal import proposal
from dewkeeper_config.loading import ReplayConfig, load, parse
from dewkeeper_config.models import BusConfig
from dewkeeper_drivers.scan import Found, Scanned


def test_a_rack_is_written_from_flags_and_nobody_is_asked(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Where nobody can answer, flags and the usual make a whole file that is good but for its credential."""
    words = ["--name", "Rack 1", "--shelves", "4,4,2", "--tubs", "T{number}", "--profile", "hatchling", "--empty", "T3"]
    assert main(["config", "rack", *words, "--room-probe", "no", "--complete"]) == 0
    file = tmp_path / "rack.toml"
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    config = load(file)
    assert [enclosure.name for enclosure in config.enclosure] == [f"T{n}" for n in range(1, 11) if n != 3]
    assert {enclosure.profile for enclosure in config.enclosure} == {"hatchling"}
    assert [probe.channel for probe in config.probe] == [0, 0, 1, 2, 2, 3, 3, 4, 4]
    assert main(["config", "check", "--config", str(file)]) == 1
    assert "credential phone_url" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--shelves", "four"], "4,4,3"),
        (["--shelves", "4x10", "--multiplexers", "0x70"], "each of the 40 places"),
        (["--shelves", "2", "--multiplexers", "112b"], "0x70"),
        (["--shelves", "2", "--tubs", "{leter}"], "{letter}"),
        (["--shelves", "2", "--profile", "boa"], "hatchling"),
        (["--shelves", "2", "--empty", "Z9"], "A1, A2"),
    ],
)
def test_a_flag_that_makes_no_rack_is_refused_in_words(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, what would do on standard error, and nothing on standard output that could be kept by mistake."""
    assert main(["config", "rack", *words]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err


def test_a_rack_is_written_from_questions() -> None:
    """At a terminal each answer is taken, a wrong one asked again; an empty one takes what stands in brackets."""
    answers = ["attic", "", "3,x", "3,3", "", "", "", "kernel", "", "B3", "yes"]
    keeper, terminal = pty.openpty()
    command = [sys.executable, "-m", "dewkeeper", "config", "rack"]
    with subprocess.Popen(command, stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as asked:
        os.write(keeper, "".join(f"{answer}\n" for answer in answers).encode())
        written, questions = asked.communicate(timeout=60)
    os.close(keeper)
    os.close(terminal)
    assert asked.returncode == 0, questions
    assert questions.count("Places on each shelf") == 2
    config = parse(written.encode(), Path("written"), ReplayConfig)
    assert [enclosure.name for enclosure in config.enclosure] == ["A1", "A2", "A3", "B1", "B2"]
    assert [bus.number for bus in config.bus] == list(range(30, 38))
    assert config.rack[0].name == "attic"
    assert config.probe[-1].role == "room"


def test_show_prints_the_file_written_out(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """As TOML that means the same, and as JSON."""
    file, shown = tmp_path / "rack.toml", tmp_path / "shown.toml"
    assert main(["config", "rack", "--shelves", "10x4", "--complete"]) == 0
    file.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["config", "show", "--config", str(file)]) == 0
    shown.write_text(capsys.readouterr().out, encoding="utf-8")
    assert load(shown) == load(file)
    assert main(["config", "show", "--config", str(file), "--format", "json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["enclosure"]) == 40


def found(bus: str, multiplexer: int | None, channel: int | None, address: int) -> Found:
    """Return a sensor as a scan finds it."""
    return Found(bus, address, multiplexer, channel, "sht31d", 1000 + address, 24.9, 61.0)


def test_a_rack_wired_in_order_is_proposed_in_a_few_lines() -> None:
    """A scan's sensors that follow one another become one rack; what each reads stands beside its name."""
    sensors = [found("i2c1", 0x70, channel, address) for channel in range(8) for address in (0x44, 0x45)]
    scan = Scanned(BusConfig(name="i2c1", number=1), tuple(sensors), (0x70,))
    text = proposal([scan], None, {})
    assert len(text.splitlines()) < 60
    assert "# T16 reads 24.9 °C, 61 %RH now; serial number 1069" in text
    config = parse(text.encode(), Path("proposal"))
    assert [(p.multiplexer, p.channel, p.address) for p in config.probe] == [
        (one.multiplexer, one.channel, one.address) for one in sensors
    ]


def test_channels_of_the_kernel_in_order_are_proposed_in_a_few_lines() -> None:
    """Each channel is a bus of its own there; they become a row."""
    scans = [
        Scanned(BusConfig(name=f"i2c{n}", number=n), tuple(found(f"i2c{n}", None, None, a) for a in (0x44, 0x45)))
        for n in (30, 31, 32)
    ]
    text = proposal(scans, None, {f"i2c{n}": "i2c1" for n in (30, 31, 32)})
    config = parse(text.encode(), Path("proposal"))
    assert 'numbers = "30-32"' in text
    assert {bus.adapter for bus in config.bus} == {"i2c1"}
    assert [(p.bus, p.address) for p in config.probe[:3]] == [
        ("rack wires 30", 0x44),
        ("rack wires 30", 0x45),
        ("rack wires 31", 0x44),
    ]


def test_sensors_in_no_order_are_proposed_one_by_one() -> None:
    """A gap among them: every one has its own wires written beside it."""
    sensors = [found("i2c1", 0x70, channel, 0x44) for channel in (0, 1, 2, 5, 6)]
    text = proposal([Scanned(BusConfig(name="i2c1", number=1), tuple(sensors), (0x70,))], None, {})
    assert text.count("[[enclosure]]") == 5
    assert [p.channel for p in parse(text.encode(), Path("proposal")).probe] == [0, 1, 2, 5, 6]


def test_a_sensor_that_is_new_is_put_at_no_place_that_is_taken() -> None:
    """Beside a rack that leaves places empty, what is proposed for a new sensor is taken by the file as it stands."""
    file = (
        '[site]\ntimezone = "UTC"\n[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1/"\n'
        '[[person]]\nname = "Ina"\nchannels = ["phone"]\n[[bus]]\nname = "i2c1"\nnumber = 1\n[[rack]]\nname = "left"\n'
        '[[enclosure]]\nname = "B1"\nrack = "left"\nplace = 1\n[[enclosure]]\nname = "B3"\nrack = "left"\nplace = 3\n'
        '[[probe]]\nname = "b1"\nenclosure = "B1"\ndriver = "simulated"\n'
        '[[probe]]\nname = "b3"\nenclosure = "B3"\ndriver = "simulated"\n'
    )
    scan = Scanned(
        BusConfig(name="i2c1", number=1), (found("i2c1", None, None, 0x44), found("i2c1", None, None, 0x45)), ()
    )
    text = proposal([scan], parse(file.encode(), Path("file")), {})
    whole = parse((file + text).encode(), Path("file"))
    assert [(e.name, e.place) for e in whole.enclosure] == [("B1", 1), ("B3", 3), ("T3", 4), ("T4", 5)]


def test_two_tubs_and_no_room_probe_need_no_multiplexer(capsys: pytest.CaptureFixture[str]) -> None:
    """A bus has addresses for two sensors; a third one, for the room, brings a multiplexer."""
    assert main(["config", "rack", "--shelves", "2", "--room-probe", "no"]) == 0
    assert "multiplexer" not in capsys.readouterr().out
    assert main(["config", "rack", "--shelves", "2"]) == 0
    assert "multiplexer" in capsys.readouterr().out
