"""The axes of a chart: round moments of the wall clock below, round numbers at the side, and room for words.

Heights are reckoned in pixels of a letter of 12 and written in em, so that a chart grows with its reader's letters; it is
as much wider then, and scrolls sideways in its own frame where the window is too narrow (WCAG 2.2, 1.4.4).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from markupsafe import escape

from dewkeeper.report.wording import Wording

WIDE: Final = 1000
"""Width of the stretched drawing in its own units."""
LETTER_PIXELS: Final = 7.3
"""So wide is a letter of a chart at most, on average (12 px; measured in Chromium with DejaVu Sans, a wide fount)."""
NARROW_PIXELS: Final = 290
"""So wide is a curve on a phone of 360 px: what fits there fits everywhere."""
LETTER_HIGH: Final = 12
"""Pixels of an em in a chart, where nobody asked for larger letters; the stylesheet says the same (`.chart`)."""
_MOST_NUMBERS: Final = 7
_STEPS: Final = (0.5, 1, 2, 5, 10, 20, 50)


@dataclass(frozen=True, slots=True)
class AxisScale:
    """Maps time to x and a value to y; `top` and `bottom` are y of the highest and the lowest value."""

    start: int
    end: int
    low: float
    high: float
    top: int
    bottom: int

    def x(self, at: float) -> float:
        """Return x of an instant, held inside the drawing."""
        return round(min(max((at - self.start) / max(1, self.end - self.start), 0.0), 1.0) * WIDE, 1)

    def y(self, value: float) -> float:
        """Return y of a value, held inside the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return round(self.top + (1 - min(max(share, 0.0), 1.0)) * (self.bottom - self.top), 1)


def em(pixels: float) -> str:
    """Return a height that grows with the letters."""
    return f"{pixels / LETTER_HIGH:.4g}em"


def framed(name: str, drawing: str, over: str = "") -> str:
    """Return a drawing in its frame. name: of the frame, for whoever is read to; over: what lies on the drawing, as wide as it."""
    return f'<div class="plot scroll" role="group" aria-label="{escape(name)}" tabindex="0"><div class="sheet">{drawing}{over}</div></div>'


def numbers(low: float, high: float) -> tuple[float, list[float]]:
    """Return a sensible step and the round numbers from `low` to `high` at that step, both ends held."""
    step = next((s for s in _STEPS if (high - low) / s <= _MOST_NUMBERS - 1), _STEPS[-1])
    first = low // step
    last = -(-high // step)
    return step, [n * step for n in range(int(first), int(last) + 1)]


def width_of(words: str) -> float:
    """Return how wide words are at most, in per cent of the curve's width on a phone."""
    return len(words) * LETTER_PIXELS / NARROW_PIXELS * 100


@dataclass(slots=True)
class Line:
    """A line of words that stay off each other on the narrowest screen. Places are in per cent of the curve's width."""

    _taken: list[tuple[float, float]] = field(default_factory=list)

    def place(self, at: float, words: str, anchor: str = "start") -> bool:
        """Take the room for these words at a place, or say that there is none."""
        width = width_of(words)
        left = {"start": at, "middle": at - width / 2, "end": at - width}[anchor]
        if left < -1 or left + width > 103:
            return False
        if any(left < right + 1.5 and begin < left + width + 1.5 for begin, right in self._taken):
            return False
        self._taken.append((left, left + width))
        return True


def moments(start: int, end: int, wording: Wording) -> list[tuple[int, str]]:
    """Return (instant, words) of round local moments, evenly apart and away from both edges."""
    length, edge = end - start, (end - start) // 16
    if length <= 2 * 86400:
        found, said = _every(start, end, timedelta(hours=3 if length <= 16 * 3600 else 6), wording), "%H:%M"
    elif length <= 8 * 86400:
        found, said = _every(start, end, timedelta(days=2), wording), "{day} %b"
    elif length <= 60 * 86400:
        found, said = _every(start, end, timedelta(days=7), wording), "{day} %b"
    else:
        found, said = _quarters(start, end, wording), "%b %Y"
    ticks = []
    for at in found:
        if start + edge <= at <= end - edge:
            local = wording.local(at)
            ticks.append((at, local.strftime(said).format(day=local.day)))
    return ticks


def spread(places: Sequence[tuple[float, str]], apart: float, low: float, high: float) -> list[tuple[float, str]]:
    """Return (y, words) moved as little as keeps them `apart` and between `low` and `high`, in order of y."""
    moved: list[tuple[float, str]] = []
    for y, words in sorted(places):
        moved.append((max(y, moved[-1][0] + apart) if moved else max(y, low), words))
    limit = high
    # Pushed down, the last may have left the drawing: from below they are pushed back.
    for n in range(len(moved) - 1, -1, -1):
        moved[n] = (min(moved[n][0], limit), moved[n][1])
        limit = moved[n][0] - apart
    return moved


def _every(start: int, end: int, step: timedelta, wording: Wording) -> Iterator[int]:
    # Steps of the wall clock, from midnight on: hours stay round behind a change of the clock.
    wall = wording.local(start).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    while (at := _instant(wall, wording)) < end:
        yield at
        wall += step


def _quarters(start: int, end: int, wording: Wording) -> Iterator[int]:
    year = wording.local(start).year
    for month in range(24):
        at = _instant(datetime(year + month // 12, month % 12 + 1, 1), wording)  # noqa: DTZ001  made aware there
        if month % 3 == 0 and start <= at < end:
            yield at


def _instant(wall: datetime, wording: Wording) -> int:
    return int(wall.replace(tzinfo=wording.zone).timestamp())
