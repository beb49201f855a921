"""Checks and detectors, in the order they are asked. A new alarm kind is one file and one line here, and its name in `types.Kind`."""

from __future__ import annotations

from typing import Final

from dewkeeper.judge.checks import (
    brownout,
    crc,
    displaced,
    drift,
    flat_line,
    gross_range,
    impossible,
    intermittent,
    missing,
    saturated,
    sensor_heater,
    swapped,
)
from dewkeeper.judge.contract import Detector
from dewkeeper.judge.detectors import dry_soon, excursion, heat, lid_open, room, room_heat_soon, stale_air, system

TABLE: Final[tuple[Detector, ...]] = (
    missing.CHECK,
    crc.CHECK,
    intermittent.CHECK,
    gross_range.CHECK,
    flat_line.CHECK,
    saturated.CHECK,
    sensor_heater.CHECK,
    brownout.CHECK,
    room.DETECTOR,
    room_heat_soon.DETECTOR,
    lid_open.DETECTOR,
    displaced.CHECK,
    heat.DETECTOR,
    dry_soon.DETECTOR,
    stale_air.DETECTOR,
    impossible.CHECK,
    swapped.CHECK,
    drift.CHECK,
    excursion.DETECTOR,
    system.DETECTOR,
)

MEMORIES: Final = tuple(row.memory for row in TABLE if row.memory is not None)
"""What a probe's state holds one of each of."""
