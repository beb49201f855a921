"""Probes the kernel reads, in a folder laid out as the kernel's sysfs-interface document says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dewkeeper_drivers.errors import DriverUnusable, ProbeGarbled, ProbeMissing
from dewkeeper_drivers.registry import open_probe


@pytest.fixture
def sysfs(tmp_path: Path) -> Path:
    """Two chips of one name behind two devices, and one without humidity."""
    for number, (chip, device, temperature, humidity) in enumerate(
        [("sht3x", "1-0044", "24310", "66120"), ("sht3x", "11-0044", "25000", "50000"), ("cpu", "soc", "48000", None)]
    ):
        folder = tmp_path / "class" / f"hwmon{number}"
        folder.mkdir(parents=True)
        (tmp_path / "devices" / device).mkdir(parents=True)
        (folder / "device").symlink_to(tmp_path / "devices" / device)
        (folder / "name").write_text(chip + "\n")
        (folder / "temp1_input").write_text(temperature + "\n")
        if humidity is not None:
            (folder / "humidity1_input").write_text(humidity + "\n")
    return tmp_path / "class"


def _open(make_config: Any, folder: Path, **options: str) -> Any:
    config = make_config(None, driver="hwmon", bus=None, options={"folder": str(folder), **options})
    return open_probe(config, None)


def test_reads_thousandths(make_config: Any, sysfs: Path) -> None:
    """24310 and 66120 are 24.31 °C and 66.12 %, to the nearest word."""
    sample = _open(make_config, sysfs, device="1-0044").read()
    assert sample.temperature_c == pytest.approx(24.31, abs=0.0014)
    assert sample.humidity_percent == pytest.approx(66.12, abs=0.0008)
    assert sample.notes == ()


def test_device_tells_chips_of_one_name_apart(make_config: Any, sysfs: Path) -> None:
    """Name and device together find the right one whatever its number."""
    sample = _open(make_config, sysfs, chip="sht3x", device="11-0044").read()
    assert sample.temperature_c == pytest.approx(25.0, abs=0.002)


def test_ambiguous_chip_is_refused_with_the_choice(make_config: Any, sysfs: Path) -> None:
    """Two chips of that name: the error lists their devices."""
    with pytest.raises(DriverUnusable, match="1-0044, 11-0044"):
        _open(make_config, sysfs, chip="sht3x")


def test_neither_chip_nor_device_is_refused(make_config: Any, sysfs: Path) -> None:
    """Without a choice there is nothing to read."""
    with pytest.raises(DriverUnusable, match="chip or device"):
        _open(make_config, sysfs)


def test_absent_chip_is_missing_until_it_comes(make_config: Any, sysfs: Path) -> None:
    """A chip that is not there, and a folder that is not there, are missing probes, tried again later."""
    with pytest.raises(ProbeMissing):
        _open(make_config, sysfs, chip="sht4x")
    with pytest.raises(ProbeMissing):
        _open(make_config, sysfs / "nowhere", chip="sht3x")


def test_chip_without_humidity_is_missing(make_config: Any, sysfs: Path) -> None:
    """A chip that has no humidity cannot be read as a probe."""
    with pytest.raises(ProbeMissing):
        _open(make_config, sysfs, chip="cpu").read()


@pytest.mark.parametrize("text", ["", "n/a", "-200000", "999999"])
def test_nonsense_is_garbled(make_config: Any, sysfs: Path, text: str) -> None:
    """Text that is no number, and values no sensor gives, are not readings."""
    probe = _open(make_config, sysfs, device="1-0044")
    (sysfs / "hwmon0" / "temp1_input").write_text(text)
    with pytest.raises(ProbeGarbled):
        probe.read()


def test_number_may_change_between_readings(make_config: Any, sysfs: Path) -> None:
    """A chip that comes back under another number is found again."""
    probe = _open(make_config, sysfs, device="1-0044")
    (sysfs / "hwmon0").rename(sysfs / "hwmon9")
    assert probe.read().temperature_c == pytest.approx(24.31, abs=0.002)
