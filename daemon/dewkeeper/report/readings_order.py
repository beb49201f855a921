"""A readings file in no order of time: noticed by a look along its times, put in order on disk.

Others write all of one probe, then all of the next. Memory stays flat: SQLite sorts in a temporary file of its own, which
is gone when it is closed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

from dewkeeper.interchange import parse_time

Numbered = tuple[int, str, float | None, float | None, int]
"""A row of a readings file, and its line."""

_MEMORY_KB = 2000
_HOUR = 14
"""As many characters say the hour, in quotes or not: times that go back within one are not looked at any closer."""


def out_of_order(path: Path, back_seconds: int) -> bool:
    """Return whether the file goes back in time by more than single slips: two rows so much older than the two before.

    back_seconds: at least an hour. Raises OSError.
    """
    older = last = hour = b""
    floor: int | None = None  # so young were the two rows before the last one, which was much older
    with path.open("rb") as file:
        next(file, b"")
        for line in file:
            if floor is not None:
                at = _time(line)
                if at is not None and at < floor - back_seconds:
                    return True
                if at is not None:
                    floor = None
            elif line[:_HOUR] < hour:
                at, before = _time(line), [at for at in (_time(older), _time(last)) if at is not None]
                if at is not None and before and at < min(before) - back_seconds:
                    floor = min(before)
            older, last, hour = last, line, line[:_HOUR]
    return False


def _time(line: bytes) -> int | None:
    try:
        return parse_time(line.split(b",", 1)[0].strip(b'" \r\n').decode("ascii"))
    except ValueError:
        return None


class Sorted:
    """Rows in order of time, those of one second in the file's order; they can be read again and again."""

    def __init__(self, rows: Iterable[Numbered]) -> None:
        """Take all rows and sort them. Raises OSError when the disk cannot hold them."""
        self._connection = sqlite3.connect("")  # a file without a name
        for pragma in ("journal_mode = OFF", "synchronous = OFF", "temp_store = FILE", f"cache_size = -{_MEMORY_KB}"):
            self._connection.execute(f"PRAGMA {pragma}")
        self._connection.execute("CREATE TABLE taken (at INTEGER, probe TEXT, t REAL, h REAL, line INTEGER)")
        try:
            with self._connection:
                self._connection.executemany("INSERT INTO taken VALUES (?, ?, ?, ?, ?)", rows)
                # Once: they are read for their pace, and again for every judge.
                self._connection.execute("CREATE TABLE row AS SELECT * FROM taken ORDER BY at, line")
                self._connection.execute("DROP TABLE taken")
        except sqlite3.OperationalError as error:
            self.close()
            raise OSError(f"the rows cannot be put in order of time: {error}") from error
        except BaseException:
            self.close()
            raise

    def rows(self) -> Iterator[Numbered]:
        """Yield all rows."""
        return iter(self._connection.execute("SELECT at, probe, t, h, line FROM row ORDER BY rowid"))

    def close(self) -> None:
        """Give the temporary file back."""
        self._connection.close()
