"""Opening the SQLite file: one connection writes, others read briefly. What they are asked is in `questions`, as SQL in `asked`."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final, Protocol

FILE_NAME = "dewkeeper.db"
BUSY_SECONDS = 5.0
LONGEST_READ_SECONDS = 30.0
_STEPS_BETWEEN_LOOKS = 200_000  # of SQLite's machine, some milliseconds
PROBE_BITS = 10
"""key = time * 1024 + probe id: readings lie in time order, up to 1023 probes."""
PROBE_MASK = (1 << PROBE_BITS) - 1
BLOCK_SECONDS = 2 * 86400
"""What is archived at once: two UTC days."""
FOREVER = 1 << 40
"""A second after every other, for open-ended questions."""

# cache_size below zero is in KiB, for each connection: memory is what the smallest Pi lacks. temp_store: what SQLite
# puts in order is never written to the card.
_WRITER = (
    "PRAGMA page_size=4096",
    "PRAGMA journal_mode=WAL",  # who reads does not block who writes
    "PRAGMA synchronous=FULL",  # a committed reading survives the power cut; costs no bytes over NORMAL
    "PRAGMA secure_delete=OFF",  # Debian's default writes zeros over every freed page: twice the wear for nothing
    "PRAGMA cache_size=-1024",
    "PRAGMA temp_store=MEMORY",
    "PRAGMA wal_autocheckpoint=1000",
    "PRAGMA journal_size_limit=8388608",  # a log that grew under a long read is cut again
)
_READER = ("PRAGMA query_only=ON", "PRAGMA cache_size=-1024", "PRAGMA temp_store=MEMORY")


class Asking(Protocol):
    """What `History` asks: SQLite's connection here; a server's, where the rows of many sites lie, in `collect`.

    unreadable: keys of archived blocks that were met with it and cannot be read.
    """

    unreadable: set[int]

    def execute(self, question: str, given: Any = ..., /) -> Iterator[Any]:
        """Return the rows of a question of `asked`, given its `:names`."""
        ...

    def rows(self, question: str, **given: object) -> list[Any]:
        """Return every row."""
        ...

    def row(self, question: str, **given: object) -> Any:
        """Return the first row, None without any."""
        ...

    def value(self, question: str, **given: object) -> Any:
        """Return the first row's first value, None without a row."""
        ...


class Asked(Protocol):
    """Where `History` asks."""

    def question(self) -> AbstractContextManager[Asking]:
        """Give what can be asked, for one question: all of it sees one state."""
        ...


class Connection(sqlite3.Connection):
    """SQLite's own, with three ways to ask; a question's `:names` are given by keyword. All raise sqlite3.Error.

    unreadable: keys of archived blocks that were met with it and cannot be read.
    """

    unreadable: set[int]

    def rows(self, question: str, **given: object) -> list[Any]:
        """Return every row."""
        return self.execute(question, given).fetchall()

    def row(self, question: str, **given: object) -> Any:
        """Return the first row, None without any."""
        return self.execute(question, given).fetchone()

    def value(self, question: str, **given: object) -> Any:
        """Return the first row's first value, None without a row."""
        row = self.execute(question, given).fetchone()
        return None if row is None else row[0]


class FileWriter:
    """A file's one writer: opened by the first transaction, which is BEGIN IMMEDIATE; one thread at a time."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._open: Connection | None = None

    @contextlib.contextmanager
    def transaction(self) -> Iterator[Connection]:
        """Give the connection; what is done with it is stored, all of it or nothing. Raises sqlite3.Error."""
        connection = self.connection()
        # A plain BEGIN that reads first and writes later fails at once when another process writes in between.
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):  # SQLite took it back by itself, or the file is gone
                connection.rollback()
            raise

    def connection(self) -> Connection:
        """Return the connection outside any transaction. Raises sqlite3.Error."""
        if self._open is None:
            self._open = _opened(str(self._file), _WRITER)
        return self._open

    def close(self) -> None:
        """Close the file; the next transaction would open it again."""
        if self._open is not None:
            self._open.close()
            self._open = None


class FileReader:
    """A file to ask, from any thread: every question opens and closes its own connection, and sees one state.

    longest_seconds: a question that takes longer is broken off, because as long as it lasts the write-ahead log cannot
    be reset and grows; None for an export, which may take its time.
    """

    def __init__(self, folder: Path, longest_seconds: float | None = LONGEST_READ_SECONDS) -> None:
        self._file = folder / FILE_NAME
        self._longest_seconds = longest_seconds

    @contextlib.contextmanager
    def question(self) -> Iterator[Connection]:
        """Give a connection that cannot write. Raises sqlite3.Error."""
        connection = _opened(read_only(self._file), _READER)
        try:
            if self._longest_seconds is not None:
                end = time.monotonic() + self._longest_seconds
                connection.set_progress_handler(lambda: time.monotonic() > end, _STEPS_BETWEEN_LOOKS)
            connection.execute("BEGIN")  # between two statements of a question a block may be archived
            yield connection
        finally:
            connection.close()


def read_only(file: Path) -> str:
    """Return a file's name as SQLite takes it to open it for reading alone.

    Beside a database with a write-ahead log SQLite makes a file even to read it, unless it is told that nobody writes
    (sqlite.org/wal.html, "Read-only databases"): so it is where the file system is read-only and no log waits, as on a
    card in another machine.
    """
    name = str(file).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
    return f"file:{name}?mode=ro{'&immutable=1' if _nobody_writes(file) else ''}"


def _nobody_writes(file: Path) -> bool:
    try:
        if not os.statvfs(file).f_flag & os.ST_RDONLY:
            return False
        return file.with_name(file.name + "-wal").stat().st_size == 0
    except FileNotFoundError:  # no log, and so nothing that waits in it; or no file at all
        return file.exists()
    except OSError:
        return False


def _opened(name: str, pragmas: tuple[str, ...]) -> Connection:
    # Not bound to a thread: the daemon's main thread opens the store and the writer's uses it, one after the other.
    connection = sqlite3.connect(
        # isolation_level: where a transaction begins and ends is said here, and not guessed by the module.
        name, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False, factory=Connection, uri=name.startswith("file:")
    )  # fmt: skip
    connection.unreadable = set()
    try:
        for pragma in pragmas:
            connection.execute(pragma)
    except BaseException:
        connection.close()
        raise
    return connection


_MEANINGS: Final = (
    ("disk is full", "the disk is full"),
    ("readonly", "the disk is read-only"),
    ("read-only", "the disk is read-only"),
    ("Read-only", "the disk is read-only"),
    ("No space left", "the disk is full"),
    ("locked", "another program holds the database"),
    ("image is malformed", "the database file is damaged"),
    ("not a database", "the database file is damaged"),
    ("disk I/O error", "the disk reports errors"),
    ("interrupted", "the question took too long and was broken off"),
    ("no such table", "the database is another version's: the daemon brings it up to date when it starts"),
    ("no such column", "the database is another version's: the daemon brings it up to date when it starts"),
    (
        "unable to open",
        "the database cannot be opened: its folder is missing, or this user may not read and write there",
    ),
)


def plain_reason(error: Exception) -> str:
    """Say what SQLite's complaint, or the system's, means for the person who must act."""
    text = str(error)
    if isinstance(error, OSError) and error.strerror:  # without its number, which says nothing to a person
        text = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    meaning = next((meaning for mark, meaning in _MEANINGS if mark in text), "")
    return f"{meaning} ({text})" if meaning else text
