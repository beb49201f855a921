"""Nothing missing ends the daemon: it runs, says what it lacks, and recovers."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.store import History
from dewkeeper_config.last_good import load_or_last_good
from dewkeeper_config.models import BusConfig


def _types(phone: Any) -> list[str]:
    return [message["type"] for message in phone.messages]


def _readings(folder: Path, probe: str = "t2") -> int:
    with History.open(folder) as history:
        return len(history.raw(probe, 0, 1 << 40))


def test_a_bus_that_does_not_exist_is_one_fault_and_harms_nobody(racks: Any, phone: Any) -> None:
    """A probe on /dev/i2c-250 is told as missing; the other tub is watched and its readings are stored."""
    config = racks.config()
    probe = config.probe[0].but(driver="sht31d", bus="far", address=0x44, options={})
    config = config.but(bus=[BusConfig(name="far", number=250)], probe=[probe, config.probe[1]])
    daemon = racks.start(config)
    racks.clock.advance(15 * 60)
    assert _types(phone) == ["missing.raised"]
    assert "T1" in phone.messages[0]["title"]
    racks.stop(daemon)
    assert _readings(racks.folder) == 16


def test_a_probe_missing_at_start_is_adopted_when_it_comes(racks: Any, phone: Any) -> None:
    """Absent for the first half hour, the probe is told once and cleared once it answers."""
    racks.start(racks.config(fault="drop", fault_after_seconds=0, fault_for_seconds=1800))
    racks.clock.advance(3600)
    assert _types(phone) == ["missing.raised", "missing.cleared"]


def test_a_silent_webhook_server_delays_nothing_and_the_message_comes(racks: Any, phone: Any) -> None:
    """While the server takes requests and never answers, readings go on; when it speaks, the message arrives once."""
    phone.silent = True
    config = racks.config(humidity_percent=40.0)
    channel = config.channel[0].but(timeout_seconds=1.0)
    daemon = racks.start(config.but(channel=[channel]))
    racks.clock.advance(65 * 60)
    phone.silent = False
    racks.clock.advance(60 * 60)
    racks.stop(daemon)
    assert _types(phone).count("dry.raised") == 1
    assert len(set(phone.tried)) <= 2  # the dry tub, and perhaps the channel's own trouble
    assert _readings(racks.folder) == 126


def test_a_folder_that_cannot_be_made_leaves_the_daemon_watching(racks: Any, phone: Any, tmp_path: Path) -> None:
    """With a file where the state folder should be, alarms go out from memory; when it is gone, everything is stored."""
    blocked = tmp_path / "blocked"
    blocked.write_text("in the way")
    config = racks.config(humidity_percent=40.0)
    config = config.but(storage=config.storage.but(folder=blocked))
    daemon = racks.start(config)
    racks.clock.advance(65 * 60)
    assert "dry.raised" in _types(phone)
    dry = next(message for message in phone.messages if message["type"] == "dry.raised")
    assert any("not recorded" in line.lower() for line in [dry["title"], *dry["lines"]])
    blocked.unlink()
    racks.clock.advance(5 * 60)
    racks.stop(daemon)
    assert _readings(blocked) == 71
    assert _types(phone).count("dry.raised") == 1


_SMALL = """
rack = [{ name = "R" }]
enclosure = [{ name = "T1", rack = "R" }]
probe = [{ name = "t1", enclosure = "T1" }]
channel = [{ kind = "webhook", name = "phone", url = "http://localhost:9/" }]
person = [{ name = "Ina", channels = ["phone"] }]
"""


def test_a_copy_of_the_configuration_that_could_not_be_written_is_written_later(
    racks: Any, phone: Any, tmp_path: Path
) -> None:
    """It is told as that, not as a refused file; once the folder takes it the trouble ends by itself."""
    file, kept = tmp_path / "rack.toml", tmp_path / "kept"
    file.write_text(_SMALL)
    kept.write_text("in the way")
    _, problems = load_or_last_good(file, kept)
    racks.start(racks.config(), problems=problems, recheck=lambda: load_or_last_good(file, kept)[1])
    racks.clock.advance(120)
    kept.unlink()
    racks.clock.advance(120)
    told = [message for message in phone.messages if message["type"].startswith("system")]
    assert [message["type"] for message in told] == ["system.raised", "system.cleared"]
    assert "configuration copy" in told[0]["title"]
    assert (kept / "last-good.toml").exists()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MiB."""
    if os.geteuid() != 0:
        pytest.skip("needs root: mounts a small file system")
    folder = tmp_path / "small"
    folder.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], capture_output=True)
    if made.returncode:
        pytest.skip(f"cannot mount here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.root
def test_a_full_disk_is_told_and_nothing_is_lost(racks: Any, phone: Any, small_disk: Path) -> None:
    """When the disk fills, the alarm is still sent; when there is room again, the readings of the meantime are stored."""
    config = racks.config(humidity_percent=40.0)
    config = config.but(storage=config.storage.but(folder=small_disk))
    daemon = racks.start(config)
    racks.clock.advance(10 * 60)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as full:
        while True:
            try:
                full.write(b"x" * 4096)
            except OSError:
                break
    racks.clock.advance(60 * 60)
    assert "dry.raised" in _types(phone)
    assert "system.raised" in _types(phone)
    filler.unlink()
    racks.clock.advance(5 * 60)
    racks.stop(daemon)
    assert _readings(small_disk) == 76
