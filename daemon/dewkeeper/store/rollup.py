"""Quarter hours by probe: what the believed readings of archived blocks come to.

Accounting: a counted reading stands for the time to the next reading of its probe, believed or not, and for at most
three polls; what nothing stands for is unwatched. The time belongs to the quarter hour the reading lies in.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import cast

from sqlalchemy import Connection

from dewkeeper.judge.types import Quality, Reading, Settings
from dewkeeper.store import codec
from dewkeeper.store.archive import BLOCK_SECONDS, probe_rows
from dewkeeper.store.reading import Decoder
from dewkeeper_config.models import Limits

BUCKET_SECONDS = 900
HOLD_POLLS = 3
_LONGEST_HOLD_SECONDS = HOLD_POLLS * 600
_INSERT = f"INSERT OR REPLACE INTO rollup VALUES ({','.join('?' * 17)})"  # noqa: S608  question marks only


@dataclass(slots=True)
class Sums:
    """One quarter hour. Words are raw; seconds are beyond the limit then in force; dose is %RH times seconds."""

    n: int = 0
    t_min: int = 65535
    t_sum: int = 0
    t_max: int = 0
    h_min: int = 65535
    h_sum: int = 0
    h_max: int = 0
    watched: int = 0
    dry_target: int = 0
    damp_target: int = 0
    dry_tolerable: int = 0
    damp_tolerable: int = 0
    cold: int = 0
    hot: int = 0
    dose: float = 0.0

    def add(self, reading: Reading, held: int, limits: Limits | None) -> None:
        """Add one counted reading that stands for `held` seconds."""
        t, h = cast("int", reading.temperature_word), cast("int", reading.humidity_word)
        self.n += 1
        self.t_min, self.t_max, self.t_sum = min(self.t_min, t), max(self.t_max, t), self.t_sum + t
        self.h_min, self.h_max, self.h_sum = min(self.h_min, h), max(self.h_max, h), self.h_sum + h
        self.watched += held
        humidity, temperature = reading.humidity_percent, reading.temperature_c
        if limits is None or humidity is None or temperature is None:
            return
        target, tolerable, heat = limits.humidity_target, limits.humidity_tolerable, limits.temperature_tolerable
        self.dry_target += held * (humidity < target.low)
        self.damp_target += held * (humidity > target.high)
        self.dry_tolerable += held * (humidity < tolerable.low)
        self.damp_tolerable += held * (humidity > tolerable.high)
        self.cold += held * (temperature < heat.low)
        self.hot += held * (temperature > heat.high)
        self.dose += held * max(0.0, target.low - humidity, humidity - target.high)

    def row(self) -> tuple[int, ...]:
        """Return the columns after probe and start."""
        return (
            self.n, self.t_min, self.t_sum, self.t_max, self.h_min, self.h_sum, self.h_max, self.watched,
            self.dry_target, self.damp_target, self.dry_tolerable, self.damp_tolerable, self.cold, self.hot,
            round(self.dose),
        )  # fmt: skip


class InForce:
    """Which limits and poll period held when: the stored settings, newest first asked."""

    def __init__(self, connection: Connection) -> None:
        rows = connection.exec_driver_sql("SELECT data FROM item WHERE kind = 'Settings' ORDER BY time, seq")
        self._settings = [cast("Settings", codec.unpack_item("Settings", data)) for (data,) in rows]
        self._times = [settings.time for settings in self._settings]

    def at(self, probe: str, time: int) -> tuple[int, Limits | None]:
        """Return the longest hold in seconds and the limits of a probe; the first settings serve for all before them."""
        if not self._settings:
            return HOLD_POLLS * 60, None
        settings = self._settings[max(0, bisect_right(self._times, time) - 1)]
        facts = settings.probes.get(probe)
        enclosure = settings.enclosures.get(facts.enclosure or "") if facts is not None else None
        return HOLD_POLLS * settings.poll_seconds, enclosure.limits if enclosure is not None else None


def quarter_hours(
    pairs: Iterable[tuple[Reading, Quality]], in_force: InForce, start: int, end: int
) -> Iterator[tuple[int, Sums]]:
    """Yield (start, sums) of the quarter hours in [start, end) that have counted readings, oldest first.

    pairs: all readings of one probe from `start` on, ascending, to a little past `end` (who stands for how long).
    """
    listed = list(pairs)
    bucket, sums = start, Sums()
    hold, limits, known = 0, None, -1
    for index, (reading, quality) in enumerate(listed):
        if reading.time >= end:
            break
        at = reading.time // BUCKET_SECONDS * BUCKET_SECONDS
        if at != bucket:
            if sums.n:
                yield bucket, sums
            bucket, sums = at, Sums()
        if not quality.counts or reading.humidity_percent is None or reading.temperature_word is None:
            continue
        if known != bucket:
            hold, limits = in_force.at(reading.probe, bucket)
            known = bucket
        until = listed[index + 1][0].time if index + 1 < len(listed) else reading.time + hold
        sums.add(reading, min(until - reading.time, hold), limits)
    if sums.n:
        yield bucket, sums


def rebuild(connection: Connection, numbers: Sequence[int], start: int, end: int) -> None:
    """Make the quarter hours of these probes in [start, end) anew from the readings, in the caller's transaction."""
    start = start // BUCKET_SECONDS * BUCKET_SECONDS
    end = -(-end // BUCKET_SECONDS) * BUCKET_SECONDS
    in_force = InForce(connection)
    decoder = Decoder(connection, start, end + _LONGEST_HOLD_SECONDS)
    for number in numbers:
        rows = probe_rows(connection, number, start, end + _LONGEST_HOLD_SECONDS)
        pairs = (decoder.decode(*row) for row in rows)
        made = [(number, at, *sums.row()) for at, sums in quarter_hours(pairs, in_force, start, end)]
        connection.exec_driver_sql(
            "DELETE FROM rollup WHERE probe_id = ? AND start >= ? AND start < ?", (number, start, end)
        )
        if made:
            connection.exec_driver_sql(_INSERT, made)


def rebuild_touched(connection: Connection, number: int, since: int, until: int) -> None:
    """Make anew what an exclusion touched, where it lies in archived blocks; plain rows have no quarter hours."""
    blocks = connection.exec_driver_sql(
        "SELECT key >> 10 FROM chunk WHERE key & 1023 = ? AND key >= ? AND key < ?",
        (number, since // BLOCK_SECONDS << 10, until // BLOCK_SECONDS + 1 << 10),
    ).all()
    for (block,) in blocks:
        first, last = block * BLOCK_SECONDS, (block + 1) * BLOCK_SECONDS
        rebuild(connection, [number], max(first, since), min(last, until + 1))
