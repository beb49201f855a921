"""A poll on its way into the file. Every reading there ever is comes through here, so what is saved counts."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from dewkeeper.judge.types import PASS, Quality, Reading
from dewkeeper.store import asked
from dewkeeper.store.database import PROBE_BITS, Connection
from dewkeeper_drivers.contract import scale_of, spells_a_scale


class Poll(NamedTuple):
    """Readings of one second, their probes' numbers, and the words as they are stored, all in the same order."""

    time: int
    numbers: Sequence[int]
    ts: Sequence[int | None]
    hs: Sequence[int | None]
    readings: Sequence[tuple[Reading, Quality]]

    def keys(self) -> list[int]:
        """Return the rows' keys."""
        second = self.time << PROBE_BITS
        return [second | number for number in self.numbers]


class Probes:
    """Every probe's number and the scale its words are stored by; a new one gets both with its first reading."""

    def __init__(self, known: Iterable[tuple[int, str, str]]) -> None:
        self.ids: dict[str, int] = {}
        self._scales: dict[str, str] = {}
        for number, name, scale in known:
            self.ids[name] = number
            self._scales[name] = scale
        self.newest = max(self.ids.values(), default=0)
        self._polled: list[tuple[str, str]] = []  # by the poll before, each with its sensor's scale, and their numbers
        self._numbers: list[int] = []
        self._foreign: list[int] = []  # places of those whose sensor is of another kind than the first there

    def number(self, connection: Connection, probe: str, scale: str) -> int:
        """Return a probe's number; one that is not known yet is stored with this scale.

        So is one whose scale was stored by its name alone and is a driver's own: its words could not be read.
        """
        if probe not in self.ids:
            self.newest += 1
            connection.execute(asked.ADD_PROBE, {"id": self.newest, "name": probe, "scale": scale})
            self.ids[probe] = self.newest
            self._scales[probe] = scale
        elif self._scales[probe] == scale.partition(" ")[0] != scale and not spells_a_scale(self._scales[probe]):
            connection.execute(asked.RESCALE, {"spelled": scale, "id": self.ids[probe]})
            self._scales[probe] = scale
        return self.ids[probe]

    def keep(self, newest: int) -> None:
        """Forget the probes with larger numbers: they were not stored after all."""
        self.ids = {name: number for name, number in self.ids.items() if number <= newest}
        self.newest = newest
        self._polled = []

    def poll(
        self, connection: Connection, readings: Sequence[tuple[Reading, Quality]], standing: Collection[int]
    ) -> tuple[Poll, list[int]]:
        """Return readings of one second with what is stored of them, and the places of those with more to say than that they pass.

        standing: numbers of the probes of which something else was said last.
        """
        polled = [(reading.probe, reading.scale) for reading, _ in readings]
        if polled != self._polled:
            self._numbers = [self.number(connection, probe, scale) for probe, scale in polled]
            self._foreign = [place for place, (probe, scale) in enumerate(polled) if scale != self._scales[probe]]
            self._polled = polled
        numbers = self._numbers
        ts = [reading.temperature_word for reading, _ in readings]
        hs = [reading.humidity_word for reading, _ in readings]
        for place in self._foreign:
            t, h, (probe, scale) = ts[place], hs[place], polled[place]
            if t is not None and h is not None:
                ts[place], hs[place] = scale_of(self._scales[probe]).encode(*scale_of(scale).decode(t, h))
        uneven = [
            place
            for place, (reading, quality) in enumerate(readings)
            if quality.flag != PASS or quality.tests or reading.notes
        ]
        if standing:
            uneven = sorted({*uneven, *(place for place, number in enumerate(numbers) if number in standing)})
        return Poll(readings[0][0].time, numbers, ts, hs, readings), uneven
