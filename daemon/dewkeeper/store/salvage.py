"""What a damaged file still gives, row by row, into a fresh one; what it does not give, from the newest good copy.

SQLite reads a damaged file up to the first bad page and gives up. Here every table is taken over by itself, and of one
that cannot be read through, every range of rows that can: ranges are halved until only the bad page's rows are left.
What matters most comes first, so that it is there should the disk fill up on the way.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

from dewkeeper.interchange import format_time
from dewkeeper.store import migrate
from dewkeeper.store.database import BLOCK_SECONDS, FOREVER, PROBE_BITS, PROBE_MASK, FileWriter, read_only
from dewkeeper.store.errors import StoreUnusable
from dewkeeper.store.quarters import RECENT, ROLLUP, Layout
from dewkeeper.store.regrow import regrown
from dewkeeper.store.remembered import NOTE as LASTING

Range = tuple[int, int]
"""First and last row id."""

TABLES = (
    "probe", "item", "alarm", "event", "note", "exclusion", "snapshot", "message", "late", "verdict",
    "reading", "covered", "damaged", "chunk", "recent", "rollup",
)  # fmt: skip
"""In order of what is missed most."""
MADE_ANEW = ("recent", "rollup", "covered", "alarm")
"""What follows from the rest."""
WORDS = {
    "probe": "names of probes", "item": "journal, settings and calibrations", "alarm": "states of alarms", "event": "alarm events",
    "note": "notes", "exclusion": "exclusions", "snapshot": "the judge's memory", "message": "messages", "late": "the order of readings",
    "verdict": "verdicts on readings", "covered": "what quarter hours cover", "damaged": "damaged blocks", "chunk": "the archive",
    "reading": "readings of the last days", "recent": "quarter hours", "rollup": "quarter hours",
}  # fmt: skip
_ALL = -(1 << 62), (1 << 62) - 1
_BAD = 1 << 62
_SPARE = 8
"""A range between two readable rows that cannot be read is halved this often, in search of good pages between bad ones."""
_LINEAGE = "link key"  # the note that every database gets at its first start and no two share


@dataclass(slots=True)
class Salvage:
    """What came of it. unread: tables with the ranges that could not be read; filled: rows the copy gave in their place."""

    revision: str
    rows: dict[str, int] = field(default_factory=dict)
    unread: dict[str, list[Range]] = field(default_factory=dict)
    filled: dict[str, int] = field(default_factory=dict)
    copy: Path | None = None

    def text(self) -> str:
        """Say it to the keeper."""
        journal, readings = self.rows.get("item", 0), self.rows.get("readings", 0)
        said = f"What could be read was taken over: {readings} readings and {journal} entries of journal, settings and calibrations."
        names = list(
            dict.fromkeys(
                _named(table, self.unread[table]) for table in TABLES if table in self.unread and table not in MADE_ANEW
            )
        )
        if names:
            said += f" Part could not be read of: {', '.join(names)}."
        if self.copy is not None and self.filled:
            gained = ", ".join(f"{count} of {name}" for name, count in _by_words(self.filled).items())
            said += f" Backup {self.copy.name} gave rows for it: {gained}."
        elif names:
            said += " No backup could fill that."
        return said


def salvage(damaged: Path, made: Path, copy: Path | None, before: int, alive: Callable[[], None]) -> Salvage | None:
    """Write into a new file `made` what `damaged` and a good copy give; None when the damaged file gives nothing at all.

    before: a second after every true one; what claims to be later is garbage. alive: called now and then, for it takes
    minutes. Raises sqlite3.Error and OSError when `made` cannot be written.
    """
    made.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(read_only(damaged), uri=True)) as look:
            tables = {name for (name,) in look.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            revision = _revision(look)
    except sqlite3.Error:
        return None
    if "item" not in tables or not _make(made, revision):
        return None
    result = Salvage(revision)
    with closing(sqlite3.connect(f"file:{made}", isolation_level=None, uri=True)) as fresh:
        fresh.execute("PRAGMA journal_mode=MEMORY")
        fresh.execute("PRAGMA synchronous=OFF")  # flushed once, when it is whole; until then nobody looks at it
        # A new file has one row of it, and IGNORE would keep that instead of the damaged file's.
        fresh.execute("DELETE FROM covered")
        fresh.execute("ATTACH ? AS old", (read_only(damaged),))
        for table in _tables(fresh):
            alive()
            if failed := _copy_table(fresh, "old", table):
                result.unread[table] = failed
        fresh.execute("DETACH old")
        # One table gave nothing at all and every other gave all: only then is it known whose the leftover pages are.
        if list(result.unread.values()) == [[_ALL]]:
            alive()
            _regrow(fresh, damaged, made.with_name(f"{made.name}.grown"), result)
        if not any(_counts(fresh).values()):
            return None
        if copy is not None and result.unread:
            _fill(fresh, copy, result, alive)
        _make_whole(fresh, before)
        result.rows = _counts(fresh)
    return result


def _revision(database: sqlite3.Connection) -> str:
    with suppress(sqlite3.Error):  # where it cannot be read it is most likely ours
        for (revision,) in database.execute("SELECT version_num FROM alembic_version"):
            return str(revision)
    return migrate.HEAD


def _make(file: Path, revision: str) -> bool:
    """Make an empty database of a revision; return whether that is one we know."""
    with closing(FileWriter(file)) as made:
        try:
            migrate.bring_up_to_date(made, file, revision)
        except StoreUnusable:
            return False
    return True


def _tables(fresh: sqlite3.Connection) -> list[str]:
    there = {name for (name,) in fresh.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    return [table for table in TABLES if table in there]


def _columns(fresh: sqlite3.Connection, table: str) -> str:
    return ", ".join(row[1] for row in fresh.execute(f"PRAGMA main.table_info({table})"))


def _unreadable(error: sqlite3.DatabaseError) -> bool:
    """Return whether an error is the source's: a page that makes no sense, or that the card does not give any more."""
    return any(mark in str(error) for mark in ("malformed", "not a database", "disk I/O error", "no such"))


def _copy_table(fresh: sqlite3.Connection, source: str, table: str) -> list[Range]:
    """Take over all rows of a table that can be read; return the ranges of row ids of those that cannot."""
    columns = _columns(fresh, table)
    # By the table's own pages alone: an index is as likely to be damaged, and nothing is asked that needs one.
    insert = f"INSERT OR IGNORE INTO main.{table} ({columns}) SELECT {columns} FROM {source}.{table} NOT INDEXED"  # noqa: S608
    if _took(fresh, insert):
        return []
    return list(_Halving(fresh, source, table, insert).failed())


def _took(fresh: sqlite3.Connection, statement: str, values: Sequence[int] = ()) -> bool:
    try:
        fresh.execute(statement, values)
    except sqlite3.DatabaseError as error:
        if _unreadable(error):
            return False
        raise
    return True


class _Halving:
    """Takes over a table by ranges of row ids."""

    def __init__(self, fresh: sqlite3.Connection, source: str, table: str, insert: str) -> None:
        self._fresh = fresh
        self._from = f"{source}.{table} NOT INDEXED"
        self._insert = insert

    def failed(self) -> Iterator[Range]:
        """Take over what can be read; yield what cannot, ascending."""
        yield from _together(self._search(*_ALL, _SPARE))

    def _search(self, first: int, last: int, spare: int) -> Iterator[Range]:
        """Find the edges of what is bad, then look for good pages between them."""
        bad = list(_together(self._walk(first, last)))
        for span in bad:
            if span == (first, last):
                if first == last or not spare:
                    yield span
                    continue
                middle = (first + last) // 2
                yield from self._search(first, middle, spare - 1)
                yield from self._search(middle + 1, last, spare - 1)
            else:
                yield from self._search(*span, spare if len(bad) == 1 else _SPARE)

    def _walk(self, first: int, last: int) -> Iterator[Range]:
        # A range that ends at the last row of a good page fails too, for SQLite looks at the next page to see that; so
        # halving goes on down to single rows, which are looked up and not walked to.
        where, values = ("rowid = ?", (first,)) if first == last else ("rowid BETWEEN ? AND ?", (first, last))
        if _took(self._fresh, f"{self._insert} WHERE {where}", values):
            return
        low, high = (first, first) if first == last else (self._end(first, last, "ASC"), self._end(first, last, "DESC"))
        if low is None or high is None:
            return
        if first == last or low == high == _BAD:
            yield first, last
            return
        first, last = first if low == _BAD else low, last if high == _BAD else high
        middle = (first + last) // 2
        yield from self._walk(first, middle)
        if first < last:
            yield from self._walk(middle + 1, last)

    def _end(self, first: int, last: int, order: str) -> int | None:
        """Return the first or last row id of a range, None without any, `_BAD` when that cannot be read."""
        try:
            row = self._fresh.execute(
                f"SELECT rowid FROM {self._from} WHERE rowid >= ? AND rowid <= ? ORDER BY rowid {order} LIMIT 1",  # noqa: S608
                (first, last),
            ).fetchone()
        except sqlite3.DatabaseError as error:
            if _unreadable(error):
                return _BAD
            raise
        return None if row is None else int(row[0])


def _together(ranges: Iterable[Range]) -> Iterator[Range]:
    """Yield ascending ranges, neighbours as one."""
    before: Range | None = None
    for first, last in ranges:
        if before is not None and before[1] + 1 >= first:
            before = before[0], last
            continue
        if before is not None:
            yield before
        before = first, last
    if before is not None:
        yield before


def _regrow(fresh: sqlite3.Connection, damaged: Path, grown: Path, result: Salvage) -> None:
    """Take over the rows of the one table whose first page is lost, from a copy in which it has a new one."""
    (table,) = result.unread
    try:
        if regrown(damaged, grown, table):
            fresh.execute("ATTACH ? AS old", (read_only(grown),))
            try:
                failed = _copy_table(fresh, "old", table)
            finally:
                fresh.execute("DETACH old")
            result.unread = {table: failed} if failed else {}
    except (sqlite3.Error, OSError):
        return  # no room for a copy, or it makes no sense: it stays unread
    finally:
        grown.unlink(missing_ok=True)


def _fill(fresh: sqlite3.Connection, copy: Path, result: Salvage, alive: Callable[[], None]) -> None:
    """Take rows of what could not be read from a copy, if it is one of the same database and schema."""
    fresh.execute("ATTACH ? AS old", (read_only(copy),))
    try:
        revision = next((str(r) for (r,) in fresh.execute("SELECT version_num FROM old.alembic_version")), "")
        if revision != result.revision or not _same_database(fresh):
            return
        result.copy = copy
        for table, ranges in result.unread.items():
            alive()
            if table in ("covered", "alarm") or (
                table == "snapshot" and fresh.execute("SELECT 1 FROM main.snapshot").fetchone()
            ):
                continue  # of another day: what is made of the rest is truer
            columns, before = _columns(fresh, table), fresh.total_changes
            insert = f"INSERT OR IGNORE INTO main.{table} ({columns}) SELECT {columns} FROM old.{table} WHERE {_sound(table)}"  # noqa: S608
            for span in ranges:
                fresh.execute(f"{insert} AND rowid BETWEEN ? AND ?", span)
            if fresh.total_changes > before:
                result.filled[table] = fresh.total_changes - before
    finally:
        fresh.execute("DETACH old")


def _sound(table: str) -> str:
    """Return which of a copy's rows still hold: those that were archived or sent since would come a second time."""
    if table == "message":
        return "state != 'pending'"
    if table == "reading":
        block = (
            f"(old.reading.key >> {PROBE_BITS}) / {BLOCK_SECONDS} << {PROBE_BITS} | (old.reading.key & {PROBE_MASK})"
        )
        return f"NOT EXISTS (SELECT 1 FROM main.chunk WHERE chunk.key = ({block}))"  # noqa: S608
    return "1"


def _same_database(fresh: sqlite3.Connection) -> bool:
    """Return whether both files are of one life: else the numbers of probes and items mean different things."""
    asked = "SELECT value FROM {}.note WHERE name = ?"
    keys = [fresh.execute(asked.format(name), (_LINEAGE,)).fetchone() for name in ("main", "old")]
    if None not in keys:
        return bool(keys[0] == keys[1])
    differing = "SELECT 1 FROM main.probe AS a JOIN old.probe AS b ON a.id = b.id WHERE a.name != b.name"
    return fresh.execute(differing).fetchone() is None


def _make_whole(fresh: sqlite3.Connection, before: int) -> None:
    """Drop what is plainly garbage, and make anew what follows from the rest."""
    fresh.execute(
        "DELETE FROM reading WHERE key >= ? OR key < 0 OR t NOT BETWEEN 0 AND 65535 OR h NOT BETWEEN 0 AND 65535 "  # noqa: S608
        f"OR key & {PROBE_MASK} NOT IN (SELECT id FROM probe)",
        (before << PROBE_BITS,),
    )
    fresh.execute("DELETE FROM note WHERE name = ?", (LASTING,))  # gathered anew when it is opened
    if fresh.execute("SELECT 1 FROM covered").fetchone() is None:
        fresh.execute("INSERT INTO covered (id, rolled, until) VALUES (1, ?, ?)", _covered(fresh))


def _covered(fresh: sqlite3.Connection) -> tuple[int, int]:
    """Return what the quarter hours cover, as their rows tell; the last of them is made anew with the next poll."""

    def last(layout: Layout) -> int:
        found = fresh.execute(f"SELECT max({_quarter(layout)}) FROM {layout.table}").fetchone()[0]  # noqa: S608
        return -1 if found is None else int(found)

    rolled = last(ROLLUP) + 1
    until = max(rolled, last(RECENT))
    fresh.execute(f"DELETE FROM recent WHERE {_quarter(RECENT)} >= ?", (until,))  # noqa: S608
    return rolled, until


def _quarter(layout: Layout) -> str:
    """Return the quarter (seconds over 900) of a row, in SQL."""
    return f"((key >> {PROBE_BITS + layout.bits}) * {layout.quarters} + (key & {(1 << layout.bits) - 1}))"


def spans(unread: dict[str, list[Range]]) -> list[Range]:
    """Return the quarters (first, one after the last) that may be missing of what this schema's tables held."""
    found = []
    for layout in (ROLLUP, RECENT):
        for first, last in unread.get(layout.table, ()):
            whole = (first, last) == _ALL
            begin, end = (key >> PROBE_BITS + layout.bits for key in (first, last))
            found.append((0, FOREVER) if whole else (max(0, begin * layout.quarters), (end + 1) * layout.quarters))
    return found


def _counts(fresh: sqlite3.Connection) -> dict[str, int]:
    counts = {table: fresh.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in _tables(fresh)}  # noqa: S608
    counts["readings"] = counts["reading"] + fresh.execute("SELECT coalesce(sum(n), 0) FROM chunk").fetchone()[0]
    return counts


def _named(table: str, unread: Sequence[Range]) -> str:
    """Say of what part could not be read; of readings from when to when."""
    if table not in ("reading", "chunk") or _ALL in unread:
        return WORDS[table]
    seconds = 1 if table != "chunk" else BLOCK_SECONDS
    first, last = (unread[0][0] >> PROBE_BITS) * seconds, ((unread[-1][1] >> PROBE_BITS) + 1) * seconds
    begin = f"from {_minute(first)}" if first > 0 else ""
    end = f"to {_minute(last)}" if last < FOREVER else "on"
    said = f"{begin} {end}".strip() if begin else "" if end == "on" else f"before {_minute(last)}"
    return f"{WORDS[table]} ({said})" if said else WORDS[table]


def _minute(second: int) -> str:
    return format_time(second)[:16].replace("T", " ") + " UTC"


def _by_words(counts: dict[str, int]) -> dict[str, int]:
    made: dict[str, int] = {}
    for table, count in counts.items():
        made[WORDS[table]] = made.get(WORDS[table], 0) + count
    return made
