"""A table whose first page is lost: SQLite finds its rows through that page alone, though they lie whole on others.

In a copy of the file a new first page is put together of the pages that nothing else leads to. What pages look like is
sections 1.5 and 1.6 of SQLite's file format, https://www.sqlite.org/fileformat2.html.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from struct import pack, unpack_from
from typing import BinaryIO, Final

from dewkeeper.store.database import read_only

_INDEX_INNER, _INNER, _LEAF = 2, 5, 13  # a page's first byte: section 1.6
_HEADER: Final = 12  # bytes of an inner page before its cells' places; the last four are its last child


def regrown(damaged: Path, copy: Path, table: str) -> bool:
    """Copy a damaged file and give a table there a new first page; return whether there was anything to make it of.

    To be asked when all other tables can be read through: else pages of theirs would be taken for this one's. Raises
    sqlite3.Error, OSError.
    """
    copy.unlink(missing_ok=True)
    with closing(sqlite3.connect(read_only(damaged), uri=True)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)  # page by page, as they are, with what is still in the log
        new.execute("PRAGMA journal_mode=DELETE")
        roots = dict(new.execute("SELECT name, rootpage FROM sqlite_master WHERE rootpage > 0"))
    with copy.open("r+b") as file:
        pages = _Pages(file)
        root = roots.pop(table)
        made = pages.inner(pages.tops({root, *pages.reached([1, *roots.values()])}))
        if made is not None:
            file.seek((root - 1) * pages.size)
            file.write(made)
    return made is not None


class _Pages:
    """The pages of a file: which leads to which. Numbers begin at 1."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        first = file.read(100)
        (size,) = unpack_from(">H", first, 16)
        self.size = 65536 if size == 1 else int(size)
        self._usable = self.size - first[20]
        self._count = file.seek(0, 2) // self.size
        self._first_free: int = unpack_from(">I", first, 32)[0]

    def reached(self, roots: Iterable[int]) -> set[int]:
        """Return what these pages lead to, themselves and the free pages among it."""
        found, waiting = set(self._free()), list(roots)
        while waiting:
            page = waiting.pop()
            if page not in found:
                found.add(page)
                waiting += self._children(page)
        return found

    def tops(self, known: set[int]) -> list[int]:
        """Return the pages of tables that nothing leads to but what is missing, in order of their rows."""
        kinds = {page: self._kind(page) for page in range(1, self._count + 1) if page not in known}
        below = {child for page, kind in kinds.items() if kind == _INNER for child in self._children(page)}
        ends = {
            page: self._last_row(page) for page, kind in kinds.items() if kind in (_INNER, _LEAF) and page not in below
        }
        return sorted((page for page, end in ends.items() if end is not None), key=lambda page: ends[page] or 0)

    def inner(self, children: list[int]) -> bytes | None:
        """Return a page that leads to these, None where there are none or one page cannot."""
        if not children:
            return None
        cells = [pack(">I", page) + _varint(self._last_row(page) or 0) for page in children[:-1]]
        end, places, body = self._usable, b"", b""
        for cell in cells:
            end, body = end - len(cell), cell + body
            places += pack(">H", end)
        if _HEADER + len(places) > end:
            return None
        head = pack(">BHHHBI", _INNER, 0, len(cells), end, 0, children[-1]) + places
        return (head + bytes(end - len(head)) + body).ljust(self.size, b"\0")

    def _read(self, page: int) -> bytes:
        self._file.seek((page - 1) * self.size)
        return self._file.read(self.size)

    def _kind(self, page: int) -> int:
        self._file.seek((page - 1) * self.size)
        return (self._file.read(1) or b"\0")[0]

    def _children(self, page: int) -> list[int]:
        if not 1 < page <= self._count or self._kind(page) not in (_INNER, _INDEX_INNER):
            return self._schema() if page == 1 else []
        return self._pointed(self._read(page), 0)

    def _schema(self) -> list[int]:
        """Return what the first page leads to, before which the file's own header stands."""
        body = self._read(1)
        return self._pointed(body, 100) if body[100] == _INNER else []

    def _pointed(self, body: bytes, at: int) -> list[int]:
        (count,) = unpack_from(">H", body, at + 3)
        count = min(count, (len(body) - at - _HEADER) // 2)
        places = unpack_from(f">{count}H", body, at + _HEADER)
        inside = [unpack_from(">I", body, place)[0] for place in places if place <= len(body) - 4]
        return [*inside, unpack_from(">I", body, at + 8)[0]]

    def _last_row(self, page: int) -> int | None:
        """Return the row id of the last row that a page leads to, None where that makes no sense."""
        for _ in range(20):  # deeper than any tree
            kind = self._kind(page) if 1 < page <= self._count else 0
            body = self._read(page) if kind in (_INNER, _LEAF) else b""
            if kind == _INNER:
                page = unpack_from(">I", body, 8)[0]
                continue
            count = unpack_from(">H", body, 3)[0] if body else 0
            if not 0 < count <= (len(body) - 8) // 2:
                return None
            at = unpack_from(">H", body, 8 + 2 * (count - 1))[0]
            if at > len(body) - 18:
                return None
            _, at = _number(body, at)  # how long the row is
            return _number(body, at)[0]
        return None

    def _free(self) -> Iterator[int]:
        trunk, seen = self._first_free, set[int]()
        while 1 < trunk <= self._count and trunk not in seen:
            seen.add(trunk)
            yield trunk
            body = self._read(trunk)
            trunk, count = unpack_from(">II", body, 0)
            yield from unpack_from(f">{min(count, len(body) // 4 - 2)}I", body, 8)


def _number(body: bytes, at: int) -> tuple[int, int]:
    """Return a number of one to nine bytes, and where it ends."""
    value = 0
    for place in range(at, at + 8):
        value = value << 7 | body[place] & 127
        if body[place] < 128:
            return value, place + 1
    value = value << 8 | body[at + 8]
    return value - (1 << 64) if value >> 63 else value, at + 9


def _varint(value: int) -> bytes:
    """Return a number as `_number` reads it."""
    value &= (1 << 64) - 1
    if value >> 56:
        return bytes((value >> 8 + 7 * place & 127) | 128 for place in range(7, -1, -1)) + bytes([value & 255])
    low = [value & 127]
    while value := value >> 7:
        low.append(value & 127 | 128)
    return bytes(reversed(low))
