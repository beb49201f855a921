"""Consistent copies: made while the daemon runs, verified before they count, rotated, and brought back.

A copy is made by SQLite's backup interface into a temporary name, checked, flushed and only then renamed: what bears a
backup's name has opened and counted once. A plain file copy would miss the write-ahead log.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dewkeeper.store.archive import unpack, verified
from dewkeeper.store.damage import Block, span
from dewkeeper.store.database import BLOCK_SECONDS, FILE_NAME, PROBE_BITS, PROBE_MASK, plain_reason, read_only
from dewkeeper.store.drive import alone, fault, make_room, on_a_mount
from dewkeeper.store.errors import BackupFailed, StoreDamaged
from dewkeeper.store.lock import give_to_owner
from dewkeeper_config.models import Backup

_PREFIX, _SUFFIX = "dewkeeper-", ".db"
_COMMAND_SECONDS = 600


@dataclass(frozen=True, slots=True)
class Content:
    """What a database file holds. Times are UTC seconds, None where there is nothing."""

    path: Path
    readings: int
    first: int | None
    last: int | None
    journal: int
    events: int
    damaged: tuple[str, ...] = ()  # blocks of the archive that cannot be read; the rest can


def back_up(folder: Path, settings: Backup, now: int) -> Path:
    """Make room, copy the database in `folder`, verify, rotate, run the command; return the copy's path.

    Raises BackupFailed, which says whether the database or the drive is to blame.
    """
    target = settings.folder
    if target is None:
        raise BackupFailed("no backup folder is configured: [storage.backup] folder = ...")
    day = datetime.fromtimestamp(now, UTC).strftime("%Y%m%d-%H%M%S")
    copy = target / f"{_PREFIX}{day}{_SUFFIX}"
    try:
        if settings.require_mount and not on_a_mount(target):
            raise BackupFailed(
                f"{target} is not mounted: is the drive plugged in? (require_mount = false allows a folder on this card)"
            )
        with alone(folder / FILE_NAME, target):
            there = backups(target)
            make_room(target, folder / FILE_NAME, there, _spare(settings, [*there, copy]))
            _make(folder / FILE_NAME, copy)
            # Only now the newest of before, of the same day perhaps: until the new one was whole nothing was newer.
            for old in _spare(settings, backups(target)):
                old.unlink()
    except (sqlite3.Error, OSError) as error:
        # Which is an OSError itself, and says what happened already.
        if isinstance(error, BackupFailed):
            raise
        raise fault(error, folder / FILE_NAME, target) from error
    # The drive is free again: a command may take ten minutes.
    if settings.command:
        _run(settings.command, copy)
    return copy


def _make(source: Path, copy: Path) -> None:
    """Make one whole copy under its final name. Raises BackupFailed, sqlite3.Error, OSError."""
    made = copy.with_name(f".{copy.name}.part")
    _copy(source, made)
    try:
        look_into(made)
    except BackupFailed as error:  # pages are copied as they are: what is wrong with them may be the source's
        raise fault(error, source, copy.parent) from error
    _flush(made)
    made.replace(copy)
    _flush(copy.parent)  # the new name lies in the folder, and is flushed with that: fsync(2)


def _spare(settings: Backup, copies: Sequence[Path]) -> list[Path]:
    return surplus(copies, settings.keep_daily, settings.keep_monthly)


def backups(folder: Path) -> list[Path]:
    """Return the finished copies in a folder, oldest first."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.glob(f"{_PREFIX}*{_SUFFIX}") if not path.name.startswith("."))


def made_at(copy: Path) -> int | None:
    """Return when a copy was made (UTC seconds), as its name says; None for a name that says nothing."""
    try:
        return int(datetime.strptime(copy.name, f"{_PREFIX}%Y%m%d-%H%M%S{_SUFFIX}").replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None


def surplus(copies: Sequence[Path], keep_daily: int, keep_monthly: int) -> list[Path]:
    """Return the copies rotation gives up: all but the last of each of the newest days and the first of each of the newest months."""
    days: dict[str, Path] = {}
    months: dict[str, Path] = {}
    for copy in copies:  # oldest first, so the newest of a day and the first of a month stay
        stamp = copy.name.removeprefix(_PREFIX)
        days[stamp[:8]] = copy
        months.setdefault(stamp[:6], copy)
    kept = {days[day] for day in sorted(days)[-keep_daily:]}
    kept |= {months[month] for month in sorted(months)[len(months) - keep_monthly :]} if keep_monthly else set()
    return [copy for copy in copies if copy not in kept]


def look_into(path: Path) -> Content:
    """Check a database file from end to end and count it. Raises BackupFailed when it is not whole."""
    if not path.is_file():
        raise BackupFailed(f"there is no file {path}")
    try:
        connection = sqlite3.connect(read_only(path), uri=True)
        try:
            verdict = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if verdict != "ok":
                raise BackupFailed(f"{path} is damaged: {verdict}")
            tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
            if not {"reading", "chunk", "damaged", "item", "event"} <= tables:
                raise BackupFailed(f"{path} is no dewkeeper database")
            damaged = _unreadable(connection)
            readings, first, last = _extent(connection, damaged)
            journal = connection.execute("SELECT count(*) FROM item WHERE kind = 'JournalEntry'").fetchone()[0]
            events = connection.execute("SELECT count(*) FROM event").fetchone()[0]
        finally:
            connection.close()
    except (sqlite3.Error, StoreDamaged) as error:
        raise BackupFailed(f"{path}: {plain_reason(error)}") from error
    return Content(path, readings, first, last, journal, events, tuple(block.text() for block in damaged.values()))


def _unreadable(connection: sqlite3.Connection) -> dict[int, Block]:
    """Return the blocks of the archive that cannot be read, those set aside among them."""
    names = dict(connection.execute("SELECT id, name FROM probe"))
    found = list(connection.execute("SELECT key, n FROM damaged"))
    for key, n, data in connection.execute("SELECT key, n, data FROM chunk"):
        try:
            verified(data, n)  # opened, not only counted: a blob has a check sum where a page has none
        except StoreDamaged:
            found.append((key, n))
    return {key: Block(names.get(key & PROBE_MASK, "?"), *span(key), n) for key, n in found}


def _extent(connection: sqlite3.Connection, damaged: Collection[int]) -> tuple[int, int | None, int | None]:
    """Return how many readings there are, and the seconds of the first and last."""
    count, *ends = connection.execute("SELECT count(*), min(key) >> 10, max(key) >> 10 FROM reading").fetchone()
    count += sum(n for key, n in connection.execute("SELECT key, n FROM chunk") if key not in damaged)
    for block in connection.execute("SELECT min(key) >> 10, max(key) >> 10 FROM chunk").fetchone():
        keys = (block << PROBE_BITS, (block + 1) << PROBE_BITS) if block is not None else (0, 0)
        for key, n, data in connection.execute("SELECT key, n, data FROM chunk WHERE key >= ? AND key < ?", keys):
            rows = unpack(data, n) if key not in damaged else []
            ends += [block * BLOCK_SECONDS + row[0] for row in (*rows[:1], *rows[-1:])]
    known = [end for end in ends if end is not None]
    return count, min(known, default=None), max(known, default=None)


def newest_good(folder: Path | None) -> Content | None:
    """Return the newest copy that is whole, None when there is none."""
    for copy in reversed(backups(folder)) if folder is not None else ():
        try:
            return look_into(copy)
        except BackupFailed:
            continue
    return None


def restore(copy: Path, folder: Path, now: int, *, replace: bool = False) -> Path | None:
    """Put a verified copy in place of the database; return where the old one was set aside. Raises BackupFailed.

    Nothing is destroyed: what was there is renamed. Without `replace` an existing database is refused. The caller
    holds the writer's place. Killed in between, the next start finds no database and takes the newest backup.
    """
    look_into(copy)
    target = folder / FILE_NAME
    if target.exists() and not replace:
        raise BackupFailed(f"{target} exists; nothing was changed. Say --replace to set it aside and go on")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        made = folder / f".{FILE_NAME}.restoring"
        made.unlink(missing_ok=True)  # of a restore that was cut off
        _copy(copy, made)
        look_into(made)
        aside = set_aside(folder, now, "before-restore") if target.exists() else None
        put_in_place(made, folder)
    except (sqlite3.Error, OSError) as error:
        if isinstance(error, BackupFailed):
            raise
        raise BackupFailed(f"restore: {plain_reason(error)}") from error
    return aside


def put_in_place(made: Path, folder: Path) -> None:
    """Let a whole file become the database of a folder that has none. Raises OSError."""
    _flush(made)
    for tail in ("-wal", "-shm"):  # of a database that is gone: they belong to nothing any more
        (folder / f"{FILE_NAME}{tail}").unlink(missing_ok=True)
    give_to_owner(made)
    made.replace(folder / FILE_NAME)
    _flush(folder)


def set_aside(folder: Path, now: int, why: str) -> Path:
    """Rename the database with its log and index out of the way; return the new name of the file itself."""
    stamp = datetime.fromtimestamp(now, UTC).strftime("%Y%m%d-%H%M%S")
    aside = folder / f"{FILE_NAME}.{why}-{stamp}"
    number = 0
    while aside.exists():
        number += 1
        aside = folder / f"{FILE_NAME}.{why}-{stamp}-{number}"
    for tail in ("-wal", "-shm", ""):  # the file last: killed in between, the next start sees it still damaged
        part = folder / f"{FILE_NAME}{tail}"
        if part.exists():
            part.rename(folder / f"{aside.name}{tail}")
    return aside


def _copy(source: Path, target: Path) -> None:
    reading = sqlite3.connect(read_only(source), uri=True, timeout=10)
    try:
        writing = sqlite3.connect(target)
        try:
            # In one go: a stepped copy starts over with every commit of the daemon. Readers do not block the writer.
            reading.backup(writing)
            writing.execute("PRAGMA journal_mode=DELETE")  # one file, no log beside it
        finally:
            writing.close()
    finally:
        reading.close()


def _flush(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _run(command: Sequence[str], copy: Path) -> None:
    words = [word.replace("{file}", str(copy)) for word in command]
    if shutil.which(words[0]) is None:
        raise BackupFailed(f"the copy {copy} is made, but the command {words[0]} does not exist")
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=_COMMAND_SECONDS, check=False)  # noqa: S603  the owner's own command
    except (subprocess.TimeoutExpired, OSError) as error:
        raise BackupFailed(f"the copy {copy} is made, but {words[0]}: {error}") from error
    if done.returncode:
        raise BackupFailed(
            f"the copy {copy} is made, but {words[0]} ended with {done.returncode}: {done.stderr[-300:]}"
        )
