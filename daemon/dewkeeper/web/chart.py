"""Charts as SVG text. The drawing stretches with the page; its words do not.

The curve lies in an inner drawing that is stretched to the width; the words are placed in per cent of the outer one,
so they keep their size on a phone and on a desk. Colours come from the stylesheet, by class; every meaning has a
pattern, a place or a word besides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup, escape

from dewkeeper.report.enclosure import EnclosureReport, Gap, JournalMark, Stretch
from dewkeeper.report.history import Point, Trace
from dewkeeper.report.wording import Wording

WIDE = 1000
"""Width of the stretched drawing in its own units."""
TALL = 180
_TOP = 16
_FOOT = 22
_WORD = 13
"""Height of a word with a little air."""
_PATTERNS = 3
"""Line patterns the stylesheet knows for judged probes, and as many for those beside them."""
_DRAWN = 87
"""Per cent of the width that the curve has; the limits' words stand beside it."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps time to x and a value to y."""

    start: int
    end: int
    low: float
    high: float

    def x(self, at: float) -> float:
        """Return x of an instant, held inside the drawing."""
        return round(min(max((at - self.start) / max(1, self.end - self.start), 0.0), 1.0) * WIDE, 1)

    def y(self, value: float) -> float:
        """Return y of a value, held inside the drawing."""
        share = (value - self.low) / (self.high - self.low)
        return round(_TOP + (1 - min(max(share, 0.0), 1.0)) * (TALL - _TOP), 1)


def humidity_chart(report: EnclosureReport, wording: Wording) -> Markup:
    """Return the humidity curve with its bands, gaps, excursions and journal marks."""
    limits = report.limits
    values = [v for t in report.traces for p in t.points for v in (p.humidity_low, p.humidity_high)]
    low = min([*values, limits.tolerable_low]) - 3
    high = max([*values, limits.tolerable_high]) + 3
    scale = Scale(report.start, report.end, max(0, low), min(100, high))
    band = _band(scale, limits.target_low, limits.target_high)
    lines = _lines(scale, (limits.tolerable_low, limits.tolerable_high))
    shown = (limits.tolerable_low, limits.target_low, limits.target_high, limits.tolerable_high)
    marks = {f"{v:.0f}": v for v in shown}
    return _draw(
        report,
        scale,
        band + lines,
        lambda p: (p.humidity_low, p.humidity_percent, p.humidity_high),
        {f"{label} %": value for label, value in marks.items()},
        f"Humidity of {report.enclosure}",
        wording,
    )


def temperature_chart(report: EnclosureReport, wording: Wording) -> Markup:
    """Return the temperature curve with its tolerable limits."""
    limits = report.limits
    values = [v for t in report.traces for p in t.points for v in (p.temperature_low, p.temperature_high)]
    low = min([*values, limits.temperature_low]) - 1
    high = max([*values, limits.temperature_high]) + 1
    scale = Scale(report.start, report.end, low, high)
    shown = (limits.temperature_low, limits.temperature_high)
    return _draw(
        report,
        scale,
        _lines(scale, shown),
        lambda p: (p.temperature_low, p.temperature_c, p.temperature_high),
        {f"{wording.degrees(v):.0f} {wording.unit}": v for v in shown},
        f"Temperature of {report.enclosure}",
        wording,
    )


def _draw(
    report: EnclosureReport,
    scale: Scale,
    under: str,
    values: Callable[[Point], tuple[float, float, float]],
    labels: dict[str, float],
    title: str,
    wording: Wording,
) -> Markup:
    hatch = title.split()[0].lower()  # an id must be unique on the page
    ticks = _ticks(report.start, report.end, wording)
    drawn = under + "".join(f'<path class="grid" d="M{scale.x(at)} {_TOP}V{TALL}"/>' for at, _ in ticks)
    drawn += _gaps(scale, report.gaps, hatch) + _stretches(scale, report.stretches)
    for trace, look in reversed(looks(report.traces)):  # what is judged lies on top
        for run in _runs(trace.points, report.pause_seconds):
            drawn += _curve(scale, run, values, look, shaded=trace.judged)
    words = _marks(scale, report.marks)
    words += "".join(
        f'<text class="limit" x="{_DRAWN}%" dx="4" y="{scale.y(value) + 4:.0f}">{escape(label)}</text>'
        for label, value in _apart(labels, scale).items()
    )
    words += "".join(
        f'<text class="hour" x="{scale.x(at) / WIDE * _DRAWN:.1f}%" y="{TALL + 15}">{escape(label)}</text>'
        for at, label in ticks
    )
    span = f"{wording.stamp(report.start)} to {wording.stamp(report.end)}"
    description = f"{title}, {span}. The numbers follow as a table."
    return Markup(  # noqa: S704  every word in it was escaped above
        f'<svg class="chart" role="img" aria-label="{escape(description)}" width="100%" height="{TALL + _FOOT}">'
        f'<defs><pattern id="hatch-{hatch}" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="hatch" d="M0 0V8"/></pattern></defs>'
        f'<svg width="{_DRAWN}%" height="{TALL}" viewBox="0 0 {WIDE} {TALL}" preserveAspectRatio="none">{drawn}</svg>'
        f"{words}</svg>"
    )


def _apart(labels: dict[str, float], scale: Scale) -> dict[str, float]:
    """Return the labels that can be read: of two that would touch, the outer one, which is the more serious limit."""
    kept: dict[str, float] = {}
    middle = len(labels) / 2 - 0.5
    for _, label in sorted((-abs(place - middle), label) for place, label in enumerate(labels)):
        if all(abs(scale.y(labels[label]) - scale.y(other)) >= _WORD for other in kept.values()):
            kept[label] = labels[label]
    return kept


def _band(scale: Scale, low: float, high: float) -> str:
    top, bottom = scale.y(high), scale.y(low)
    return f'<path class="target" d="M0 {top}H{WIDE}V{bottom}H0Z"/>'


def _lines(scale: Scale, values: Sequence[float]) -> str:
    return "".join(f'<path class="tolerable" d="M0 {scale.y(v)}H{WIDE}"/>' for v in values)


def _gaps(scale: Scale, gaps: Sequence[Gap], hatch: str) -> str:
    return "".join(
        f'<path class="gap" fill="url(#hatch-{hatch})" d="M{scale.x(g.start)} {_TOP}H{scale.x(g.end)}V{TALL}H{scale.x(g.start)}Z"/>'
        for g in gaps
    )


def _stretches(scale: Scale, stretches: Sequence[Stretch]) -> str:
    """Draw each stretch as a bar along the upper edge: solid for an excursion, hollow for a fault."""
    drawn = ""
    for stretch in stretches:
        left, right = scale.x(stretch.start), scale.x(stretch.end if stretch.end is not None else scale.end)
        kind = "fault" if stretch.fault else "excursion"
        drawn += f'<path class="{kind}" d="M{left} 2H{max(right, left + 3)}V9H{left}Z"/>'
    return drawn


def _marks(scale: Scale, marks: Sequence[JournalMark]) -> str:
    """Draw mistings as wedges from above and other entries as ticks from below, not stretched with the curve."""
    drawn = ""
    for mark in marks:
        x = round(scale.x(mark.at) / WIDE * _DRAWN, 2)
        shape, top = (
            ('class="misting" d="M-6 0H6L0 12Z"', _TOP) if mark.misting else ('class="mark" d="M0 0V14"', TALL - 14)
        )
        drawn += f'<svg x="{x}%" y="{top}" width="1" height="1" overflow="visible"><path {shape}/></svg>'
    return drawn


def looks(traces: Sequence[Trace]) -> list[tuple[Trace, str]]:
    """Return each trace with the class of its line: every one has a pattern of its own, told in words beside the chart."""
    found, seen = [], {True: 0, False: 0}
    for trace in traces:
        seen[trace.judged] += 1
        kind = "judged" if trace.judged else "beside"
        found.append((trace, f"{kind}{(seen[trace.judged] - 1) % _PATTERNS + 1}"))
    return found


def _runs(points: Sequence[Point], pause_seconds: int) -> list[list[Point]]:
    """Return points as runs that no gap interrupts: the curve is never drawn through missing time."""
    runs: list[list[Point]] = []
    covered = 0
    for point in points:
        if not runs or point.at - covered > pause_seconds:
            runs.append([])
        runs[-1].append(point)
        covered = point.at + point.seconds
    return runs


def _curve(
    scale: Scale,
    run: Sequence[Point],
    values: Callable[[Point], tuple[float, float, float]],
    look: str,
    *,
    shaded: bool,
) -> str:
    middles = [(scale.x(p.at + p.seconds / 2), *values(p)) for p in run]
    if len(middles) == 1:
        x, low, _, high = middles[0]
        return f'<path class="curve" d="M{x - 2} {scale.y(low)}H{x + 2}M{x - 2} {scale.y(high)}H{x + 2}"/>'
    mean = " ".join(f"{x} {scale.y(middle)}" for x, _, middle, _ in middles)
    line = f'<path class="curve {look}" d="M{mean}"/>'
    if not shaded:
        return line
    upper = " ".join(f"{x} {scale.y(high)}" for x, _, _, high in middles)
    lower = " ".join(f"{x} {scale.y(low)}" for x, low, _, _ in reversed(middles))
    return f'<path class="spread" d="M{upper} L{lower}Z"/>{line}'


def _ticks(start: int, end: int, wording: Wording) -> list[tuple[int, str]]:
    """Return (instant, words) of round local moments, evenly apart and away from both edges."""
    length, edge = end - start, (end - start) // 16
    if length <= 2 * 86400:
        moments, said = _every(start, end, timedelta(hours=3 if length <= 16 * 3600 else 6), wording), "%H:%M"
    elif length <= 8 * 86400:
        moments, said = _every(start, end, timedelta(days=2), wording), "%a {day}"
    elif length <= 60 * 86400:
        moments, said = _every(start, end, timedelta(days=7), wording), "{day} %b"
    else:
        moments, said = _quarters(start, end, wording), "%b %Y"
    found = []
    for at in moments:
        if start + edge <= at <= end - edge:
            local = wording.local(at)
            found.append((at, local.strftime(said).format(day=local.day)))
    return found


def _every(start: int, end: int, step: timedelta, wording: Wording) -> Iterator[int]:
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
