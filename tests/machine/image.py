"""Makes what a virtual machine starts from: a Debian with systemd on a disk image, its kernel, and a disk with this checkout.

Built by mmdebstrap from the mirror this machine's apt uses, so nothing here names one. Kept between runs in the folder
`DEWKEEPER_MACHINES` (default /var/tmp/dewkeeper-machines); delete it to build anew.
"""

from __future__ import annotations

import hashlib
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.kernel.emulated import library

ROOT = Path(__file__).resolve().parents[2]
GUEST = Path(__file__).resolve().parent / "guest"
PYTHONS = {"bookworm": "3.11", "trixie": "3.13"}
KEEPER = "keeper"
TOOLS = ("qemu-system-x86_64", "mmdebstrap", "mkfs.ext4", "cc")

# What Raspberry Pi OS brings along, as far as this project meets it, and what the steps look with (sqlite3, strace).
_PACKAGES = (
    "systemd", "systemd-sysv", "systemd-timesyncd", "dbus", "udev", "kmod", "procps", "iproute2", "util-linux", "passwd",
    "sudo", "ca-certificates", "tzdata", "python3", "python3-venv", "git", "i2c-tools", "sqlite3",
    "linux-image-amd64", "initramfs-tools",
)  # fmt: skip

# The shell that mmdebstrap runs with the new system's folder as $1, before the image is made.
_CUSTOMIZE = f"""set -eu
chroot "$1" useradd --create-home --shell /bin/bash --groups sudo {KEEPER}
echo '{KEEPER} ALL=(ALL) NOPASSWD: ALL' >"$1/etc/sudoers.d/{KEEPER}"
echo rack >"$1/etc/hostname"
printf '127.0.0.1 localhost rack\\n' >"$1/etc/hosts"
mkdir -p "$1/srv/seed"
printf '%s\\n' '/dev/vda / ext4 errors=remount-ro 0 1' \\
  '/dev/disk/by-label/seed /srv/seed ext4 ro 0 0' >"$1/etc/fstab"
# No network: pip takes everything from the disk, for the build of the package too.
printf '%s\\n' '[global]' 'no-index = true' 'find-links = /srv/seed/wheels' >"$1/etc/pip.conf"
cat >"$1/etc/systemd/system/machine-agent.service" <<'UNIT'
[Unit]
RequiresMountsFor=/srv/seed
BindsTo=dev-virtio\\x2dports-machine.device
After=dev-virtio\\x2dports-machine.device
[Service]
ExecStart=/usr/bin/python3 /srv/seed/guest/agent.py
Restart=always
OOMScoreAdjust=-900
[Install]
WantedBy=multi-user.target
UNIT
chroot "$1" systemctl enable machine-agent.service
# A small initial ram disk: emulated, unpacking a large one costs a minute.
echo MODULES=list >"$1/etc/initramfs-tools/conf.d/machine"
printf '%s\\n' virtio_pci virtio_blk virtio_console ext4 >>"$1/etc/initramfs-tools/modules"
chroot "$1" update-initramfs -u
rm -f "$1"/var/cache/apt/archives/*.deb
"""


@dataclass(frozen=True, slots=True)
class Image:
    """One Debian that can be booted. `disk` is only ever copied."""

    suite: str
    disk: Path
    kernel: Path
    ramdisk: Path


class NoMachine(Exception):
    """A virtual machine cannot be had here."""


def missing() -> list[str]:
    """Return what keeps a machine from being built here, in words; empty when nothing does."""
    troubles = [f"{tool} is not installed" for tool in TOOLS if shutil.which(tool) is None]
    if os.geteuid() != 0:
        troubles.append("root is needed to make a system's folder")
    if platform.machine() != "x86_64":
        troubles.append(f"images are made for x86_64 alone, this is {platform.machine()}")
    return troubles


def store() -> Path:
    """Return the folder that keeps images between runs."""
    folder = Path(os.environ.get("DEWKEEPER_MACHINES", "/var/tmp/dewkeeper-machines"))  # noqa: S108  gigabytes, and to be kept
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def base(suite: str) -> Image:
    """Return a bootable Debian, built on the first call. Raises NoMachine."""
    recipe = hashlib.sha256("\n".join((suite, *_PACKAGES, _CUSTOMIZE)).encode()).hexdigest()[:12]
    folder = store() / f"{suite}-{recipe}"
    image = Image(suite, folder / "disk.ext4", folder / "vmlinuz", folder / "initrd")
    if folder.exists():
        return image
    with tempfile.TemporaryDirectory(dir=store(), prefix="making-") as place:
        tree, made = Path(place) / "tree", Path(place) / "made"
        made.mkdir()
        hook = Path(place) / "customize"
        hook.write_text(_CUSTOMIZE, encoding="utf-8")
        _run(
            ["unshare", "--mount", "mmdebstrap", "--mode=root", "--variant=minbase", "--skip=cleanup/apt/lists",
             f"--include={','.join(_PACKAGES)}", f"--customize-hook=sh {hook} \"$1\"", suite, str(tree), _mirror()],
            f"a Debian {suite} from this machine's mirror",
        )  # fmt: skip
        shutil.copy(next((tree / "boot").glob("vmlinuz-*")), made / "vmlinuz")
        shutil.copy(next((tree / "boot").glob("initrd.img-*")), made / "initrd")
        disk(made / "disk.ext4", "3G", "root", tree)
        made.rename(folder)
    return image


def new_disks(suite: str, folder: Path) -> None:
    """Make the three disks of a machine in its folder: its own, the seed, a stick with the label STICK. Raises NoMachine."""
    # Holes stay holes: three gigabytes, of which one is used.
    _run(["cp", "--sparse=always", str(base(suite).disk), str(folder / "disk.ext4")], "a copy of the image")
    seed(suite, folder)
    disk(folder / "stick.ext4", "200M", "STICK")


def seed(suite: str, folder: Path) -> Path:
    """Make the disk with this checkout's last commit, the wheels it needs and the guest's programs; return it."""
    stage = folder / "seed"
    shutil.rmtree(stage, ignore_errors=True)
    stage.mkdir(parents=True)
    _run(["git", "clone", "--quiet", "--bare", str(ROOT), str(stage / "dewkeeper.git")], "a copy of the last commit")
    shutil.copytree(GUEST, stage / "guest")
    shutil.copytree(_wheels(suite), stage / "wheels")
    # The emulated kernel of tests/kernel: its library, built here by this machine's older C library, and its chips.
    for part in ("kernel", "wire"):
        shutil.copytree(ROOT / "tests" / part, stage / "kernel" / "tests" / part)
    shutil.copytree(ROOT / "demo" / "dewkeeper_demo", stage / "kernel" / "dewkeeper_demo")
    shutil.copy(library(), stage / "kernel")
    for path in (stage, *stage.rglob("*")):  # whoever built it: everybody in the machine may read it
        path.chmod(path.stat().st_mode | (0o555 if path.is_dir() else 0o444))
    return disk(folder / "seed.ext4", "300M", "seed", stage)


def disk(path: Path, size: str, label: str, content: Path | None = None) -> Path:
    """Make a file that holds an ext4 file system with this label and content; return it."""
    path.unlink(missing_ok=True)
    with path.open("wb") as file:
        file.truncate(int(size[:-1]) << {"M": 20, "G": 30}[size[-1]])
    given = ["-d", str(content)] if content is not None else []
    _run(["mkfs.ext4", "-q", "-F", "-L", label, *given, str(path)], f"the disk {label}")
    return path


def _wheels(suite: str) -> Path:
    """Return the folder of everything pip needs in that machine, fetched once for each state of pyproject.toml."""
    project = (ROOT / "pyproject.toml").read_bytes()
    folder = store() / f"wheels-{suite}-{hashlib.sha256(project).hexdigest()[:12]}"
    if folder.exists():
        return folder
    parsed = tomllib.loads(project.decode())
    wanted = [*parsed["build-system"]["requires"], *parsed["project"]["dependencies"]]
    python = PYTHONS[suite]
    with tempfile.TemporaryDirectory(dir=store(), prefix="making-") as place:
        ours, theirs = Path(place) / "ours", Path(place) / "theirs"
        pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
        # What has no wheel must be pure Python, here as on a Pi; building it with this Python finds that out.
        _run([*pip, "wheel", "--wheel-dir", str(ours), *wanted], "the wheels this project needs")
        platforms = [f"--platform={name}_x86_64" for name in ("manylinux2014", "manylinux_2_28", "linux")]
        _run(
            [*pip, "download", "--only-binary=:all:", f"--python-version={python}", *platforms, "--find-links", str(ours),
             "--dest", str(theirs), *wanted],
            f"the same for Python {python}",
        )  # fmt: skip
        theirs.rename(folder)
    return folder


def _mirror() -> str:
    """Return the address of the Debian mirror that this machine's apt is set to."""
    found = subprocess.run(
        ["apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME)", "Created-By: Packages", "Origin: Debian"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    for line in found.stdout.splitlines():
        address, _, codename = line.rpartition(" ")
        if "-" not in codename:  # not -security, not -updates
            return address
    raise NoMachine("this machine's apt knows no Debian mirror (apt-get update?)")


def _run(command: Sequence[str], what: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoMachine(f"{what}: {command[0]} ended with {done.returncode}: {(done.stderr or done.stdout)[-2000:]}")
