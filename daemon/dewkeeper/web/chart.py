"""Charts as SVG text. The drawing stretches with the page; its words do not.

The curve lies in an inner drawing that is stretched to the width; the words are placed in per cent of the outer one,
so they keep their size on a phone and on a desk. Colours come from the stylesheet, by class; every meaning has a
pattern, a place or a word besides.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from dewkeeper.report.enclosure import EnclosureReport, Gap, JournalMark, Stretch
from dewkeeper.report.history import Point
from dewkeeper.report.wording import Wording

WIDE = 1000
"""Width of the stretched drawing in its own units."""
TALL = 180
_TOP = 16
_FOOT = 22


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
    values = [v for p in report.points for v in (p.humidity_low, p.humidity_high)]
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
    values = [v for p in report.points for v in (p.temperature_low, p.temperature_high)]
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
    drawn = under + _gaps(scale, report.gaps, hatch) + _stretches(scale, report.stretches)
    drawn += "".join(_curve(scale, run, values) for run in _runs(report.points, report.gaps))
    drawn += _marks(scale, report.marks)
    words = "".join(
        f'<text class="limit" x="100%" dx="-4" y="{scale.y(value) - 3:.0f}">{escape(label)}</text>'
        for label, value in labels.items()
    )
    words += "".join(
        f'<text class="hour" x="{share * 100:.1f}%" y="{TALL + 15}">{escape(label)}</text>'
        for share, label in _ticks(report.start, report.end, wording)
    )
    span = f"{wording.stamp(report.start)} to {wording.stamp(report.end)}"
    description = f"{title}, {span}. The numbers follow as a table."
    return Markup(  # noqa: S704  every word in it was escaped above
        f'<svg class="chart" role="img" aria-label="{escape(description)}" width="100%" height="{TALL + _FOOT}">'
        f'<defs><pattern id="hatch-{hatch}" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="hatch" d="M0 0V8"/></pattern></defs>'
        f'<svg width="100%" height="{TALL}" viewBox="0 0 {WIDE} {TALL}" preserveAspectRatio="none">{drawn}</svg>'
        f"{words}</svg>"
    )


def _band(scale: Scale, low: float, high: float) -> str:
    top, bottom = scale.y(high), scale.y(low)
    return f'<path class="target" d="M0 {top}H{WIDE}V{bottom}H0Z"/>'


def _lines(scale: Scale, values: Sequence[float]) -> str:
    return "".join(f'<path class="tolerable" d="M0 {scale.y(v)}H{WIDE}"/>' for v in values)


def _gaps(scale: Scale, gaps: Sequence[Gap], hatch: str) -> str:
    return "".join(
        f'<path class="gap" fill="url(#hatch-{hatch})" d="M{scale.x(g.start)} {_TOP}H{scale.x(g.end)}V{TALL}H{scale.x(g.start)}Z"/>' for g in gaps
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
    """Draw mistings as wedges from above and other entries as ticks from below."""
    drawn = ""
    for mark in marks:
        x = scale.x(mark.at)
        if mark.misting:
            drawn += f'<path class="misting" d="M{x - 7:.1f} {_TOP}H{x + 7:.1f}L{x} {_TOP + 14}Z"/>'
        else:
            drawn += f'<path class="mark" d="M{x} {TALL}V{TALL - 14}"/>'
    return drawn


def _runs(points: Sequence[Point], gaps: Sequence[Gap]) -> list[list[Point]]:
    """Return points as runs that no gap interrupts: the curve is never drawn through missing time."""
    starts = {gap.end for gap in gaps}
    runs: list[list[Point]] = []
    for point in points:
        if not runs or point.at in starts:
            runs.append([])
        runs[-1].append(point)
    return runs


def _curve(scale: Scale, run: Sequence[Point], values: Callable[[Point], tuple[float, float, float]]) -> str:
    middles = [(scale.x(p.at + p.seconds / 2), *values(p)) for p in run]
    upper = " ".join(f"{x} {scale.y(high)}" for x, _, _, high in middles)
    lower = " ".join(f"{x} {scale.y(low)}" for x, low, _, _ in reversed(middles))
    mean = " ".join(f"{x} {scale.y(middle)}" for x, _, middle, _ in middles)
    if len(middles) == 1:
        x, low, _, high = middles[0]
        return f'<path class="curve" d="M{x - 2} {scale.y(low)}H{x + 2}M{x - 2} {scale.y(high)}H{x + 2}"/>'
    return f'<path class="spread" d="M{upper} L{lower}Z"/><path class="curve" d="M{mean}"/>'


def _ticks(start: int, end: int, wording: Wording) -> list[tuple[float, str]]:
    """Return (share of the width, words) of four moments, away from both edges."""
    short = end - start <= 2 * 86400
    shares = (0.1, 0.37, 0.63, 0.9)
    moments = [start + (end - start) * share for share in shares]
    if short:  # whole half hours read better than what a share of the night comes to
        moments = [round(m / 1800) * 1800 for m in moments]
    label = wording.clock if short else wording.day
    if end - start > 60 * 86400:
        label = lambda at: f"{wording.local(at):%b %Y}"  # noqa: E731
    return [((m - start) / (end - start), label(int(m))) for m in moments]
