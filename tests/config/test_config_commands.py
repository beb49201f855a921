"""`dewkeeper config` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dewkeeper.cli import main
from dewkeeper_config.loading import load
from dewkeeper_drivers.errors import DriverUnusable
from dewkeeper_drivers.registry import open_probe


@pytest.fixture
def file(tmp_path: Path, rack_text: str) -> Path:
    """Return a good configuration file."""
    path = tmp_path / "rack.toml"
    path.write_text(rack_text, encoding="utf-8")
    return path


def test_a_good_file_passes(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 0, and what was counted."""
    assert main(["config", "check", "--config", str(file)]) == 0
    assert "good (2 enclosures, 3 probes)" in capsys.readouterr().out


def test_a_refused_file_exits_2_with_every_problem(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Problems go to standard error as text, or to standard output as JSON, and no secret with them."""
    file.write_text(file.read_text().replace('rack = "left"', 'rak = "left"').replace("channel = 0", "channel = 8"))
    assert main(["config", "check", "--config", str(file)]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "did you mean rack?" in shown.err
    assert main(["config", "check", "--config", str(file), "--format", "json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "refused"
    assert 'probe[2] "b4" .channel' in [problem["key"] for problem in told["problems"]]
    assert "T0PSECRET" not in shown.err + json.dumps(told)


def test_a_file_with_something_missing_exits_1(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A valid file with a secret that is not there, or a probe without an address, is not well."""
    text = file.read_text().replace("address = 0x44\n", "", 1).replace('"T0PSECRET"', '{ file = "/nowhere" }')
    file.write_text(text)
    assert main(["config", "check", "--config", str(file)]) == 1
    assert "file /nowhere" in capsys.readouterr().out
    assert main(["config", "check", "--config", str(file), "--format", "json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "incomplete"
    assert len(told["problems"]) == 2


def test_what_this_installation_cannot_use_is_told(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A driver, a kind of bus or a template field that exists nowhere is named, with what exists."""
    text = file.read_text().replace('enclosure = "B3"\n', 'enclosure = "B3"\ndriver = "barometer"\n')
    text = text.replace("number = 3", 'number = 3\nkind = "carrier_pigeon"')
    file.write_text(text.replace('kind = "webhook"', 'kind = "webhook"\nbody = "template"\ntemplate = "{titel}"'))
    assert main(["config", "check", "--config", str(file), "--format", "json"]) == 1
    told = {problem["key"]: problem["allowed"] for problem in json.loads(capsys.readouterr().out)["problems"]}
    assert "sht31d" in told['probe[1] "b3" .driver']
    assert "linux" in told['bus[2] "second" .kind']
    assert "title" in told['channel[1] "phone" .template']


def test_options_that_a_driver_does_not_have_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown option and one of another kind are named with their line and what is allowed; such a probe is not opened."""
    file = tmp_path / "rack.toml"
    file.write_text(
        "[[rack]]\nname = 'R'\n[[enclosure]]\nname = 'T1'\nrack = 'R'\n"
        "[[channel]]\nkind = 'webhook'\nname = 'phone'\nurl = 'http://127.0.0.1:9/'\n"
        "[[person]]\nname = 'Ina'\nchannels = ['phone']\n"
        "[[probe]]\nname = 'p1'\nenclosure = 'T1'\ndriver = 'simulated'\n"
        "options = { humidty_percent = 40, swing_c = 'big', fault = 'dorp', seed = 7, noise_percent = 1 }\n"
        "[[probe]]\nname = 'p2'\nenclosure = 'T1'\ndriver = 'hwmon'\noptions = { chp = 'sht3x' }\n"
    )
    assert main(["config", "check", "--config", str(file), "--format", "json"]) == 1
    told = {one["key"]: one for one in json.loads(capsys.readouterr().out)["problems"] if ".options" in one["key"]}
    assert {key: one["given"] for key, one in told.items()} == {
        'probe[1] "p1" .options.humidty_percent': "an unknown key",
        'probe[1] "p1" .options.swing_c': '"big"',
        'probe[1] "p1" .options.fault': '"dorp"',
        'probe[2] "p2" .options.chp': "an unknown key",
    }
    allowed = [one["allowed"] for one in told.values()]
    assert "humidity_percent" in allowed[0]
    assert allowed[1:] == [
        "a number", 'one of "drift", "stick", "drop", "crc", "saturate", "restart", "heater"',
        "one of the known keys: chip, device, folder",
    ]  # fmt: skip
    assert [one["line"] for one in told.values()] == [17, 17, 17, 22]
    with pytest.raises(DriverUnusable, match=r"option humidty_percent is an unknown key.* option swing_c is"):
        open_probe(load(file).probe[0], None)


def test_a_missing_file_exits_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is not there is bad usage, said in a line."""
    assert main(["config", "check", "--config", str(tmp_path / "no.toml")]) == 2
    assert "No such file" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["sample"], ["sample", "--example", "first_probe"]])
def test_a_printed_sample_checks_out(arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What `config sample` prints is refused by nobody; only its credential is not here."""
    assert main(["config", *arguments]) == 0
    path = tmp_path / "sample.toml"
    path.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["config", "check", "--config", str(path)]) == 1
    assert "credential phone_url" in capsys.readouterr().out


def test_schema_and_reference_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """The schema is JSON for an editor, the reference Markdown for a person."""
    assert main(["config", "schema"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "dewkeeper configuration"
    assert main(["config", "reference"]) == 0
    assert capsys.readouterr().out.startswith("# Configuration reference")
