"""An invented rack of 128 probes for the store's bench: readings as noisy as real ones, through the judge and the ledger.

The noise decides how well the archive compresses: one standard deviation of 0.03 °C and 0.12 %RH, more than the sensor
adds (the SHT3x data sheets give repeatability as three of them), for air moves too; a thermostat's saw-tooth, a day's
swing, 0.4 % of polls failed.
"""

from __future__ import annotations

import ctypes
import math
import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from dewkeeper.judge import Judge
from dewkeeper.judge.types import EnclosureFacts, ProbeFacts, Quality, Reading, Settings
from dewkeeper.service.ledger import Ledger
from dewkeeper.store import Store
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Limits, Storage
from dewkeeper_drivers.contract import SHT3X

PROBES = 128
POLL_SECONDS = 60
DAY = 86400
START = 20_712 * DAY  # an even day after 1970: a block of the archive begins
UTC = ZoneInfo("UTC")
NAMES = tuple(f"p{number:03d}" for number in range(PROBES))


class HandClock:
    """A clock that stands where it is put; nobody waits on it here."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def monotonic(self) -> float:
        """Return seconds."""
        return self.seconds

    def wall(self) -> float:
        """Return the same seconds."""
        return self.seconds

    def wait(self, event: object, seconds: float | None) -> bool:
        """Refuse: here nothing waits."""
        raise NotImplementedError


def settings(names: Sequence[str] = NAMES, poll_seconds: int = POLL_SECONDS) -> Settings:
    """Return the rack as the judge sees it."""
    return Settings(
        START, poll_seconds,
        {name: EnclosureFacts(name, "R", "room", Limits()) for name in names},
        {name: ProbeFacts(name, "substrate", name, "room", "one", f"one {n // 8}") for n, name in enumerate(names)},
    )  # fmt: skip


def cycles(
    first_day: float, days: float, seed: int = 1, names: Sequence[str] = NAMES, poll_seconds: int = POLL_SECONDS
) -> Iterator[tuple[Reading, ...]]:
    """Yield the readings of every poll of so many days, the first `first_day` days after the start."""
    dice = random.Random(seed + round(first_day * 1000))
    begin = START + round(first_day * DAY)
    for at in range(begin, begin + round(days * DAY), poll_seconds):
        swing = math.sin(2 * math.pi * (at % DAY) / DAY)
        made = []
        for number, name in enumerate(names):
            if dice.random() < 0.004:
                made.append(Reading(at, name, None, None, failure="crc"))
                continue
            period = 900 + 17 * number
            saw = abs((at % period) / period - 0.5)
            temperature_c = 28.5 + number % 7 * 0.3 + 1.2 * swing + 0.8 * saw + dice.gauss(0, 0.03)
            humidity_percent = 66 + number % 5 * 0.8 - 2.5 * swing - 2.0 * saw + dice.gauss(0, 0.12)
            words = SHT3X.encode(temperature_c, humidity_percent)
            made.append(Reading(at, name, *SHT3X.decode(*words), *words))
        yield tuple(made)


class CountedStore(Store):
    """The store, which counts its commits."""

    commits = 0

    def commit(self, batch: Batch) -> None:
        """Store a batch."""
        super().commit(batch)
        self.commits += 1


class Rack:
    """Judge, ledger and store as the writer thread uses them."""

    def __init__(self, folder: Path, commit_minutes: int = 1, known: Settings | None = None) -> None:
        self.clock = HandClock(START)
        self.storage = Storage(folder=folder, ballast_mb=0)
        store = CountedStore.open(folder, self.storage, self.clock)
        assert isinstance(store, CountedStore)
        self.store = store
        self.judge = Judge()
        self.ledger = Ledger(self.store, self.clock, commit_minutes * 60, lambda *_: None)
        known = known or settings()
        self.judge.feed(known)
        self.ledger.add(Batch(items=(known,)), urgent=True, judge=self.judge, at=START)

    def poll(self, readings: tuple[Reading, ...]) -> None:
        """Have one cycle judged and stored, at its own time."""
        at = readings[0].time
        self.clock.seconds = at
        judged: list[tuple[Reading, Quality]] = []
        urgent = False
        for reading in self.ledger.in_stored_order(readings):
            verdict = self.judge.feed(reading)
            judged += [(reading, quality) for quality in verdict.quality[:1]]
            urgent = urgent or bool(verdict.events)
        self.ledger.add(Batch(readings=tuple(judged)), urgent=urgent, judge=self.judge, at=at)

    def night(self, at: int) -> int:
        """Do what the daemon does each night; return how many readings went into the archive."""
        self.ledger.snapshot(self.judge, at)
        return self.store.compact(at)


def nights(now: int) -> list[tuple[int, int]]:
    """Return nights of twelve hours that are over, as begin and end: those of the last hour, for they lie each otherwise."""
    over = now // 900 * 900
    return [(end - 12 * 3600, end) for end in range(over - 2700, over + 1, 900)]


def mark(number: int) -> None:
    """Leave a number in the log of `iolog.c`, if it is loaded."""
    leave = getattr(ctypes.CDLL(None), "iolog_mark", None)
    if leave is not None:
        leave(number)
