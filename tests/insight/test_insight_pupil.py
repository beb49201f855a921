"""Learning along with a replay: what the daemon would have learned, when it would have, and nothing from the future."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.air import humidity_at
from dewkeeper.cli.learning import _was_read
from dewkeeper.clock import ManualClock
from dewkeeper.insight import LEARN_AT
from dewkeeper.insight.learning import facts_at
from dewkeeper.insight.pupil import Pupil
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, Exclusion, Item, JournalEntry, Learned, Reading
from dewkeeper.report.readings_file import Row
from dewkeeper.report.replaying import replay_rows
from dewkeeper.service.settings import judge_settings
from dewkeeper.slots import Daily
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import ReplayConfig, parse
from dewkeeper_config.models import Config
from dewkeeper_drivers.contract import SHT3X

ZONE = ZoneInfo("Europe/Vienna")
RULE = Daily(LEARN_AT, ZONE)
START = RULE.next_slot(1_790_000_000) - 3 * 3600
DAYS = 24
RACK = b"""
site = { name = "S", timezone = "Europe/Vienna", poll_seconds = 300 }
storage = { folder = "FOLDER" }
rack = [{ name = "R", room = "room" }]
enclosure = [{ name = "B1", rack = "R" }, { name = "B2", rack = "R" }]
probe = [
  { name = "b1", enclosure = "B1", driver = "simulated" },
  { name = "b2", enclosure = "B2", driver = "simulated" },
  { name = "b2_warm", enclosure = "B2", role = "warm_end", driver = "simulated" },
  { name = "air", room = "room", role = "room", driver = "simulated" },
]
"""


def _config(folder: str = "/unused") -> Config:
    return parse(RACK.replace(b"FOLDER", folder.encode()), Path("rack.toml"), ReplayConfig)


@cache
def _readings() -> tuple[Reading, ...]:
    return tuple(_read())


def _read() -> Iterator[Reading]:
    """Yield some weeks of two tubs and their room; one is misted every other day and opened for an hour every third, and drifts."""
    dice, vapour = Random(3), [24.0, 22.0]
    for step in range(DAYS * 288):
        at = START + 300 * step
        day, slot = divmod(step, 288)
        room = 11.0 + 2 * math.sin(step / 400)
        for tub in (0, 1):
            opened = day % 3 == tub and 120 <= slot < 132
            goal, pace = (room + 0.4, 1.5) if opened else (24.0 - 2 * tub + 0.3 * room, 20)
            vapour[tub] += (goal - vapour[tub]) / pace + (6.0 if day % 2 == 0 and slot == 200 and not tub else 0.0)
            warm = 29.0 + 0.5 * math.sin(step / 2) + 1.0 * math.sin(2 * math.pi * slot / 288)
            percent = min(99.0, humidity_at(vapour[tub], warm) + (0.4 * max(0, day - 6) if tub else 0.0))
            if tub:
                yield _reading(at, "b2_warm", warm + 4.0, humidity_at(vapour[tub], warm + 4.0))
            yield _reading(at, f"b{tub + 1}", warm + dice.gauss(0, 0.02), percent + dice.gauss(0, 0.05))
        yield _reading(at, "air", 22.0 + dice.gauss(0, 0.02), humidity_at(room, 22.0) + dice.gauss(0, 0.05))


def _reading(at: int, probe: str, warm: float, percent: float) -> Reading:
    words = SHT3X.encode(warm, percent)
    return Reading(at, probe, *SHT3X.decode(*words), *words)


def _journal() -> list[JournalEntry]:
    done = [JournalEntry(f"m{day}", START + day * 86_400 + 60_000, "B1", "misted") for day in range(0, DAYS, 2)]
    read = [
        JournalEntry(f"s{day}", START + day * 86_400 + 80_000, "B2", "surface", "24.5 °C cool wall") for day in range(8)
    ]
    return sorted([*done, *read], key=lambda entry: entry.time)


class Watched(Pupil):
    """A pupil of which what it hands in is kept."""

    def learned(self, now: int) -> list[Learned]:
        """As a pupil."""
        handed = super().learned(now)
        handed_in.extend(handed)
        return handed


handed_in: list[Learned] = []


def _handed(rows: list[Row]) -> tuple[list[Learned], list[Event]]:
    """Return what is learned along with a replay, and what is told in it."""
    handed_in.clear()
    settings = judge_settings(_config(), START)
    told = list(replay_rows(settings, rows, _journal(), Watched(settings, _journal(), RULE)))
    return list(handed_in), told


@cache
def _handed_by_all() -> tuple[list[Learned], list[Event]]:
    return _handed(_rows(_readings()))


def _rows(readings: tuple[Reading, ...]) -> list[Row]:
    return [(r.time, r.probe, r.temperature_c, r.humidity_percent) for r in readings]


def test_a_replay_learns_what_the_daemon_learned(tmp_path: Path) -> None:
    """The nightly pass over the database and the last one over the file find the same facts, every figure of them."""
    config = _config(str(tmp_path))
    settings = judge_settings(config, START)
    readings = _readings()
    judge, items = Judge(), list[Item]([settings])
    handed = {item.time: item for item in _handed_by_all()[0] if item.enclosure == "B2"}
    last = max(handed)
    store = Store.open(tmp_path, config.storage, ManualClock(wall=float(START)))
    journal = _journal()
    judge.feed(settings)
    store.commit(Batch(items=tuple(items)))
    exclusions: list[Exclusion] = []
    kept = []
    for reading in readings:
        if reading.time >= last:
            break
        while journal and journal[0].time <= reading.time:
            judge.feed(entry := journal.pop(0))
            store.commit(Batch(items=(entry,)))
        verdict = judge.feed(reading)
        kept += [(reading, quality) for quality in verdict.quality]
        exclusions += verdict.exclusions
    store.commit(Batch(readings=tuple(kept), exclusions=tuple(exclusions)))
    store.close()
    with History.open(tmp_path) as history:
        live = facts_at(_was_read(history, config, last), last)
    assert live.tubs["B2"][0] == handed[last].facts
    assert {f.quantity for f in handed[last].facts if f.value is not None} >= {
        "usual_peak_c",
        "probe_error_percent",
        "warm_end_above_c",
        "wall_factor",
    }


def test_nothing_is_learned_from_the_future() -> None:
    """Cut off at noon of the twelfth day, a file teaches, until then, what the whole of it does; passes come at the daemon's hour."""
    noon = START + 12 * 86_400
    whole = [item for item in _handed_by_all()[0] if item.time < noon]
    assert whole == _handed([row for row in _rows(_readings()) if row[0] < noon])[0]
    assert {RULE.latest_slot(item.time) for item in whole} == {item.time for item in whole}
    assert len({item.time for item in whole}) > 3


def test_the_judge_hears_of_it() -> None:
    """A probe that drifts through a replayed file is told as drifting, which only learned facts can say; without a pupil it is not."""
    told = [e for e in _handed_by_all()[1] if e.kind == "drift"]
    assert [(e.enclosure, e.event) for e in told[:1]] == [("B2", "raised")]
    alone = replay_rows(judge_settings(_config(), START), _rows(_readings()), _journal())
    assert not [e for e in alone if e.kind == "drift"]


@pytest.mark.parametrize("gap_days", [1, 9])
def test_a_gap_is_one_pass(gap_days: int) -> None:
    """After days nobody read for there is one pass, the latest, not one for each night."""
    settings = judge_settings(_config(), START)
    pupil = Pupil(settings, [], RULE)
    pupil.take(START, "b1", 29.0, 60.0, 1)
    at = START + gap_days * 86_400
    assert {item.time for item in pupil.learned(at)} == {RULE.latest_slot(at)}
    assert pupil.learned(at) == []
