"""Faults F19 and F23 and the disk's own troubles, by a clock moved by hand: nights on which clocks change, a foreign lock."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.store import History
from dewkeeper.store.health import Disk
from dewkeeper_config.models import Backup
from dewkeeper_drivers.simulated import register_clock

VIENNA = ZoneInfo("Europe/Vienna")


def _types(phone: Any) -> list[str]:
    return [message["type"] for message in phone.messages]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("evening", "dry"), [("2026-10-24T20:00", True), ("2027-03-27T20:00", False), ("2027-03-27T20:00", True)]
)
def test_a_night_on_which_clocks_change_has_one_nightly_job(racks: Any, phone: Any, evening: str, dry: bool) -> None:
    """F19: both nights, the spring one with and without an open alarm: one backup at 04:10, no poll missed, no silence."""
    racks.clock = ManualClock(wall=datetime.fromisoformat(evening).replace(tzinfo=VIENNA).timestamp())
    register_clock("daemon test", racks.clock.wall)
    config = racks.config(poll_seconds=600, **({"humidity_percent": 40.0} if dry else {}))
    backup = Backup(folder=racks.folder / "copies", require_mount=False)
    config = config.but(storage=config.storage.but(backup=backup))
    daemon = racks.start(config)
    for _ in range(14 * 6):  # until ten in the morning, by whichever clock
        racks.clock.advance(600)
        daemon.calendar.run_due()
    racks.stop(daemon)
    (copy,) = (racks.folder / "copies").glob("dewkeeper-*.db")
    made = datetime.strptime(copy.name[10:25] + "+0000", "%Y%m%d-%H%M%S%z").astimezone(VIENNA)
    assert (made.hour, made.minute // 10) == (4, 1)
    with History.open(racks.folder) as history:
        assert len(history.raw("t2", 0, 1 << 40)) == 85
    assert "missing.raised" not in _types(phone)
    assert ("dry.raised" in _types(phone)) == dry


@pytest.mark.parametrize("phase", ["at start", "steady", "open alarm"])
def test_a_foreign_write_lock_delays_readings_and_loses_none(racks: Any, phone: Any, phase: str) -> None:
    """F23: another program holds the database over two polls: readings wait in memory and are stored when it lets go."""
    config = racks.config(humidity_percent=40.0 if phase == "open alarm" else 60.0)
    daemon = racks.start(config)
    racks.clock.advance({"at start": 0, "steady": 600, "open alarm": 3900}[phase])
    with History.open(racks.folder) as history:
        before = len(history.raw("t1", 0, 1 << 40))
        standing = [alarm.alarm for alarm in history.standing()]
    with closing(sqlite3.connect(racks.folder / "dewkeeper.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        racks.clock.advance(60)
        other.execute("ROLLBACK")
    racks.clock.advance(180)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert len(history.raw("t1", 0, 1 << 40)) >= before + 4
        times = [one.reading.time for one in history.raw("t1", 0, 1 << 40)]
        assert {b - a for a, b in pairwise(times)} == {60}
        assert [alarm.alarm for alarm in history.standing() if alarm.kind == "dry"] == standing


def test_the_disks_troubles_become_alarms_and_end(racks: Any, phone: Any) -> None:
    """Space, a read-only disk and a growing log, each from a source of its own, are told once and once when over."""
    state: dict[str, Any] = {"free": 5, "read only": True, "log": 1 << 30}
    daemon = racks.start(racks.config())
    disk = Disk(
        racks.config().storage,
        lambda _: (state["free"], 100),
        lambda _: (state["read only"], "ext4"),
        lambda _: state["log"],
    )
    daemon._watch.sources[:] = [disk.reports]
    racks.clock.advance(120)
    phone.wait_for("system.raised")
    state.update({"free": 50, "read only": False, "log": 0})
    racks.clock.advance(120)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        events = [(event.event, event.detail["what"]) for event in history.events(0) if event.kind == "system"]
    for what in ("disk space", "disk read-only", "database log"):
        assert [happening for happening, about in events if about == what] == ["raised", "cleared"]
