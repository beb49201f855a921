"""A poll on its way into the file. Every reading there ever is comes through here, so what is saved counts."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from dewkeeper.judge.types import PASS, Quality, Reading
from dewkeeper.store.database import PROBE_BITS
from dewkeeper.store.quality import spelled
from dewkeeper.store.ring import Row, of_failed
from dewkeeper_drivers.contract import SCALES


class Poll(NamedTuple):
    """Readings of one second, their probes, and their rows as they are stored, all in the same order; the largest key."""

    probes: Sequence[str]
    rows: Sequence[Row]
    readings: Sequence[tuple[Reading, Quality]]
    last_key: int


class Probes:
    """Every probe's number and the scale its words are stored by; a new one gets both with its first reading."""

    def __init__(self, known: Iterable[tuple[int, str, str]]) -> None:
        self.ids: dict[str, int] = {}
        self._scales: dict[str, str] = {}
        for number, name, scale in known:
            self.ids[name] = number
            self._scales[name] = scale
        self.newest = max(self.ids.values(), default=0)
        self._polled: list[str] = []  # by the poll before, and their numbers and scales
        self._places: list[tuple[int, str]] = []
        self._largest = 0

    def number(self, connection: Connection, probe: str, scale: str) -> int:
        """Return a probe's number; one that is not known yet is stored with this scale."""
        if probe not in self.ids:
            self.newest += 1
            connection.exec_driver_sql("INSERT INTO probe VALUES (?, ?, ?)", (self.newest, probe, scale))
            self.ids[probe] = self.newest
            self._scales[probe] = scale
        return self.ids[probe]

    def keep(self, newest: int) -> None:
        """Forget the probes with larger numbers: they were not stored after all."""
        self.ids = {name: number for name, number in self.ids.items() if number <= newest}
        self.newest = newest
        self._polled = []

    def rows(
        self, connection: Connection, readings: Sequence[tuple[Reading, Quality]], standing: Collection[int]
    ) -> tuple[Poll, list[int]]:
        """Return readings of one second with their rows, and the places of those with more to say than that they pass.

        standing: numbers of the probes of which something else was said last.
        """
        probes = [reading.probe for reading, _ in readings]
        if probes != self._polled:
            numbers = [self.number(connection, reading.probe, reading.scale) for reading, _ in readings]
            self._places = [(number, self._scales[probe]) for number, probe in zip(numbers, probes, strict=True)]
            self._polled, self._largest = probes, max(numbers)
        second = readings[0][0].time << PROBE_BITS
        rows: list[Row] = []
        uneven = []
        for (reading, quality), (number, scale) in zip(readings, self._places, strict=True):
            t, h = reading.temperature_word, reading.humidity_word
            if reading.scale != scale and t is not None and h is not None:  # a sensor of another kind than the first here
                t, h = SCALES[scale].encode(*SCALES[reading.scale].decode(t, h))
            if quality.flag != PASS or number in standing or quality.tests or reading.notes:
                uneven.append(len(rows))
                if t is None:
                    h = of_failed(quality.flag, spelled(quality.tests, reading.failure, reading.notes))
            rows.append((second | number, t, h))
        return Poll(self._polled, rows, readings, second | self._largest), uneven
