"""Dated calibrations. Who only reads stored readings needs them, and nothing of the judge's state."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import replace

from dewkeeper.judge.types import Calibration


class Calibrations:
    """Calibrations by probe. Of several with one start, the one added last holds. Safe to ask from any thread."""

    def __init__(self, calibrations: Iterable[Calibration] = ()) -> None:
        self._dated: dict[str, list[Calibration]] = {}
        for calibration in calibrations:
            self.add(calibration)

    def add(self, calibration: Calibration) -> None:
        """Take one more."""
        dated = [*self._dated.get(calibration.probe, ()), calibration]
        self._dated[calibration.probe] = sorted(dated, key=lambda one: one.time)  # stable: the newer comes after

    def stepped(self, since: int, step_seconds: int) -> Calibrations:
        """Return them with what begins at `since` or later moved by a step of the clock."""
        return Calibrations(replace(one, time=one.time + step_seconds * (one.time >= since)) for one in self.all())

    def of(self, probe: str) -> list[Calibration]:
        """Return all of a probe, the earliest start first."""
        return self._dated.get(probe, [])

    def all(self) -> list[Calibration]:
        """Return all, the earliest start of each probe first."""
        return [calibration for dated in self._dated.values() for calibration in dated]

    def at(self, probe: str, time: int) -> Calibration | None:
        """Return the one in force at a stored time."""
        dated = self._dated.get(probe)
        if not dated:
            return None
        index = bisect_right(dated, time, key=lambda one: one.time)
        return dated[index - 1] if index else None
