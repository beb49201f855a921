"""The drive that copies lie on: is it there, is it ours alone just now, is there room, and whose fault was it?"""

from __future__ import annotations

import contextlib
import fcntl
import logging
import os
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

from dewkeeper.store.database import plain_reason, read_only
from dewkeeper.store.errors import BackupFailed, DatabaseAtFault
from dewkeeper.store.lock import give_to_owner

log = logging.getLogger(__name__)

HIDDEN = ".dewkeeper-*.db.part*"
"""What a copy is called until it is whole, with SQLite's own file beside it."""

LOCK_NAME = "backup.lock"
_SPARE_BYTES = 1 << 20
_WRITING = (
    "SQLITE_FULL",
    "SQLITE_READONLY",
    "SQLITE_IOERR_WRITE",
    "SQLITE_IOERR_FSYNC",
    "SQLITE_IOERR_TRUNCATE",
    "SQLITE_IOERR_DELETE",
)
"""What SQLite only says of a file that it writes, and it writes nothing but the copy."""


def on_a_mount(folder: Path) -> bool:
    """Return whether the folder lies on a file system mounted somewhere below the root."""
    return any(os.path.ismount(part) for part in (folder, *folder.parents[:-1]))


@contextlib.contextmanager
def alone(source: Path, folder: Path) -> Iterator[None]:
    """Make one copy of a database at a time, and leave none half-written; the folder is made. Raises BackupFailed, OSError."""
    lock = source.with_name(LOCK_NAME)  # beside the database: not every drive's file system knows locks
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except PermissionError as error:
        raise BackupFailed("this user may not: sudo -u dewkeeper dewkeeper backup") from error
    try:
        give_to_owner(lock)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BackupFailed("another copy is being made just now") from error
        folder.mkdir(parents=True, exist_ok=True)
        _clear(folder)  # of one that was killed, or whose drive was pulled out
        try:
            yield
        finally:
            with contextlib.suppress(OSError):  # the drive may be gone; what is wrong is told already
                _clear(folder)
    finally:
        os.close(handle)


def _clear(folder: Path) -> None:
    for left in folder.glob(HIDDEN):
        left.unlink()


def make_room(folder: Path, source: Path, copies: Sequence[Path], spare: Sequence[Path]) -> None:
    """Delete what rotation gives up, then the oldest, until the next copy fits. The newest is never touched.

    copies: oldest first. spare: those of them that rotation gives up once the next copy is there. Raises OSError, and
    BackupFailed when it does not fit beside the newest.
    """
    older = copies[:-1]
    for old in (one for one in older if one in spare):
        old.unlink()
    needed = _size(source) + _SPARE_BYTES
    for old in (one for one in older if one not in spare):
        if _free(folder) >= needed:
            return
        old.unlink()
        log.warning("the backup drive is too small: %s was given up for the next copy", old.name)
    if _free(folder) < needed:
        raise BackupFailed(
            f"backup to {folder}: it is full, {_free(folder) >> 20} MB are free of {needed >> 20} MB needed"
        )


def crowded(folder: Path, newest: Path) -> bool:
    """Return whether a copy as large as the newest has no room beside it. Raises OSError."""
    return _free(folder) < newest.stat().st_size + _SPARE_BYTES


def _size(source: Path) -> int:
    log_file = source.with_name(f"{source.name}-wal")
    return source.stat().st_size + (log_file.stat().st_size if log_file.exists() else 0)


def _free(folder: Path) -> int:
    found = os.statvfs(folder)
    return found.f_bavail * found.f_frsize


def fault(error: Exception, source: Path, folder: Path) -> BackupFailed:
    """Return what to say of a copy that failed: was it the database that is copied, or the drive it goes to?

    SQLite's code tells where it knows; otherwise the database is read from end to end, and is to blame if that fails.
    """
    plain = isinstance(error, OSError) and not isinstance(error, BackupFailed) and error.filename != str(source)
    if not plain and getattr(error, "sqlite_errorname", "") not in _WRITING:
        trouble = _damage(source)
        if trouble:
            return DatabaseAtFault(
                f"{source} cannot be copied, and the backup drive is not to blame: {trouble}", trouble
            )
    return BackupFailed(f"backup to {folder}: {plain_reason(error)}")


def _damage(source: Path) -> str:
    """Return what is wrong with a database, empty when nothing is."""
    try:
        with contextlib.closing(sqlite3.connect(read_only(source), uri=True, timeout=10)) as reading:
            verdict = str(reading.execute("PRAGMA integrity_check(1)").fetchone()[0])
    except sqlite3.Error as error:
        return plain_reason(error)
    return "" if verdict == "ok" else f"it is damaged: {verdict}"
