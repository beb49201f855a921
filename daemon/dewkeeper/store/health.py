"""The store's own health as reports: space, read-only disks, a log that grows, backups that fail. Every source can be faked."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import SystemReport
from dewkeeper.store.database import FILE_NAME
from dewkeeper_config.models import Storage

NEW_CARD = "make a copy now, buy a new, larger card, bring the copy back on it: guide, “A new card”; pull no card while the Pi runs"
"""What a keeper does about a card that dies or is too small."""
BALLAST_NAME = "ballast"
MOST_LOG_BYTES = 64 << 20
"""A log this long means that a reader holds on: checkpoints cannot cut it."""


def space(folder: Path) -> tuple[int, int]:
    """Return free and all bytes of the folder's file system. Raises OSError."""
    usage = shutil.disk_usage(folder)
    return usage.free, usage.total


def file_system(folder: Path) -> tuple[bool, str]:
    """Return whether the folder's file system is read-only, and its type (empty when unknown). Raises OSError."""
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY), _kind(folder, folder.stat().st_dev)


@lru_cache(maxsize=1)  # asked four times a minute; what is mounted later is another device
def _kind(folder: Path, device: int) -> str:
    best, kind = "", ""
    here = str(folder.resolve())
    for line in Path("/proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines():
        _, mount, name, *_ = line.split(" ")
        inside = here == mount or here.startswith(mount.rstrip("/") + "/")
        if inside and len(mount) >= len(best):
            best, kind = mount, name
    return kind


def log_bytes(folder: Path) -> int:
    """Return the length of the write-ahead log. Raises OSError."""
    log = folder / f"{FILE_NAME}-wal"
    return log.stat().st_size if log.exists() else 0


class Disk:
    """Watches the folder. A source that cannot be asked gives no report: not knowing is neither trouble nor its end."""

    def __init__(
        self,
        storage: Storage,
        space: Callable[[Path], tuple[int, int]] = space,
        file_system: Callable[[Path], tuple[bool, str]] = file_system,
        log_bytes: Callable[[Path], int] = log_bytes,
    ) -> None:
        self._storage = storage
        self._space = space
        self._file_system = file_system
        self._log_bytes = log_bytes

    def reports(self, now: int) -> list[SystemReport]:
        """Return what can be said now, troubles and their absence alike."""
        found: list[SystemReport] = []
        for source in (self._free, self._kind, self._log):
            try:
                found += source(now)
            except OSError:
                continue
        return found

    def keep_ballast(self) -> None:
        """Lay down the ballast file where space is ample. Never raises."""
        size = self._storage.ballast_mb << 20
        ballast = self._storage.folder / BALLAST_NAME
        try:
            if size and not ballast.exists() and self._space(self._storage.folder)[0] > 10 * size:
                with ballast.open("wb") as file:
                    os.posix_fallocate(file.fileno(), 0, size)  # blocks of its own: to give up a hole frees nothing
        except OSError:
            ballast.unlink(missing_ok=True)

    def give_up_ballast(self) -> bool:
        """Delete the ballast file; return whether there was one. What it frees lets the database go on for days."""
        try:
            (self._storage.folder / BALLAST_NAME).unlink()
        except OSError:
            return False
        return True

    def _free(self, now: int) -> list[SystemReport]:
        free, total = self._space(self._storage.folder)
        percent = 100 * free / total if total else 0.0
        text = (
            f"{percent:.0f} % of the disk is free ({free / 1e6:.0f} MB), less than {self._storage.free_percent:.0f} %"
        )
        return [
            SystemReport(
                now, "disk space", percent < self._storage.free_percent, text,
                response=f"remove only files that you put on the Pi yourself; the largest, {TYPED}: `sudo du -xhd2 / | sort -h | tail`; none of yours: {NEW_CARD}", action="make room",
                consequence="it still watches, tells and records; when the disk is full it goes on watching and telling, and records nothing",
            )
        ]  # fmt: skip

    def _kind(self, now: int) -> list[SystemReport]:
        read_only, kind = self._file_system(self._storage.folder)
        return [
            SystemReport(
                now, "disk read-only", read_only,
                "the disk became read-only, as a dying card does: readings stay in memory and are lost at the next restart",
                priority="urgent", response=f"leave the Pi running: it still watches and tells; {NEW_CARD}", action="replace the card",
                consequence="it still watches and tells; what it reads from now on is lost at the next restart",
            ),
            SystemReport(
                now, "disk overlay", kind == "overlay",
                "the database lies on an overlay file system: everything recorded is lost at the next restart",
                response=f"switch the overlay off, {TYPED}: `sudo raspi-config`, Performance Options; then restart the Pi", action="see the page",
                consequence="it still watches and tells; what it records is lost at the next restart",
            ),
        ]  # fmt: skip

    def _log(self, now: int) -> list[SystemReport]:
        size = self._log_bytes(self._storage.folder)
        text = f"the database's log has grown to {size / 1e6:.0f} MB: some program holds an old read open"
        return [
            SystemReport(
                now, "database log", size > MOST_LOG_BYTES, text, response=f"restart the Pi, {TYPED}: `sudo reboot`", action="see the page",
                consequence="it still watches, tells and records; the disk fills up",
            )
        ]  # fmt: skip
