"""A readings file in no order of time: noticed by a look along its times, put in order on disk.

Others write all of one probe, then all of the next. Memory stays flat: SQLite sorts in a temporary file of its own, which
is gone when it is closed.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

from dewkeeper.interchange import LONGEST_LINE, ReadingRow, parse_time

_MEMORY_KB = 2000
_NEAR = 50
"""Rows; two slips are rarely so near each other, and of two loggers of which one lags every second row is late."""
_HOUR = 14
"""As many characters say the hour, in quotes or not: times that go back within one are not looked at any closer."""


def out_of_order(path: Path, back_seconds: int) -> bool:
    """Return whether the file goes back in time by more than single slips: two rows near each other, so much too old.

    Too old is what lies more than `back_seconds` (at least an hour) behind the newest time that two of three neighbours
    reach; so neither one row far ahead nor one far behind is worth sorting for. Raises OSError.
    """
    older = last = newest = hour = b""
    late = -_NEAR - 1
    with path.open("rb") as file:
        readline = file.readline
        readline(LONGEST_LINE)
        for number, line in enumerate(iter(lambda: readline(LONGEST_LINE), b"")):
            # As bytes, unread: times of ISO 8601 in UTC sort as they follow one another.
            if line[:_HOUR] >= hour:
                if line > newest:
                    newest = max(newest, sorted((older, last, line))[1])
                    hour = newest[:_HOUR]
            else:
                at, before = _time(line), _time(newest)
                if before is None:  # rubbish that sorts behind every time
                    newest = hour = b""
                elif at is not None and at < before - back_seconds:
                    if number - late <= _NEAR:
                        return True
                    late = number
            older, last = last, line
    return False


def _time(line: bytes) -> int | None:
    try:
        return parse_time(line.split(b",", 1)[0].strip(b'" \r\n').decode("ascii"))
    except ValueError:
        return None


class Sorted:
    """Rows in order of time, those of one second in the file's order; they can be read again and again."""

    def __init__(self, rows: Iterable[ReadingRow]) -> None:
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

    def rows(self) -> Iterator[ReadingRow]:
        """Yield all rows."""
        return iter(self._connection.execute("SELECT at, probe, t, h, line FROM row ORDER BY rowid"))

    def close(self) -> None:
        """Give the temporary file back."""
        self._connection.close()
