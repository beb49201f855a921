"""What SQLite says is wrong, as what the store raises."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from dewkeeper.store.database import Connection, plain_reason
from dewkeeper.store.errors import StoreCannotHold, StoreDamaged, StoreError, StoreRefused, StoreUnusable


def check(connection: Connection) -> None:
    """Read the whole file. Raises StoreDamaged."""
    # The quick one: whether every index says what its table says is left to the check of the nightly copy.
    verdict = connection.value("PRAGMA quick_check(1)")
    if verdict != "ok":
        page = re.search(r"[Pp]age (\d+)", str(verdict))
        said = f"page {page[1]} makes no sense" if page else str(verdict).rpartition("***")[2].strip()
        raise StoreDamaged(f"the database file is damaged ({said})")


@contextmanager
def refusing() -> Iterator[None]:
    """Let what SQLite or the system complains of come out as ours. Raises StoreRefused."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise complaint(error, StoreRefused) from error


def refusal(error: Exception) -> StoreError:
    """Return why a batch was not stored: the disk's fault, which may end, or the batch's own, which never does."""
    if isinstance(error, sqlite3.OperationalError | OSError | MemoryError) or "is damaged" in plain_reason(error):
        return complaint(error, StoreRefused)
    return StoreCannotHold(f"{type(error).__name__}: {ascii(plain_reason(error))[1:-1]}")


def complaint(error: Exception, kind: type[StoreUnusable] | type[StoreRefused]) -> StoreError:
    """Return SQLite's complaint as ours: damage is told apart, because it can be mended by a backup."""
    if isinstance(error, StoreError):
        return error
    reason = plain_reason(error)
    return (StoreDamaged if "is damaged" in reason else kind)(reason)
