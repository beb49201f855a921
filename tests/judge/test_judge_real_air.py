"""Good data is left alone: a real room read once a minute, where the rules of weather stations cry fault."""

from __future__ import annotations

import csv
from collections import Counter
from datetime import datetime
from pathlib import Path

import pytest

from dewkeeper.judge import Judge
from dewkeeper.judge.types import EnclosureFacts, Event, ProbeFacts, Reading, Settings
from dewkeeper_config.door import checked
from dewkeeper_config.models import Limits

FILE = Path(__file__).parents[1] / "reference" / "indoor_minute.csv"
WIDE = checked(
    Limits,
    {
        "humidity_target": {"low": 10, "high": 60},
        "humidity_tolerable": {"low": 5, "high": 70},
        "temperature_tolerable": {"low": 10, "high": 32},
    },
)


def _rows() -> list[tuple[int, float, float]]:
    with FILE.open(encoding="utf-8", newline="") as file:
        return [
            (
                int(datetime.fromisoformat(row["time"]).timestamp()),
                float(row["temperature_c"]),
                float(row["humidity_pct"]),
            )
            for row in csv.DictReader(file)
        ]


@pytest.mark.parametrize("rounded", [False, True])
def test_a_real_room_shows_no_fault(rounded: bool) -> None:
    """2665 real minutes (Candanedo & Feldheim 2016, see SOURCES-indoor.md): no fault, no excursion, every reading counts."""
    rows = _rows()
    judge = Judge()
    probes = {
        "p1": ProbeFacts("p1", "substrate", "B1", "room", rounded=rounded),
        "air": ProbeFacts("air", "room", None, "room", rounded=rounded),
    }
    judge.feed(Settings(rows[0][0] - 60, 60, {"B1": EnclosureFacts("B1", "R", "room", WIDE)}, probes))
    told: list[Event] = []
    flags: Counter[int] = Counter()
    for at, t, h in rows:
        for probe in probes:
            verdict = judge.feed(Reading(at, probe, t, h))
            told += verdict.events
            flags.update(q.flag for q in verdict.quality)
    assert {event.kind for event in told} == {"room_frost"}, "it was February: 22 °C and 25 % are true, and no fault"
    assert flags == {1: 2 * len(rows) - 2, 2: 2}


def test_the_rule_of_weather_stations_would_condemn_it() -> None:
    """Less than 1 % in 60 min below 95 % (WMO guidelines, Zahumensky 2004, at second hand) marks most of these good minutes."""
    humidity = [h for _, _, h in _rows()]
    condemned = sum(
        max(window) - min(window) < 1.0 for n in range(60, len(humidity)) if (window := humidity[n - 60 : n + 1])
    )
    assert condemned > 0.5 * len(humidity)
