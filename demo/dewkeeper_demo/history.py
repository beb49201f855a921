"""The week before the night, written as a readings file and a journal file for `dewkeeper import`."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from dewkeeper_demo.rack import probe_name, wiring
from dewkeeper_demo.scenes import Entry
from dewkeeper_demo.world import World

READINGS_HEAD = ("time", "probe", "temperature_c", "humidity_pct")
JOURNAL_HEAD = ("time", "enclosure", "what", "detail")


def write_readings(world: World, path: Path, start: float, end: float, poll_seconds: int) -> int:
    """Move the world from `start` up to `end` (UTC seconds), a poll at a time; return the rows written."""
    rows = 0
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\r\n")  # RFC 4180
        out.writerow(READINGS_HEAD)
        for when in range(int(start), int(end), poll_seconds):
            world.advance_to(when)
            for wire in wiring():
                temperature_c, humidity_percent = world.air_now(wire.probe)
                out.writerow(
                    (_utc(when), probe_name(wire.probe), f"{temperature_c:.3f}", f"{humidity_percent:.3f}")
                )
                rows += 1
    return rows


def write_journal(entries: Iterable[Entry], path: Path) -> None:
    """Write what the keeper noted."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\r\n")
        out.writerow(JOURNAL_HEAD)
        for entry in sorted(entries, key=lambda e: e.when):
            out.writerow((_utc(entry.when), entry.enclosure, entry.what, entry.detail))


def _utc(when: float) -> str:
    return f"{datetime.fromtimestamp(int(when), UTC):%Y-%m-%dT%H:%M:%SZ}"
