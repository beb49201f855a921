"""The night of every enclosure as a small drawing, all on one scale, so that they compare at a glance.

One shape a run of measured slices, from its lowest to its highest values; what was not measured is hatched; a dot is
now. The words beside a drawing say the same: it is left out of what is read aloud.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from dewkeeper.report.glimpse import Glimpse, thermal
from dewkeeper.report.model import NightRow
from dewkeeper.report.wording import Wording

WIDE, TALL = 120, 60
"""Size of a drawing in its own units, whole numbers of which keep it small."""
_Span = tuple[int, float, float]
"""From when on a slice is, its lowest and its highest value."""


@dataclass(frozen=True, slots=True)
class Common:
    """The one scale of all drawings of a quantity."""

    low: float
    high: float

    def y(self, value: float) -> int:
        """Return y of a value, held inside the drawing."""
        return round(min(max((self.high - value) / (self.high - self.low), 0.0), 1.0) * TALL)


@dataclass(frozen=True, slots=True)
class SmallCurves:
    """Every enclosure's drawing, and in words what they have in common."""

    drawn: Mapping[str, Markup]
    words: str


def small_curves(rows: Sequence[NightRow], night: Glimpse, wording: Wording) -> SmallCurves:
    """Return the drawings of these enclosures: humidity, or temperature where that is the trouble."""
    humid = [row for row in rows if not thermal(row)]
    warm = [row for row in rows if thermal(row)]
    humidity = common(
        [v for row in humid for v in (row.limits.tolerable_low, row.limits.tolerable_high, *_ends(row, warm=False))], 10
    )
    temperature = common(
        [v for row in warm for v in (row.limits.temperature_low, row.limits.temperature_high, *_ends(row, warm=True))],
        5,
    )
    drawn = {}
    for row in rows:
        is_warm = thermal(row)
        drawn[row.enclosure] = _draw(row, night, temperature if is_warm else humidity, warm=is_warm)
    said = []
    if humid:
        said.append(f"{humidity.low:.0f}–{humidity.high:.0f}{wording.space}%")
    if warm:
        said.append(f"{wording.set_temperatures(temperature.low, temperature.high)} where that is the trouble")
    words = f"Curves: {wording.clock(night.start)} to {wording.clock(night.end)}, {'; '.join(said)}; shaded: target; lines: limits; hatched: unwatched"
    words += "; tick: something was changed" if night.changes else ""
    return SmallCurves(drawn, words)


def _ends(row: NightRow, *, warm: bool) -> list[float]:
    if warm:
        marks = [row.temperature_min, row.temperature_max]
        now = [row.now.temperature_c] if row.now else []
    else:
        marks = [row.humidity_min, row.humidity_max]
        now = [row.now.humidity_percent] if row.now else []
    return [mark.value for mark in marks if mark is not None] + now


def common(values: Sequence[float], step: int) -> Common:
    """Return a scale of round ends that holds all values."""
    low, high = min(values, default=0), max(values, default=100)
    return Common(
        low // step * step, -(-high // step) * step if high > low // step * step else low // step * step + step
    )


def _draw(row: NightRow, night: Glimpse, scale: Common, *, warm: bool) -> Markup:
    limits = row.limits
    length = night.end - night.start

    def x(at: float) -> int:
        return round(min(max((at - night.start) / length, 0), 1) * WIDE)

    if warm:
        lines = (limits.temperature_low, limits.temperature_high)
        spans = [(s.at, s.temperature_low, s.temperature_high) for s in night.slices.get(row.enclosure, ())]
        band = ""
    else:
        lines = (limits.tolerable_low, limits.tolerable_high)
        spans = [
            (s.at, s.humidity_low, s.humidity_high)
            for s in night.slices.get(row.enclosure, ())
            if s.humidity_low is not None and s.humidity_high is not None
        ]
        top, bottom = scale.y(limits.target_high), scale.y(limits.target_low)
        band = f'<path class="target" d="M0 {top}H{WIDE}V{bottom}H0Z"/>'
    drawn = band + '<path class="limits" d="' + "".join(f"M0 {scale.y(line)}H{WIDE}" for line in lines) + '"/>'
    if missed := _missed([at for at, *_ in spans], night):
        holes = "".join(f"M{x(a)} 0H{x(b)}V{TALL}H{x(a)}Z" for a, b in missed)
        drawn += f'<path class="missed" fill="url(#hatch)" d="{holes}"/>'
    shapes = "".join(_shape(run, night, scale, x) for run in _runs(spans, night.seconds))
    if shapes:
        drawn += f'<path class="air" d="{shapes}"/>'
    if ticks := "".join(f"M{x(at)} {TALL - 14}V{TALL}" for at in night.changes.get(row.enclosure, ())):
        drawn += f'<path class="mark" d="{ticks}"/>'
    if row.now is not None and not row.now.stale:
        value = row.now.temperature_c if warm else row.now.humidity_percent
        drawn += f'<path class="dot" d="M{x(row.now.at)} {scale.y(value)}h0"/>'
    return Markup(drawn)  # noqa: S704  numbers only


def _missed(read: Collection[int], night: Glimpse) -> list[tuple[int, int]]:
    """Return the stretches in which whole slices are missing, from when there was something to watch."""
    size, there = night.seconds, set(read)
    missed: list[tuple[int, int]] = []
    for at in range(night.start, night.until, size):
        if at in there or at + size <= night.from_:
            continue
        if missed and missed[-1][1] == at:
            missed[-1] = (missed[-1][0], at + size)
        else:
            missed.append((at, at + size))
    return missed


def _runs(read: Sequence[_Span], size: int) -> list[list[_Span]]:
    runs: list[list[_Span]] = []
    for slice_ in read:
        if not runs or slice_[0] - runs[-1][-1][0] > size:
            runs.append([])
        runs[-1].append(slice_)
    return runs


def _shape(
    run: Sequence[_Span],
    night: Glimpse,
    scale: Common,
    x: Callable[[float], int],
) -> str:
    """Return one run as a closed path in steps from point to point, highest values forth and lowest back."""
    over, under = [], []
    for begun, low, high in run:
        at = x(begun + night.seconds / 2)
        over.append((at, scale.y(high)))
        under.append((at, scale.y(low)))
    if len(run) == 1:  # a point has no width
        (at, top), (_, bottom) = over[0], under[0]
        over, under = [(at - 2, top), (at + 2, top)], [(at - 2, bottom), (at + 2, bottom)]
    corners = over + under[::-1]
    path, (px, py) = f"M{corners[0][0]} {corners[0][1]}l", corners[0]
    steps = []
    for cx, cy in corners[1:]:
        steps.append(f"{cx - px} {cy - py}")
        px, py = cx, cy
    # A minus parts two numbers as well as a space does.
    return path + " ".join(steps).replace(" -", "-") + "Z"
