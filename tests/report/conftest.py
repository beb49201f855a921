"""A real store filled by hand, and the configuration that belongs to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import FAIL, MISSING, PASS, Quality, Reading
from dewkeeper.report.past import StoredPast
from dewkeeper.store import Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SCALES

RACK = """
[site]
timezone = "{zone}"
poll_seconds = 300
[storage]
folder = "{folder}"
[[rack]]
name = "R"
[[enclosure]]
name = "T1"
rack = "R"
[[enclosure]]
name = "T2"
rack = "R"
place = 2
[[probe]]
name = "p1"
enclosure = "T1"
driver = "simulated"
[[probe]]
name = "p2"
enclosure = "T2"
driver = "simulated"
[[channel]]
kind = "webhook"
name = "phone"
url = "http://127.0.0.1:9/"
[[person]]
name = "Ina"
channels = ["phone"]
"""


def seconds(text: str) -> int:
    """Return the UTC second of an ISO time in UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def judged(probe: str, at: int, temperature_c: float, humidity: float, flag: int = PASS) -> tuple[Reading, Quality]:
    """Return a reading with its words, as a probe would give it, and its verdict."""
    scale = SCALES["sht3x"]
    words = scale.encode(temperature_c, humidity)
    if flag == MISSING:
        return Reading(at, probe, None, None, failure="missing"), Quality(at, probe, MISSING, ("missing",))
    tests = () if flag == PASS else ("gross_range",)
    return Reading(at, probe, *scale.decode(*words), *words), Quality(at, probe, flag, tests)


class Shelf:
    """A configuration, and a store that a test fills."""

    def __init__(self, folder: Path, zone: str) -> None:
        self.config: Config = parse(RACK.format(zone=zone, folder=folder).encode(), folder / "rack.toml")
        self._store = Store.open(folder, self.config.storage, ManualClock())

    def keep(self, readings: Sequence[tuple[Reading, Quality]] = (), **rest: Any) -> None:
        """Store readings in time order, and whatever else a batch may hold."""
        self._store.commit(Batch(readings=tuple(sorted(readings, key=lambda r: r[0].time)), **rest))

    def past(self) -> StoredPast:
        """Open what was stored."""
        return StoredPast.open(self.config)

    def close(self) -> None:
        """Close the store."""
        self._store.close()


@pytest.fixture
def shelf(tmp_path: Path) -> Iterator[Callable[..., Shelf]]:
    """Make shelves in given time zones."""
    made: list[Shelf] = []

    def make(zone: str = "UTC") -> Shelf:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Shelf(folder, zone))
        return made[-1]

    yield make
    for one in made:
        one.close()


__all__ = ["FAIL", "MISSING", "PASS", "judged", "seconds"]
