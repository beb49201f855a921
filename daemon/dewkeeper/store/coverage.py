"""Keeping the quarter hours true: filled as readings come, made anew where the past changes, moved where they stay.

Every quarter before `until` is in the tables, complete; what came since is found in the readings themselves. Quarters
before `rolled` lie by day and probe, later ones in order of time.
Everything here runs in its caller's transaction.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import groupby, pairwise
from typing import NamedTuple

from dewkeeper.judge.types import NOT_EVALUATED, PASS, Quality, Reading
from dewkeeper.store import asked, damage
from dewkeeper.store.archive import all_rows, extent, probe_rows
from dewkeeper.store.database import FOREVER, PROBE_BITS, PROBE_MASK, Asking, Connection
from dewkeeper.store.hot import Poll
from dewkeeper.store.quarters import (
    COLUMNS,
    DAY_QUARTERS,
    LONGEST_HOLD_SECONDS,
    QUARTER_SECONDS,
    RECENT,
    ROLLUP,
    Layout,
    Quarter,
    Row,
    Standards,
    calm_row,
)
from dewkeeper.store.reading import Decoder
from dewkeeper.store.rows import Row as Raw
from dewkeeper.store.rows import first_key

# Probes; of more every row is read once, of so few each probe's by itself.
_FEW = 4
_MOST_RECENT, _STAY_RECENT = 108, 96
"""Quarters, 27 h and 24 h: of one probe each is a page to read, so a chart of a month bears so many; a night stays for a day."""
_PART_DAYS = 30
"""So much of one probe is made anew at a time, of thirty a day: some 15 MB."""


class Covered(NamedTuple):
    """Quarters (seconds over 900) before `rolled` are in rollup, from there to `until` in recent."""

    rolled: int
    until: int

    def whole(self, start: int, end: int) -> tuple[int, int]:
        """Return the first whole quarter of [start, end) seconds that is covered, and the one after the last."""
        return -(-start // QUARTER_SECONDS), min(end // QUARTER_SECONDS, self.until)

    def parts(self, first: int, last: int) -> list[tuple[Layout, int, int]]:
        """Return in which tables the quarters from `first` to before `last` lie, and which of them in each."""
        cut = min(max(self.rolled, first), last)
        return [part for part in ((ROLLUP, first, cut), (RECENT, cut, last)) if part[1] < part[2]]


def covered(connection: Asking) -> Covered:
    """Return what the tables cover."""
    return Covered(*connection.row(asked.COVERED))


class Filler:
    """The quarter hour being filled: its polls, made into rows when it is over. Made from what the tables do not cover yet."""

    def __init__(self, connection: Connection, standards: Standards) -> None:
        self.until = covered(connection).until
        self._standards = standards
        self._polls: list[Poll] = []
        self._uneven: set[int] = set()  # numbers of the probes of which some reading in these may not count
        self._standing: dict[int, Quarter] = {}  # of quarters before: their last reading may yet stand for longer
        self._done: list[tuple[int, Row]] = []  # not yet stored, by their probes' numbers
        self._newest = 0
        decoder = Decoder(connection, self.until * QUARTER_SECONDS)
        self._calibrated = {calibration.probe: calibration.time for calibration in decoder.calibrations()}  # last
        stored = all_rows(connection, self.until * QUARTER_SECONDS, FOREVER)
        for _, same in groupby(stored, key=lambda row: row[0] >> PROBE_BITS):
            rows = list(same)
            readings = [decoder.decode(*row) for row in rows]
            keys, ts, hs = zip(*rows, strict=True)
            poll = Poll(keys[0] >> PROBE_BITS, [key & PROBE_MASK for key in keys], ts, hs, readings)
            self.take(poll, [place for place, (_, quality) in enumerate(readings) if not quality.counts])
            if len(self._done) >= 4096:  # memory stays flat, however much is not covered yet
                self.flush(connection)
        self.flush(connection)

    def take(self, poll: Poll, uneven: Iterable[int]) -> None:
        """Take readings of one second, later than all before; uneven: the places of those that may not count."""
        time = poll.time
        if self._polls and time // QUARTER_SECONDS != self._newest // QUARTER_SECONDS:
            self._end(poll, time)
        if self._standing:
            there = set(poll.numbers)
            for number in [n for n, quarter in self._standing.items() if n in there or quarter.silent(time)]:
                self._finish(number, self._standing.pop(number).miss(time))
        self._polls.append(poll)
        self._uneven.update(poll.numbers[place] for place in uneven)
        self._newest = time

    def flush(self, connection: Connection) -> None:
        """Store the quarters that are over, and how far everything is covered."""
        # One line for all probes: a quarter that its last reading may yet lengthen holds every later one back.
        until = min([self._newest // QUARTER_SECONDS, *(quarter.number for quarter in self._standing.values())])
        if until > self.until:
            _insert(connection, RECENT, (pair for pair in self._done if pair[1][0] < until))
            self._done = [pair for pair in self._done if pair[1][0] >= until]
            connection.execute(asked.COVER, {"quarter": until})
            self.until = until
            if until - covered(connection).rolled > _MOST_RECENT:
                roll(connection, until - _STAY_RECENT)

    def _end(self, following: Poll, time: int) -> None:
        """Make the rows of the quarter that is over, given the first poll after it."""
        there = set(following.numbers)
        start = self._newest // QUARTER_SECONDS * QUARTER_SECONDS
        for number, times, longest, ts, hs, readings in _by_probe(self._polls):
            probe = readings[0][0].probe
            row = None
            # The short way: it is known how long the last reading stood, all of them count, and one correction holds.
            if number in there and number not in self._uneven and self._calibrated.get(probe, 0) <= start:
                row = calm_row(self._standards, times, longest, ts, hs, readings, time)  # type: ignore[arg-type]  # what counts has words
            if row is None:
                quarter = Quarter(self._standards, probe)
                for at, t, h, (reading, quality) in zip(times, ts, hs, readings, strict=True):
                    if t is None:
                        quarter.miss(at)
                    elif quality.flag in (PASS, NOT_EVALUATED):
                        quarter.take(at, t, h, reading.temperature_c, reading.humidity_percent)  # type: ignore[arg-type]  # values come with words
                    elif quality.temperature_counts:
                        quarter.take_temperature(at, t, reading.temperature_c)  # type: ignore[arg-type]  # values come with words
                    else:
                        quarter.miss(at)
                if number not in there and not quarter.silent(time):
                    self._standing[number] = quarter
                    continue
                row = quarter.miss(time)
            self._finish(number, row)
        self._polls = []
        self._uneven.clear()

    def _finish(self, number: int, row: Row | None) -> None:
        if row is not None:
            self._done.append((number, row))


_Words = Sequence[int | None]
_Column = tuple[int, Sequence[int], int, _Words, _Words, Sequence[tuple[Reading, Quality]]]
"""Of one probe: its number, the readings' seconds, the longest time between two, their words, themselves with their verdicts."""


def _by_probe(polls: Sequence[Poll]) -> Iterator[_Column]:
    """Yield what polls come to for each probe."""
    numbers = polls[0].numbers
    if all(poll.numbers == numbers for poll in polls):
        times = [poll.time for poll in polls]
        longest = _longest(times)
        ts, hs = zip(*[poll.ts for poll in polls], strict=True), zip(*[poll.hs for poll in polls], strict=True)
        readings = zip(*[poll.readings for poll in polls], strict=True)
        for number, t_words, h_words, pairs in zip(numbers, ts, hs, readings, strict=True):
            yield number, times, longest, t_words, h_words, pairs
        return
    apart: dict[int, list[tuple[int, int | None, int | None, tuple[Reading, Quality]]]] = defaultdict(list)
    for poll in polls:
        for number, t, h, reading in zip(poll.numbers, poll.ts, poll.hs, poll.readings, strict=True):
            apart[number].append((poll.time, t, h, reading))
    for number, rows in apart.items():
        seconds, t_words, h_words, pairs = zip(*rows, strict=True)
        yield number, seconds, _longest(seconds), t_words, h_words, pairs


def _longest(times: Sequence[int]) -> int:
    return max((after - before for before, after in pairwise(times)), default=0)


def rebuild(connection: Connection, standards: Standards, numbers: Sequence[int], start: int, end: int) -> None:
    """Make the covered quarters of these probes anew that readings in [start, end) seconds bear on."""
    first = max(0, start - LONGEST_HOLD_SECONDS) // QUARTER_SECONDS  # the reading before may stand shorter now
    for _ in _made_again(connection, standards, numbers, first, -(-end // QUARTER_SECONDS), anew=True):
        pass


def fill_in(
    connection: Connection, standards: Standards, numbers: Sequence[int], first: int, last: int
) -> Iterator[None]:
    """Make the covered quarters from `first` to before `last` that are missing, a part at each step."""
    return _made_again(connection, standards, numbers, first, last, anew=False)


def _made_again(
    connection: Connection, standards: Standards, numbers: Sequence[int], first: int, last: int, *, anew: bool
) -> Iterator[None]:
    """Make quarters from the readings, a part at each step, so that memory stays flat: a calibration may reach back for years.

    anew: in place of what is stored; else what is stored stays, for its readings may be lost.
    """
    cover, oldest = covered(connection), extent(connection)[0] // QUARTER_SECONDS
    last = min(last, cover.until)
    size = max(1, _PART_DAYS // max(1, len(numbers))) * DAY_QUARTERS
    for part in range(max(first, oldest), last if numbers else 0, size):
        end = min(part + size, last)
        begin, finish = part * QUARTER_SECONDS, end * QUARTER_SECONDS + LONGEST_HOLD_SECONDS
        decoder = Decoder(connection, begin, finish)
        made = _made(connection, decoder, standards, set(numbers), begin, finish)
        unreadable = damage.keys_of(connection, numbers, begin, end * QUARTER_SECONDS)
        given = {"numbers": json.dumps(list(numbers)), "unreadable": json.dumps(unreadable)}
        for layout, one, other in cover.parts(part, end):
            if anew:
                connection.execute(asked.DELETE_QUARTERS[layout.table], {"first": one, "last": other, **given})
            rows = (pair for pair in made if one <= pair[1][0] < other)
            _insert(connection, layout, rows, asked.PUT_QUARTER if anew else asked.KEEP_QUARTER)
        yield


def _insert(
    connection: Connection, layout: Layout, made: Iterable[tuple[int, Row]], how: Mapping[str, str] = asked.PUT_QUARTER
) -> None:
    """Store quarters of probes by their numbers; how: in place of one that is there already, or not if there is one."""
    rows = sorted((layout.key(row[0], number), *row[1:]) for number, row in made)
    if rows:
        connection.executemany(_by_place(how[layout.table]), rows)


@lru_cache(maxsize=8)
def _by_place(question: str) -> str:
    """Return a question that is given its values in the order in which it names them: a dictionary a row is dear."""
    return re.sub(r":\w+", "?", question)


def made_of(
    rows: Iterable[Raw], decoder: Decoder, standards: Standards, begin: int, end: int, until: int = FOREVER
) -> list[tuple[int, Row]]:
    """Return (number, quarter row) of what the readings in [begin, end) come to; rows: a little past `end` too.

    until: no reading stands for longer than to there (UTC seconds), and no row is later.
    """
    quarters: dict[int, Quarter] = {}
    made: list[tuple[int, Row]] = []
    for key, t, h in rows:
        number, time = key & PROBE_MASK, key >> PROBE_BITS
        quarter = quarters.get(number)
        if quarter is None:
            quarter = quarters[number] = Quarter(standards, decoder.names[number])
        believed = decoder.believed(key, t, h) if begin <= time < end else None
        if believed is None:
            row = quarter.miss(time)
        elif believed[1] is None:
            row = quarter.take_temperature(time, t, believed[0])  # type: ignore[arg-type]  # words come with values
        else:
            row = quarter.take(time, t, h, *believed)  # type: ignore[arg-type]  # the same
        if row is not None:
            made.append((number, row))
    for number, quarter in quarters.items():
        row = quarter.miss(until) or quarter.row()
        if row is not None:
            made.append((number, row))
    return made


def roll(connection: Connection, before: int) -> None:
    """Move the quarters before a number to where they stay, by day and probe.

    The day that was left unfinished the time before is written anew with its rest, in order of keys: the rest put between
    would leave pages a tenth empty.
    """
    rolled, until = covered(connection)
    before = min(before, until)
    if before <= rolled:
        return
    begin, end = (ROLLUP.key(ROLLUP.begin(rolled), 0),), (RECENT.key(before, 0),)
    connection.execute(f"CREATE TEMP TABLE unfinished AS SELECT key, {COLUMNS} FROM rollup WHERE key >= ?", begin)  # noqa: S608
    connection.execute("DELETE FROM rollup WHERE key >= ?", begin)
    connection.execute(
        f"INSERT OR REPLACE INTO rollup (key, {COLUMNS}) SELECT key, {COLUMNS} FROM unfinished UNION ALL "  # noqa: S608
        f"SELECT ((key >> {PROBE_BITS}) / {DAY_QUARTERS} << {PROBE_BITS} | (key & {PROBE_MASK})) << {ROLLUP.bits} | "
        f"(key >> {PROBE_BITS}) % {DAY_QUARTERS}, {COLUMNS} FROM recent WHERE key < ? ORDER BY 1",
        end,
    )
    connection.execute("DROP TABLE unfinished")
    connection.execute("DELETE FROM recent WHERE key < ?", end)
    connection.execute(asked.ROLL, {"quarter": before})


def cover_imported(connection: Connection, until: int) -> None:
    """Let the tables reach up to the last whole quarter of imported history, if no plain reading lies before its end."""
    oldest = first_key(connection)
    quarter = until // QUARTER_SECONDS
    if (oldest is None or oldest >> PROBE_BITS >= until) and quarter > covered(connection).until:
        connection.execute(asked.COVER, {"quarter": quarter})
        roll(connection, quarter)


def uncover(connection: Connection, since: int) -> None:
    """Forget the quarters from a second on: their readings were moved in time."""
    quarter = since // QUARTER_SECONDS
    for layout in (ROLLUP, RECENT):
        key = layout.key(layout.begin(quarter), 0)
        connection.execute(asked.UNCOVER_QUARTERS[layout.table], {"key": key, "quarter": quarter})
    connection.execute(asked.UNCOVER, {"quarter": quarter})


def _made(
    connection: Connection, decoder: Decoder, standards: Standards, numbers: set[int], begin: int, finish: int
) -> list[tuple[int, Row]]:
    if len(numbers) > _FEW:
        rows = (row for row in all_rows(connection, begin, finish) if row[0] & PROBE_MASK in numbers)
        return made_of(rows, decoder, standards, begin, finish)
    made = []
    for number in numbers:
        made += made_of(probe_rows(connection, number, begin, finish), decoder, standards, begin, finish)
    return made
