"""Installer and update: what they say, that a dry run changes nothing, and that a bad update goes back."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from dewkeeper.store.database import FILE_NAME
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config
from dewkeeper_config.reference import examples

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
PYTHON = shutil.which("python3") or "python3"


def supported() -> bool:
    """Whether this is one of the systems the installer is made for."""
    text = Path("/etc/os-release").read_text(encoding="utf-8")
    return any(f"VERSION_CODENAME={name}" in text for name in ("bookworm", "trixie"))


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_the_scripts_are_clean() -> None:
    """shellcheck has no complaint about any of them."""
    scripts = sorted(str(path) for path in DEPLOY.glob("*.sh"))
    checked = subprocess.run(
        ["shellcheck", "-x", *scripts], capture_output=True, text=True, check=False, cwd=DEPLOY.parent
    )
    assert checked.returncode == 0, checked.stdout


def install(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the installer on the machine that a folder shows."""
    return subprocess.run(
        [str(DEPLOY / "install.sh"), *arguments], capture_output=True, text=True, check=False, timeout=60,
        env=os.environ | {"DEWKEEPER_MACHINE": str(folder)},
    )  # fmt: skip


@pytest.fixture
def pi_root(tmp_path: Path) -> Path:
    """Return a folder with what the installer looks at on a Pi: systemd at work, the firmware's settings, a zone."""
    for folder in ("run/systemd/system", "boot/firmware", "etc", "usr/share/zoneinfo/Europe"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "boot/firmware/config.txt").touch()
    (tmp_path / "usr/share/zoneinfo/Europe/Vienna").touch()
    (tmp_path / "etc/localtime").symlink_to(tmp_path / "usr/share/zoneinfo/Europe/Vienna")
    return tmp_path


@pytest.fixture
def install_dry(pi_root: Path) -> Callable[..., str]:
    """Return a function that runs the installer dry, on a Pi, and gives what it printed."""

    def run(*arguments: str) -> str:
        done = install(pi_root, "--dry-run", *arguments)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return run


@pytest.mark.skipif(not supported(), reason="the installer refuses systems other than bookworm and trixie")
def test_a_dry_run_prints_every_step_and_changes_nothing(install_dry: Callable[..., str]) -> None:
    """User, environment, self-test, configuration, secrets and unit are all announced; nothing of it is there after."""
    places = [Path(place) for place in ("/opt/dewkeeper", "/etc/dewkeeper", "/etc/udev/rules.d/60-dewkeeper.rules")]
    before = [place.exists() for place in places]
    said = install_dry("--multiplexer", "0x70", "--multiplexer", "0x71")
    for words in (
        "python3 -m venv /opt/dewkeeper/releases/",
        "bin/dewkeeper selftest",
        "/etc/dewkeeper/dewkeeper.toml",
        "/etc/dewkeeper/credentials",
        "/etc/systemd/system/dewkeeper.service",
        "i2c-dev",
        "dtoverlay=i2c-mux,pca9548,addr=0x70,base=30",
        "dtoverlay=i2c-mux,pca9548,addr=0x71,base=38",
        'name = "0x71 channel 7"\nnumber = 45\nadapter = "i2c1"',
        'ATTR{idle_state}="-2"',
        "systemctl enable dewkeeper.service",
        "zone is Europe/Vienna",
        "with the zone Europe/Vienna",
        "This was a dry run: nothing was changed.",
    ):
        assert words in said
    assert [place.exists() for place in places] == before


@pytest.mark.skipif(not supported(), reason="the installer refuses systems other than bookworm and trixie")
def test_the_installer_says_what_must_not_be_relied_on(install_dry: Callable[..., str]) -> None:
    """Heat, mains, limits and silence: the cautions stand at the end of the output, where they are read."""
    said = install_dry()
    for words in ("It only watches", "over-temperature cut-out", "residual-current", "no veterinary advice", "silence"):
        assert words in said[said.index("Before you rely on it") :]


@pytest.mark.skipif(not supported(), reason="the installer refuses systems other than bookworm and trixie")
@pytest.mark.parametrize("dry", [["--dry-run"], []])
@pytest.mark.parametrize(
    ("lacks", "arguments", "said"),
    [
        ("run/systemd/system", [], "systemd does not run this machine"),
        ("boot/firmware/config.txt", ["--multiplexer", "0x70"], "needs a Raspberry Pi"),
    ],
)
def test_what_cannot_be_carried_through_is_refused_before_anything_is_changed(
    pi_root: Path, dry: list[str], lacks: str, arguments: list[str], said: str
) -> None:
    """No systemd, or a multiplexer without a Pi: plain words and no step, in a dry run as in the run."""
    place = pi_root / lacks
    place.rmdir() if place.is_dir() else place.unlink()
    done = install(pi_root, *dry, *arguments)
    assert done.returncode == 1
    assert said in done.stderr
    assert "   + " not in done.stdout


@pytest.mark.parametrize(
    ("link", "zone"),
    [
        ("Europe/Vienna", "Europe/Vienna"),
        ("posix/America/Argentina/Ushuaia", "America/Argentina/Ushuaia"),
        (None, "UTC"),
    ],
)
def test_the_zone_is_the_machines(tmp_path: Path, link: str | None, zone: str) -> None:
    """It is read from where the system keeps it; UTC where it keeps none."""
    (tmp_path / "etc").mkdir()
    if link is not None:
        place = tmp_path / "usr/share/zoneinfo" / link
        place.parent.mkdir(parents=True)
        place.touch()
        (tmp_path / "etc/localtime").symlink_to(place)
    assert Pi(tmp_path, ()).ask("zone_here") == zone


@pytest.mark.parametrize(
    ("script", "arguments", "code"),
    [
        ("install.sh", ["--multiplexer", "0x44"], 1),
        ("install.sh", ["--multiplexer"], 1),
        ("install.sh", ["--dryrun"], 2),
        ("update.sh", ["--watch-seconds", "soon"], 1),
        ("update.sh", ["--force"], 2),
        ("uninstall.sh", ["--all"], 2),
    ],
)
def test_bad_usage_changes_nothing(script: str, arguments: list[str], code: int) -> None:
    """An unknown option or a wrong address ends the script before its first step."""
    done = subprocess.run([str(DEPLOY / script), *arguments], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == code
    assert "-- " not in done.stdout
    assert done.stderr


def test_uninstalling_keeps_what_the_keeper_made() -> None:
    """It says what stays, unless --purge was said; the machine of tests/machine looks whether it is so."""
    for arguments, kept in ((["--dry-run"], True), (["--dry-run", "--purge"], False)):
        done = subprocess.run([str(DEPLOY / "uninstall.sh"), *arguments], capture_output=True, text=True, check=True)
        assert ("Kept: /var/lib/dewkeeper, /etc/dewkeeper" in done.stdout) == kept
        assert "nothing was changed" in done.stdout
        assert "is removed" not in done.stdout


class Machine:
    """An installation in a folder, with stand-ins for the programs an update calls: python3 -m venv, systemctl."""

    def __init__(self, folder: Path) -> None:
        self.prefix, self.state, self.bin = folder / "opt", folder / "state", folder / "bin"
        self.unit, self.calls = folder / "dewkeeper.service", folder / "calls"
        old = self.prefix / "releases" / "20200101T000000Z"
        for place in (old / "bin", self.state, self.bin):
            place.mkdir(parents=True)
        (self.prefix / "current").symlink_to(old)
        self.unit.write_text("the old unit\n", encoding="utf-8")
        self.behave(selftest=0, start=0)
        self._program("python3", f'''
if [ "$1" = -m ] && [ "$2" = venv ]; then
  mkdir -p "$3/bin"
  for name in python dewkeeper; do cp "{self.bin}/release-$name" "$3/bin/$name"; done
  exit 0
fi
exec {PYTHON} "$@"''')  # fmt: skip
        self._program("release-python", "exit 0")

    def behave(self, *, selftest: int, start: int, migrate: bool = False) -> None:
        """Set how the new release's self-test ends, and whether the service comes up with it."""
        self._program("release-dewkeeper", f'echo "dewkeeper $*" >>"{self.calls}"\nexit {selftest}')
        migrated = self.bin / "migrate.py"
        migrated.write_text(
            "import sqlite3, sys\n"
            "connection = sqlite3.connect(sys.argv[1])\n"
            "connection.execute('UPDATE alembic_version SET version_num = 2')\n"
            "connection.commit()\n",
            encoding="utf-8",
        )
        change = f"{PYTHON} {migrated} {self.state}/dewkeeper.db;" if migrate else ""
        self._program("systemctl", f'''
echo "systemctl $*" >>"{self.calls}"
case $1 in
  restart) case $(readlink "{self.prefix}/current") in
    *20200101T000000Z) exit 0 ;;
    *) {change}exit {start} ;;
  esac ;;
  show) echo 0 ;;
esac''')  # fmt: skip

    def database(self) -> Path:
        """Make a database of schema 1 with one row."""
        path = self.state / "dewkeeper.db"
        with sqlite3.connect(path) as connection:
            connection.execute("CREATE TABLE alembic_version (version_num TEXT)")
            connection.execute("INSERT INTO alembic_version VALUES ('1')")
        connection.close()
        return path

    def update(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run update.sh on this machine."""
        environment = os.environ | {
            "PATH": f"{self.bin}:{os.environ['PATH']}",
            "DEWKEEPER_PREFIX": str(self.prefix),
            "DEWKEEPER_STATE": str(self.state),
            "DEWKEEPER_UNIT": str(self.unit),
        }
        return subprocess.run(
            [str(DEPLOY / "update.sh"), "--watch-seconds", "0", *arguments],
            capture_output=True, text=True, check=False, env=environment, timeout=60,
        )  # fmt: skip

    def current(self) -> str:
        """Return the name of the release that runs."""
        return (self.prefix / "current").resolve().name

    def said(self) -> list[str]:
        """Return the calls of the stand-ins, in order."""
        return self.calls.read_text(encoding="utf-8").splitlines() if self.calls.exists() else []

    def _program(self, name: str, body: str) -> None:
        path = self.bin / name
        path.write_text(f"#!/usr/bin/env bash\n{body}\n", encoding="utf-8")
        path.chmod(0o755)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """Return a machine with one release installed."""
    return Machine(tmp_path)


OLD = "20200101T000000Z"


class Pi:
    """A folder that shows which I2C buses a Pi has, as its kernel, device tree and firmware settings do."""

    def __init__(self, folder: Path, adapters: Sequence[int], aliases: Sequence[int] = (), overlays: str = "") -> None:
        for number in adapters:
            for name in (f"sys/class/i2c-adapter/i2c-{number}", f"dev/i2c-{number}"):
                (folder / name).mkdir(parents=True)
        for number in aliases:
            (folder / f"proc/device-tree/aliases/i2c{number}").mkdir(parents=True)
        (folder / "config.txt").write_text(overlays, encoding="utf-8")
        self.folder = folder

    def ask(self, what: str) -> str:
        """Return what a function of steps.sh says on this Pi."""
        program = f'set -euo pipefail; . "{DEPLOY}/steps.sh"; machine="{self.folder}"; boot="{self.folder}/config.txt"; {what}'
        return subprocess.run(["bash", "-c", program], capture_output=True, text=True, check=True).stdout.strip()


# Which buses each Pi has is from memory, no such machine was looked at.
@pytest.mark.parametrize(
    ("adapters", "aliases", "overlays", "first"),
    [
        ((1, 20, 21), (0, 1), "", 30),
        ((1, 4, 6, 11, 13, 14), (0, 1, 10, 11, 12), "", 30),
        ((1, 34), (), "", 35),
        ((1,), (31, 39), "", 40),
        ((1,), (), "dtparam=i2c_arm=on\ndtoverlay=i2c-mux,pca9548,addr=0x71,base=30\n", 38),
        ((1,), (), "#dtoverlay=i2c-mux,pca9548,addr=0x71,base=30\n", 30),
    ],
    ids=[
        "Pi 4",
        "Pi 5",
        "a bus in the way",
        "promised by the device tree",
        "a multiplexer before",
        "one that was switched off",
    ],
)
def test_a_multiplexer_gets_numbers_that_are_free(
    tmp_path: Path, adapters: Sequence[int], aliases: Sequence[int], overlays: str, first: int
) -> None:
    """Eight in a row that no bus has, none is promised and no other overlay gives out, above a Pi's own."""
    assert Pi(tmp_path, adapters, aliases, overlays).ask("free_base 30") == str(first)


def test_a_multiplexer_that_is_there_keeps_its_numbers(tmp_path: Path) -> None:
    """Run again, the installer finds the base of the overlay it wrote, of this address and no other."""
    overlays = "dtoverlay=i2c-mux,pca9548,addr=0x70,base=10\ndtoverlay=i2c-mux,pca9548,addr=0x71,base=46\n"
    pi = Pi(tmp_path, (1,), (), overlays)
    assert [pi.ask(f"base_of {address}") for address in ("0x70", "0x71")] == ["10", "46"]
    assert pi.ask("base_of 0x72") == ""


def test_the_configuration_of_a_multiplexer_is_taken_by_the_daemon(tmp_path: Path) -> None:
    """What the installer prints to copy is a configuration: eight buses on one adapter, with the numbers of the overlay."""
    printed = Pi(tmp_path, (1,)).ask("channels 0x70 30")
    rack = tomllib.loads(examples()["first_probe"])
    rack["bus"] = tomllib.loads(printed)["bus"]
    rack["probe"][0]["bus"] = "0x70 channel 3"
    made = checked(Config, rack)
    assert [bus.number for bus in made.bus] == list(range(30, 38))
    assert {bus.adapter for bus in made.bus} == {"i2c1"}


def test_a_good_update_is_switched_to_after_its_selftest(machine: Machine) -> None:
    """The new release is built and tested first, then made current, then the daemon restarted, once."""
    machine.database()
    done = machine.update()
    assert done.returncode == 0, done.stdout + done.stderr
    assert machine.current() != OLD
    calls = machine.said()
    assert calls.index("dewkeeper selftest --installation") < calls.index("systemctl restart dewkeeper.service")
    assert calls.count("systemctl restart dewkeeper.service") == 1
    assert machine.unit.read_text(encoding="utf-8") == (DEPLOY / "dewkeeper.service").read_text(encoding="utf-8")
    assert not (machine.state / "before-update.db").exists()


def test_a_release_that_fails_its_selftest_is_never_switched_to(machine: Machine) -> None:
    """The old one was not even restarted, and nothing of the new one is left."""
    machine.behave(selftest=1, start=0)
    assert machine.update().returncode == 1
    assert machine.current() == OLD
    assert not [call for call in machine.said() if "restart" in call]
    assert [path.name for path in (machine.prefix / "releases").iterdir()] == [OLD]


def test_a_release_that_does_not_start_is_taken_back(machine: Machine) -> None:
    """Release and unit are the old ones again, and the old one runs."""
    machine.behave(selftest=0, start=1)
    done = machine.update()
    assert done.returncode == 1
    assert "going back" in done.stderr
    assert machine.current() == OLD
    assert machine.unit.read_text(encoding="utf-8") == "the old unit\n"
    assert machine.said()[-1] == "systemctl restart dewkeeper.service"


def test_a_database_changed_by_a_failed_release_is_put_back(machine: Machine) -> None:
    """The old release finds the database it knows, with its owner; the changed one is kept aside."""
    path = machine.database()
    mode = path.stat().st_mode
    machine.behave(selftest=0, start=1, migrate=True)
    assert machine.update().returncode == 1
    for name, version in (("dewkeeper.db", "1"), ("after-failed-update.db", "2")):
        connection = sqlite3.connect(machine.state / name)
        assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (version,)
        connection.close()
    assert path.stat().st_mode == mode


def test_the_update_knows_the_database_by_its_name() -> None:
    """The file the script copies is the file the store opens."""
    assert f"$state/{FILE_NAME}" in (DEPLOY / "update.sh").read_text(encoding="utf-8")


def test_a_dry_update_changes_nothing(machine: Machine) -> None:
    """Every step is printed, none is made."""
    done = machine.update("--dry-run")
    assert done.returncode == 0, done.stderr
    assert "selftest" in done.stdout
    assert machine.current() == OLD
    assert machine.said() == []
    assert machine.unit.read_text(encoding="utf-8") == "the old unit\n"


def test_the_release_before_can_be_called_back(machine: Machine) -> None:
    """`--rollback` after an update goes to the release before it; from the oldest, also gone back to, there is nowhere to go."""
    assert machine.update("--rollback").returncode == 1
    assert machine.update().returncode == 0
    assert machine.update("--rollback").returncode == 0
    assert machine.current() == OLD
    assert machine.update("--rollback").returncode == 1
    assert machine.current() == OLD


def test_without_an_installation_there_is_nothing_to_update(machine: Machine) -> None:
    """The script says so and names the installer."""
    (machine.prefix / "current").unlink()
    done = machine.update()
    assert done.returncode == 1
    assert "install.sh" in done.stderr


@pytest.mark.parametrize(
    ("origin", "wanted"),
    [
        (None, "strange-bell==1.2"),
        ({"url": "file:///srv/bell", "dir_info": {}}, "strange-bell @ file:///srv/bell"),
        (
            {"url": "https://example.org/bell.git", "vcs_info": {"vcs": "git", "commit_id": "abc"}},
            "strange-bell @ git+https://example.org/bell.git@abc",
        ),
    ],
)
def test_an_update_takes_packages_of_others_along(tmp_path: Path, origin: object, wanted: str) -> None:
    """What brings a driver or a channel is installed into every new release, from where it came; what brings neither is not."""
    for name, groups in (
        ("strange_bell", "[dewkeeper.channels]\nbell = bell:open"),
        ("other", "[console_scripts]\nx = y:z"),
    ):
        facts = tmp_path / "site" / f"{name}-1.2.dist-info"
        facts.mkdir(parents=True)
        (facts / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name.replace('_', '-')}\nVersion: 1.2\n")
        (facts / "entry_points.txt").write_text(f"{groups}\n")
        if origin is not None:
            (facts / "direct_url.json").write_text(json.dumps(origin))
    python = tmp_path / "opt" / "current" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.write_text(f'#!/bin/sh\nPYTHONPATH="{tmp_path}/site" exec {PYTHON} "$@"\n')
    python.chmod(0o755)
    program = (
        f'. "{DEPLOY}/steps.sh"; prefix="{tmp_path}/opt"; dry_run=yes; make_release /checkout "{tmp_path}/release"'
    )
    said = subprocess.run(["bash", "-euc", program], capture_output=True, text=True, check=True).stdout
    besides = [line for line in said.splitlines() if "besides" in line or "strange-bell" in line]
    assert any(line.endswith(f"--prefer-binary {wanted}") for line in besides), said
    assert "other" not in said


@pytest.mark.parametrize(
    ("line", "extra"),
    [('kind = "apprise"', "[apprise]"), ('# kind = "apprise"', ""), ('kind = "mail"', ""), ("[collect]", "[collect]")],
)
def test_an_update_takes_the_optional_library_along_where_it_is_needed(tmp_path: Path, line: str, extra: str) -> None:
    """With a channel of kind `apprise`, or `[collect]`, each new release has the library for it; others do without."""
    file = tmp_path / "dewkeeper.toml"
    file.write_text(f"[[channel]]\n{line}\n", encoding="utf-8")
    program = f'. "{DEPLOY}/steps.sh"; configuration="{file}"; dry_run=yes; make_release /checkout "{tmp_path}/release"'
    said = subprocess.run(["bash", "-c", program], capture_output=True, text=True, check=True).stdout
    assert f"--prefer-binary /checkout{extra}\n" in said
    assert ("libpq5" in said) == (extra == "[collect]")
