"""The unit file: what keeps an unattended monitor alive, and that every restriction is explained."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

UNIT = Path(__file__).resolve().parents[2] / "deploy" / "dewkeeper.service"
COLLECTOR = UNIT.with_name("dewkeeper-collector.service")
LINES = UNIT.read_text(encoding="utf-8").splitlines()

# systemd 254 and later: bookworm's 252 would ignore them with a warning (NEWS of systemd).
TOO_NEW = ("RestartSteps", "RestartMaxDelaySec", "ImportCredential", "MemoryKSM", "RestartMode", "PrivatePIDs")


def settings(unit: Path = UNIT) -> dict[tuple[str, str], list[str]]:
    """Return (section, key) -> values; systemd allows a key several times, which configparser does not."""
    found: dict[tuple[str, str], list[str]] = {}
    section = ""
    for text in unit.read_text(encoding="utf-8").splitlines():
        if text.startswith("["):
            section = text.strip("[]")
        elif text and not text.startswith("#"):
            key, _, value = text.partition("=")
            found.setdefault((section, key), []).append(value)
    return found


def seconds(value: str) -> int:
    """Return a plain number of seconds."""
    return int(value)


def test_it_is_never_given_up() -> None:
    """There is no start limit, in the section where systemd reads it, and every exit is followed by a restart."""
    found = settings()
    assert found["Unit", "StartLimitIntervalSec"] == ["0"]
    assert ("Service", "StartLimitIntervalSec") not in found
    assert found["Service", "Restart"] == ["always"]
    assert 5 <= seconds(found["Service", "RestartSec"][0]) <= 30


def test_the_watchdog_listens_to_the_daemon_itself() -> None:
    """Type=notify, messages from the main process only, which is python and no shell; a hang is noticed in minutes."""
    found = settings()
    assert found["Service", "Type"] == ["notify"]
    assert found["Service", "NotifyAccess"] == ["main"]
    assert 60 <= seconds(found["Service", "WatchdogSec"][0]) <= 180
    command = found["Service", "ExecStart"][0].split()
    assert command[0].startswith("/opt/dewkeeper/current/")
    assert command[command.index("-m") :][:3] == ["-m", "dewkeeper", "run"]


def test_what_is_compiled_without_docstrings_lies_in_a_folder_of_its_own() -> None:
    """Python keeps docstrings out of the daemon's memory, and may write what it compiled so where systemd makes the folder."""
    found = settings()
    options = found["Service", "ExecStart"][0].split()
    assert "-OO" in options
    assert "pycache_prefix=/var/cache/dewkeeper" in options
    assert found["Service", "CacheDirectory"] == ["dewkeeper"]


def test_nothing_is_awaited_but_the_module_of_the_bus() -> None:
    """A Pi that boots without router or time still samples at once; the I2C module comes first, for its permission."""
    found = settings()
    awaited = {key: found[section, key] for section, key in found if key in ("After", "Wants", "Requires", "BindsTo")}
    assert awaited == {"Wants": ["modprobe@i2c_dev.service"], "After": ["modprobe@i2c_dev.service"]}


def test_it_may_use_the_bus_and_owns_its_folder() -> None:
    """A fixed user in group i2c, I2C devices allowed by class, a state folder, a folder of credentials."""
    found = settings()
    assert found["Service", "User"] == ["dewkeeper"]
    assert ("Service", "DynamicUser") not in found
    assert found["Service", "SupplementaryGroups"] == ["i2c"]
    assert found["Service", "DeviceAllow"] == ["char-i2c rw"]
    assert ("Service", "PrivateDevices") not in found
    assert found["Service", "StateDirectory"] == ["dewkeeper"]
    assert found["Service", "LoadCredential"] == ["dewkeeper:/etc/dewkeeper/credentials"]
    assert ("Service", "MemoryMax") in found


def test_the_nightly_copy_may_go_to_a_drive() -> None:
    """Drives under /mnt and /media can be written without a drop-in; the folders above them are named, and may be missing."""
    assert settings()["Service", "ReadWritePaths"] == ["-/mnt -/media"]


def test_the_guides_drive_is_one_that_the_unit_may_write_to() -> None:
    """The folder that the guide's backup names, and its mount, lie where the unit lets the daemon write: pasted, it works."""
    guide = UNIT.with_name("GUIDE.md").read_text(encoding="utf-8")
    backup = guide.partition("[storage.backup]\n")[2].partition("```")[0]
    folder = Path(tomllib.loads(backup)["folder"])
    (mount,) = re.findall(r"LABEL=STICK (\S+) ", guide)
    (allowed,) = settings()["Service", "ReadWritePaths"]
    assert folder.is_relative_to(mount)
    assert any(folder.is_relative_to(one.removeprefix("-")) for one in allowed.split())


def test_it_uses_nothing_newer_than_bookworms_systemd() -> None:
    """No key that systemd 252 does not know."""
    assert not [key for unit in (UNIT, COLLECTOR) for _, key in settings(unit) if key in TOO_NEW]


def test_the_collector_is_kept_alive_and_held_as_tight() -> None:
    """Everything that restricts the daemon restricts it too, devices besides; it is never given up, and hangs are noticed."""
    daemon, collector = settings(), settings(COLLECTOR)
    own = {"DeviceAllow", "DevicePolicy", "User", "Group", "SupplementaryGroups", "CacheDirectory", "CacheDirectoryMode",
        "ConfigurationDirectory", "ConfigurationDirectoryMode", "OOMScoreAdjust", "MemoryHigh", "ReadWritePaths"}  # fmt: skip
    assert {key for section, key in daemon if section == "Service"} - {key for _, key in collector} == own
    for key in ("StartLimitIntervalSec",):
        assert collector["Unit", key] == daemon["Unit", key]
    for key in ("Type", "Restart", "WatchdogSec", "ProtectSystem", "CapabilityBoundingSet", "SystemCallFilter", "RestrictAddressFamilies"):  # fmt: skip
        assert collector["Service", key] == daemon["Service", key]
    assert collector["Service", "PrivateDevices"] == ["yes"]


def test_every_hardening_line_is_explained() -> None:
    """Above every block of settings in the sandbox there is a comment that says why."""
    start = next(i for i, text in enumerate(LINES) if "what it can never need" in text)
    unexplained = []
    explained = False
    run = 0
    for text in LINES[start + 1 :]:
        if text.startswith("["):
            break
        if text.startswith("#"):
            explained, run = True, 0
        elif text:
            run += 1
            if not explained or run > 4:  # one comment stands for a small block, not for a page
                unexplained.append(text)
    assert not unexplained
    assert len(re.findall(r"^# .*[Rr]elax|needs|Add AF", "\n".join(LINES), re.MULTILINE)) >= 4


@pytest.mark.parametrize("source", [UNIT, COLLECTOR], ids=lambda unit: str(unit.stem))
@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_systemd_finds_nothing_wrong(tmp_path: Path, source: Path) -> None:
    """`systemd-analyze verify` has no complaint, the interpreter's path aside, which exists only on the Pi."""
    unit = tmp_path / source.name
    unit.write_text(re.sub(r"/opt/\S+/bin/python", "/bin/true", source.read_text(encoding="utf-8")))
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    complaints = [text for text in checked.stderr.splitlines() if "dewkeeper" in text]
    assert not complaints


@pytest.mark.parametrize("source", [UNIT, COLLECTOR], ids=lambda unit: str(unit.stem))
@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
def test_the_sandbox_stays_tight(source: Path) -> None:
    """systemd's own score of the exposure stays below 2 of 10."""
    checked = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--threshold=20", str(source)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout[-500:] + checked.stderr
