"""A chart in the terminal: braille dots, two by four to a character, gaps left empty."""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.report.contract import Point, moist
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Limits

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bits of a braille character (Unicode U+2800 block): row from the top, then left and right column."""
_ROWS = 8


def plot(
    name: str, points: Sequence[Point], start: int, end: int, width: int, wording: Wording, limits: Limits | None = None
) -> list[str]:
    """Return lines that draw humidity above temperature over [start, end). width: characters of the drawing.

    limits: those in force now, named in the titles.
    """
    if not points:
        return [f"{name}: nothing believable was measured in this time"]
    degrees = wording.degrees
    humid, heat = f"{name}, humidity in %RH", f"{name}, temperature in {wording.unit}"
    if limits is not None:
        target, tolerable, warm = limits.humidity_target, limits.humidity_tolerable, limits.temperature_tolerable
        humid += f": target {target.low:g}–{target.high:g}, tolerable {tolerable.low:g}–{tolerable.high:g}"
        heat += f": tolerable {degrees(warm.low):g}–{degrees(warm.high):g}"
        if (best := limits.temperature_target) is not None:
            heat += f", target {degrees(best.low):g}–{degrees(best.high):g} (not judged)"
    axis = _time_axis(start, end, width, wording)
    read = [(p.at, p.seconds, p.humidity_low, p.humidity_high) for p in moist(points)]
    lines = _chart(humid, read, start, end, width) if read else [f"{humid}: not believed in this time"]
    read = [(p.at, p.seconds, degrees(p.temperature_low), degrees(p.temperature_high)) for p in points]
    lines += [axis, "", *_chart(heat, read, start, end, width)]
    return [*lines, axis]


def _chart(
    title: str,
    read: Sequence[tuple[int, int, float, float]],
    start: int,
    end: int,
    width: int,
) -> list[str]:
    """Draw slices: (from when on, seconds, lowest, highest)."""
    low, high = min(lowest for _, _, lowest, _ in read), max(highest for *_, highest in read)
    # A level line would divide by nought, and its noise would be drawn as mountains.
    if high - low < 1:
        low, high = low - 0.5, high + 0.5
    height = _ROWS * 4
    grid = [[0] * width for _ in range(_ROWS)]

    def column(at: int) -> int:
        return min(width * 2 - 1, max(0, (at - start) * width * 2 // max(1, end - start)))

    for at, seconds, *span in read:
        below, above = (round((value - low) / (high - low) * (height - 1)) for value in span)
        # A slice is drawn over all its columns, and one narrower than a column still gets its own.
        for across in range(column(at), max(column(at), column(at + seconds) - 1) + 1):
            for level in range(below, above + 1):
                row = height - 1 - level
                grid[row // 4][across // 2] |= _DOTS[row % 4][across % 2]
    labels = {0: f"{high:6.1f}", _ROWS - 1: f"{low:6.1f}"}
    drawn = ["".join(chr(0x2800 + bits) if bits else " " for bits in row).rstrip() for row in grid]
    return [title, *(f"{labels.get(i, ''):>6} │{line}" for i, line in enumerate(drawn))]


def _time_axis(start: int, end: int, width: int, wording: Wording) -> str:
    form = wording.clock if end - start <= 2 * 86400 else wording.day
    left, middle, right = form(start), form((start + end) // 2), form(end)
    gap = width - len(left) - len(middle) - len(right)
    half = max(1, gap // 2)
    return " " * 8 + left + " " * half + middle + " " * max(1, gap - half) + right
