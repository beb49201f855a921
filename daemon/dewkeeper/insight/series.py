"""Readings of one place on a regular grid of five minutes, and hours made of it.

Only readings that count come in here (see `dewkeeper.judge`): a bad one leaves its five minutes empty.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dewkeeper.air import vapour_hpa

Numbers = NDArray[np.float64]
Flags = NDArray[np.bool_]

GRID_SECONDS: Final = 300
HOUR_SECONDS: Final = 3600
DAY_SECONDS: Final = 86400
_PER_HOUR: Final = HOUR_SECONDS // GRID_SECONDS
_NEEDED_SHARE: Final = 0.5
"""An hour counts when half of its five minutes were read; a day likewise. Common practice for such means, no source."""


def saturation(temperature_c: Numbers) -> Numbers:
    """Return saturation vapour pressure over water, hPa, for -40 to 125 °C (Buck 1996, as `dewkeeper.air`)."""
    pressure: Numbers = 6.1121 * np.exp((18.678 - temperature_c / 234.5) * (temperature_c / (257.14 + temperature_c)))
    return pressure


@dataclass(slots=True)
class Gathering:
    """Takes readings of one place in order of time, and keeps sums of five minutes: 12 bytes for each."""

    first: int | None = None
    _slot: int = 0
    _sums: tuple[int, float, float] = (0, 0.0, 0.0)
    _temperature: array[float] = field(default_factory=lambda: array("f"))
    _vapour: array[float] = field(default_factory=lambda: array("f"))

    def add(self, at: int, temperature_c: float, humidity_percent: float) -> None:
        """Take a reading that counts. `at` in UTC seconds, never before the last one's five minutes."""
        slot = at // GRID_SECONDS
        if self.first is None:
            self.first = self._slot = slot
        if slot != self._slot:
            self._close(slot)
        count, warm, moist = self._sums
        self._sums = (count + 1, warm + temperature_c, moist + vapour_hpa(temperature_c, humidity_percent))

    def series(self, since: int | None = None) -> Series:
        """Return what was gathered so far, or since a time; nothing of the five minutes it ends with may follow."""
        if self.first is None:
            return Series(0, np.empty(0), np.empty(0))
        self._close(self._slot + 1)
        skipped = 0 if since is None else max(0, -(-since // GRID_SECONDS) - self.first)
        return Series(
            (self.first + skipped) * GRID_SECONDS,
            np.array(self._temperature[skipped:], dtype=np.float64),
            np.array(self._vapour[skipped:], dtype=np.float64),
        )

    def _close(self, slot: int) -> None:
        count, warm, moist = self._sums
        self._temperature.append(warm / count if count else float("nan"))
        self._vapour.append(moist / count if count else float("nan"))
        empty = slot - self._slot - 1
        if empty == 1 and count:  # polls of up to ten minutes: what was read holds until the next one
            self._temperature.append(self._temperature[-1])
            self._vapour.append(self._vapour[-1])
            empty = 0
        for _ in range(empty):
            self._temperature.append(float("nan"))
            self._vapour.append(float("nan"))
        self._slot, self._sums = slot, (0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Series:
    """Five-minute means of one place. `start`: UTC seconds of the first five minutes; NaN where nothing counted."""

    start: int
    temperature_c: Numbers
    vapour_hpa: Numbers

    @property
    def end(self) -> int:
        """Return the UTC seconds after the last five minutes."""
        return self.start + GRID_SECONDS * len(self.temperature_c)

    def until(self, at: int) -> Series:
        """Return the part that was known at a time."""
        keep = max(0, (at - self.start) // GRID_SECONDS)
        return Series(self.start, self.temperature_c[:keep], self.vapour_hpa[:keep])

    def since(self, at: int) -> Series:
        """Return the part that begins at a time."""
        first = max(0, -(-(at - self.start) // GRID_SECONDS))
        return Series(self.start + first * GRID_SECONDS, self.temperature_c[first:], self.vapour_hpa[first:])

    def without(self, spans: Sequence[tuple[int, int]]) -> Series:
        """Return the series with what lies between these times taken out."""
        if not spans:
            return self
        warm, moist = self.temperature_c.copy(), self.vapour_hpa.copy()
        for begin, end in spans:
            first, last = (max(0, (at - self.start) // GRID_SECONDS) for at in (begin, end + GRID_SECONDS))
            warm[first:last] = moist[first:last] = np.nan
        return Series(self.start, warm, moist)

    def mean(self, begin: int, end: int) -> tuple[float, float] | None:
        """Return mean temperature, °C, and vapour pressure, hPa, between two times; None where less than half was read."""
        first, last = (max(0, (at - self.start) // GRID_SECONDS) for at in (begin, end))
        warm, moist = self.temperature_c[first:last], self.vapour_hpa[first:last]
        good = ~np.isnan(warm)
        if good.sum() < max(1, _NEEDED_SHARE * (end - begin) / GRID_SECONDS):
            return None
        return float(warm[good].mean()), float(moist[good].mean())

    def hours(self, end: int, count: int) -> tuple[Numbers, Numbers]:
        """Return hourly means (°C, hPa) of the `count` hours that end at `end`; NaN where an hour was not read."""
        return self._means(end, count, _PER_HOUR)

    def days(self, end: int, count: int) -> tuple[Numbers, Numbers]:
        """Return daily means (°C, hPa) of the `count` days that end at `end`."""
        return self._means(end, count, _PER_HOUR * 24)

    def _means(self, end: int, count: int, slots: int) -> tuple[Numbers, Numbers]:
        last = (end - self.start) // GRID_SECONDS
        first = last - count * slots
        return tuple(_blocks(values, first, count, slots) for values in (self.temperature_c, self.vapour_hpa))  # type: ignore[return-value]


def _blocks(values: Numbers, first: int, count: int, slots: int) -> Numbers:
    """Return means of `count` blocks of `slots` values from index `first`, which may lie outside."""
    whole = np.full(count * slots, np.nan)
    low, high = max(0, first), min(len(values), first + count * slots)
    if low < high:
        whole[low - first : high - first] = values[low:high]
    blocks = whole.reshape(count, slots)
    good = ~np.isnan(blocks)
    number = good.sum(axis=1)
    sums = np.where(good, blocks, 0.0).sum(axis=1)
    means: Numbers = np.where(number >= _NEEDED_SHARE * slots, sums / np.maximum(number, 1), np.nan)
    return means
