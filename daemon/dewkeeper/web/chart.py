"""Charts as SVG text. The drawing stretches with the page; its words do not.

The curve lies in an inner drawing that is stretched to the width; the words are placed in per cent of the outer one,
so they keep their size on a phone and on a desk. Colours come from the stylesheet, by class; every meaning has a
pattern, a place or a word besides. Over a chart lie columns to tap, each a link to the line that says its values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, cast

from markupsafe import Markup, escape

from dewkeeper.air import vapour_hpa
from dewkeeper.report.contract import Point, Trace, joined, together
from dewkeeper.report.enclosure import EnclosureReport, JournalMark
from dewkeeper.report.gaps import Stretch
from dewkeeper.report.model import Gap
from dewkeeper.report.order import THERMAL
from dewkeeper.report.wording import Wording
from dewkeeper.web.axis import LETTER_HIGH, WIDE, AxisScale, Line, em, framed, moments, numbers, spread, width_of

TALL: Final = 190
"""Height of the curve's part: a lane for alarms and one for faults where there are any, and the curve."""
_EDGE, _LANE = 18, 19
"""Height above the curve for the unit alone, and of a lane for bars with their words."""
_WORD: Final = 13
"""Height of a word with a little air."""
_PATTERNS: Final = 3
"""Line patterns the stylesheet knows for judged probes, and as many for those beside them."""
LEFT, DRAWN = 11, 87
"""Per cent of the width left of the curve, for the numbers, and that the curve has."""
COLUMNS: Final = 24
"""Columns to tap: as wide as a finger can tell apart on a phone."""
_LONGEST_NAME: Final = 15
_JOURNAL_LINES: Final = 2

Values = tuple[float, float, float]
"""Lowest, mean and highest of a point."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """A forecast to the right of now: (UTC second, lowest, middle, highest) in %RH or °C, ascending, and its words."""

    points: Sequence[tuple[int, float, float, float]]
    words: str


@dataclass(frozen=True, slots=True)
class _Quantity:
    """What a chart is of. read: what it takes of a point, None for nothing; gaps: when that was of none. limits: names by value; band: the target, and its name. shown: which stretches belong to it."""

    key: str
    title: str
    unit: str
    read: Callable[[Point], Values | None]
    gaps: Sequence[Gap]
    display: Callable[[float], float]
    say: Callable[[float], str]
    shown: Callable[[Stretch], bool]
    limits: Mapping[float, str] = field(default_factory=dict)
    band: tuple[float, float, str] | None = None
    margin: float = 1.0
    shaded: bool = True

    def values(self, point: Point) -> Values:
        """Return what is drawn of a point that has it; the others were left out."""
        return cast("Values", self.read(point))

    def of(self, traces: Sequence[Trace]) -> list[Trace]:
        """Return the traces without the points that have nothing of this."""
        return [replace(t, points=tuple(p for p in t.points if self.read(p) is not None)) for t in traces]


def humidity_chart(
    report: EnclosureReport, wording: Wording, outlook: Outlook | None = None, *, now: int = 0
) -> Markup:
    """Return the humidity curve with its bands, gaps, alarms, journal marks and, if given, what is forecast.

    now: UTC second of the visit; it is marked where it lies inside the chart.
    """
    limits = report.limits
    quantity = _Quantity(
        "humidity",
        "Humidity",
        "%",
        _humidity,
        report.gaps,
        lambda value: value,
        wording.humidity,
        lambda stretch: stretch.kind not in THERMAL,
        {limits.tolerable_low: f"tolerable from {limits.tolerable_low:.0f} %", limits.tolerable_high: f"tolerable to {limits.tolerable_high:.0f} %"},
        (limits.target_low, limits.target_high, f"target {limits.target_low:.0f}–{limits.target_high:.0f} %"),
        margin=3,
    )  # fmt: skip
    return _draw(report, quantity, report.traces, wording, outlook, now)


def temperature_chart(report: EnclosureReport, wording: Wording, *, now: int = 0) -> Markup:
    """Return the temperature curve with its tolerable limits; the rest as `humidity_chart`."""
    low, high = report.limits.temperature_low, report.limits.temperature_high
    quantity = _Quantity(
        "temperature",
        "Temperature",
        wording.unit,
        lambda p: (p.temperature_low, p.temperature_c, p.temperature_high),
        report.temperature_gaps,
        wording.degrees,
        wording.temperature,
        lambda stretch: stretch.kind in THERMAL,
        {low: f"tolerable from {wording.set_degrees(low)} {wording.unit}", high: f"tolerable to {wording.set_degrees(high)} {wording.unit}"},
    )  # fmt: skip
    return _draw(report, quantity, report.traces, wording, None, now)


def _humidity(point: Point) -> Values | None:
    if point.humidity_low is None or point.humidity_percent is None or point.humidity_high is None:
        return None
    return point.humidity_low, point.humidity_percent, point.humidity_high


def vapour_chart(report: EnclosureReport, room: Sequence[Trace], wording: Wording, *, now: int = 0) -> Markup:
    """Return the vapour pressure of the enclosure's probes and of its room's, hPa, from the means of each slice."""

    def vapour(point: Point) -> Values | None:
        if point.humidity_percent is None:
            return None
        value = vapour_hpa(point.temperature_c, point.humidity_percent)
        return value, value, value

    quantity = _Quantity(
        "vapour", "Vapour pressure", "hPa", vapour, report.gaps, lambda value: value,
        lambda value: f"{value:.1f}{wording.space}hPa", lambda _: False, shaded=False,
    )  # fmt: skip
    return _draw(report, quantity, (*report.traces, *room), wording, None, now)


def _draw(
    report: EnclosureReport,
    of: _Quantity,
    traces: Sequence[Trace],
    wording: Wording,
    outlook: Outlook | None,
    now: int,
) -> Markup:
    traces = of.of(traces)
    scale, marked = _scale(report, of, traces, outlook)
    hours = moments(scale.start, scale.end, wording)
    drawn = _under(scale, of, marked, hours) + _gaps(scale, of.gaps, of.key)
    bars = _bars(report, of)
    drawn += _stretches(scale, bars)
    if outlook is not None and outlook.points:
        drawn += _outlook(scale, outlook)
    shown = looks(traces)
    for trace, look in reversed(shown):  # what is judged lies on top
        for run in _runs(trace.points, report.pause_seconds):
            drawn += _curve(scale, run, of.values, look, shaded=trace.judged and of.shaded)
    foot = Line()
    words = _now(scale, now, foot)
    if words:
        drawn += f'<path class="now" d="M{scale.x(now)} {scale.top - 4}V{TALL}"/>'
    words += _hours(scale, hours, foot) + _side(scale, of, marked) + _names(scale, of, traces, gaps=bool(of.gaps))
    words += _alarm_words(scale, bars)
    words += _gap_words(scale, of.gaps) + _trace_words(scale, of, shown)
    journal, lines = _marks(scale, report.marks)
    if outlook is not None and outlook.points:
        words += words_at("outlook-word", scale.x(outlook.points[0][0]) / 10, scale.top + 10, outlook.words)
    span = f"{wording.stamp(report.start)} to {wording.stamp(report.end)}"
    description = f"{of.title} of {report.enclosure}, {span}. The numbers follow as a table."
    tall = TALL + 22 + lines * 15
    picks, told = _picks(scale, of, traces, wording)
    chart = (
        f'<svg class="chart" role="img" aria-label="{escape(description)}" width="100%" height="{em(tall)}">{hatching(of.key)}'
        f'<svg x="{LEFT}%" width="{DRAWN}%" height="{em(TALL)}" viewBox="0 0 {WIDE} {TALL}" preserveAspectRatio="none">{drawn}</svg>'
        f"{words}{journal}</svg>"
    )
    frame = framed(f"{of.title} of {report.enclosure}, chart", chart, picks)
    return Markup(frame + told)  # noqa: S704  every word in it was escaped above


def hatching(key: str) -> str:
    """Return what `fill="url(#hatch-KEY)"` fills with: what was not measured."""
    return (
        f'<defs><pattern id="hatch-{key}" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<path class="hatch" d="M0 0V8"/></pattern></defs>'
    )


def _scale(
    report: EnclosureReport, of: _Quantity, traces: Sequence[Trace], outlook: Outlook | None
) -> tuple[AxisScale, list[tuple[float, str]]]:
    """Return the scale, and the numbers at its side as (value, words)."""
    held = [v for t in traces for p in t.points for v in (of.values(p)[0], of.values(p)[2])]
    held += [*of.limits, *(of.band[:2] if of.band else ())]
    end = report.end
    if outlook is not None and outlook.points:
        held += [v for _, low, _, high in outlook.points for v in (low, high)]
        end = max(end, outlook.points[-1][0])
    low, high = min(held, default=0.0) - of.margin, max(held, default=1.0) + of.margin
    if of.key == "humidity":
        low, high = max(0.0, low), min(100.0, high)
    shown_low, shown_high = of.display(low), of.display(high)
    step, round_ones = numbers(shown_low, shown_high)
    inside = [n for n in round_ones if shown_low <= n <= shown_high]
    scale = AxisScale(report.start, end, low, high, _EDGE + len(_lanes(_bars(report, of))) * _LANE, TALL)
    share = (high - low) / (shown_high - shown_low)
    said = [f"{n:g}" if step >= 1 else f"{n:.1f}" for n in inside]
    # Round in the unit that is shown, placed by the unit that is stored.
    return scale, [(low + (n - shown_low) * share, text) for n, text in zip(inside, said, strict=True)]


def _bars(report: EnclosureReport, of: _Quantity) -> list[Stretch]:
    return [stretch for stretch in report.stretches if of.shown(stretch)]


def _lanes(bars: Sequence[Stretch]) -> dict[bool, int]:
    """Return where the bars of alarms (False) and of faults (True) begin, from above; a lane nobody needs is left out."""
    return {fault: n * _LANE for n, fault in enumerate(sorted({bar.fault for bar in bars}))}


def _under(
    scale: AxisScale, of: _Quantity, marked: Sequence[tuple[float, str]], hours: Sequence[tuple[int, str]]
) -> str:
    drawn = ""
    if of.band is not None:
        top, bottom = scale.y(of.band[1]), scale.y(of.band[0])
        drawn = f'<path class="target" d="M0 {top}H{WIDE}V{bottom}H0Z"/>'
    drawn += "".join(f'<path class="grid" d="M0 {scale.y(value)}H{WIDE}"/>' for value, _ in marked)
    drawn += "".join(f'<path class="grid" d="M{scale.x(at)} {scale.top}V{TALL}"/>' for at, _ in hours)
    return drawn + "".join(f'<path class="tolerable" d="M0 {scale.y(value)}H{WIDE}"/>' for value in of.limits)


def words_at(kind: str, place: float, y: float, words: str, anchor: str = "start") -> str:
    """Return words at a place in per cent of the curve's width."""
    x = LEFT + place * DRAWN / 100
    held = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text class="{kind}" x="{x:.1f}%" y="{em(y)}"{held}>{escape(words)}</text>'


def number_at(left: float, y: float, words: str) -> str:
    """Return a number at the side. left: per cent of the width that lie left of the curve."""
    return f'<text class="number" x="{left}%" dx="{em(-5)}" y="{em(y)}" text-anchor="end">{escape(words)}</text>'


def _now(scale: AxisScale, now: int, line: Line) -> str:
    """Return the word under now, where it lies inside the chart and not at its very end."""
    if not scale.start < now < scale.end - (scale.end - scale.start) / 50:
        return ""
    line.place(scale.x(now) / 10, "now", "middle")
    return words_at("hour", scale.x(now) / 10, TALL + 15, "now", "middle")


def _hours(scale: AxisScale, hours: Sequence[tuple[int, str]], line: Line) -> str:
    places = [(scale.x(at) / 10, words) for at, words in hours]
    return "".join(
        words_at("hour", place, TALL + 15, words, "middle")
        for place, words in places
        if line.place(place, words, "middle")
    )


def _side(scale: AxisScale, of: _Quantity, marked: Sequence[tuple[float, str]]) -> str:
    """Write the unit above the numbers: beside one of them it would not fit on a phone."""
    places = [(scale.top - 8.0, of.unit), *((scale.y(value) + 4, words) for value, words in marked)]
    return "".join(number_at(LEFT, y, words) for y, words in places)


def _names(scale: AxisScale, of: _Quantity, traces: Sequence[Trace], *, gaps: bool) -> str:
    """Name the limits where they lie, above their lines; the target inside its band; above the names of gaps, if any.

    In its band it keeps to the edge that the curve, where it begins, is further from.
    """
    places = [(scale.y(value) - 3, words) for value, words in of.limits.items()]
    if of.band is not None:
        low, high, name = of.band
        first = next((of.values(t.points[0])[1] for t in traces if t.judged and t.points), low)
        places.append((scale.y(low) - 4 if first > (low + high) / 2 else scale.y(high) + 12, name))
    return "".join(
        words_at("limit", 1, y, words)
        for y, words in spread(places, _WORD, scale.top + 3, TALL - (6 + _WORD if gaps else 3))
    )


def _alarm_words(scale: AxisScale, stretches: Sequence[Stretch]) -> str:
    lines, lanes = {True: Line(), False: Line()}, _lanes(stretches)
    said = ""
    for stretch in stretches:
        place = max(0.0, scale.x(stretch.start) / 10)
        # Further right words would leave the drawing: they end there instead of beginning.
        anchor = "start" if place < 60 else "end"
        place = place if place < 60 else min(100.0, scale.x(stretch.end if stretch.end is not None else scale.end) / 10)
        if lines[stretch.fault].place(place, stretch.text, anchor):
            said += words_at("alarm-word", place, lanes[stretch.fault] + 15, stretch.text, anchor)
    return said


def _gap_words(scale: AxisScale, gaps: Sequence[Gap]) -> str:
    """Name each gap: its reason where it is wide enough, else that nobody watched, as far as that keeps off other words."""
    line, said = Line(), ""
    for gap in gaps:
        left, right = scale.x(gap.start) / 10, scale.x(gap.end) / 10
        for words in (f"unwatched: {gap.reason}", "unwatched"):
            half = width_of(words) / 2
            middle = min(max((left + right) / 2, half), 100 - half)
            fits = words == "unwatched" or (gap.reason and 2 * half <= right - left)
            if fits and line.place(middle, words, "middle"):
                said += words_at("gap-word", middle, TALL - 6, words, "middle")
                break
    return said


def _trace_words(scale: AxisScale, of: _Quantity, shown: Sequence[tuple[Trace, str]]) -> str:
    """Name each of several curves at its end; a chart of one needs no name."""
    places = [
        (scale.y(of.values(trace.points[-1])[1]) - 4, _short("room" if trace.role == "room" else trace.probe))
        for trace, _ in shown
        if trace.points
    ]
    if len(places) < 2:
        return ""
    return "".join(
        words_at("trace", 99, y, words, "end") for y, words in spread(places, _WORD, scale.top + 9, TALL - 20)
    )


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _gaps(scale: AxisScale, gaps: Sequence[Gap], hatch: str) -> str:
    return "".join(
        f'<path class="gap" fill="url(#hatch-{hatch})" d="M{scale.x(g.start)} {scale.top}H{scale.x(g.end)}V{TALL}H{scale.x(g.start)}Z"/>'
        for g in gaps
    )


def _stretches(scale: AxisScale, stretches: Sequence[Stretch]) -> str:
    """Draw each stretch as a bar above the curve: solid for an excursion, hollow and lower for a fault."""
    drawn, lanes = "", _lanes(stretches)
    for stretch in stretches:
        left, right = scale.x(stretch.start), scale.x(stretch.end if stretch.end is not None else scale.end)
        kind, top = "fault" if stretch.fault else "excursion", lanes[stretch.fault]
        # Three units at least: an alarm of minutes in a chart of months is still seen.
        drawn += f'<path class="{kind}" d="M{left} {top}H{max(right, left + 3)}V{top + 4}H{left}Z"/>'
    return drawn


def _outlook(scale: AxisScale, outlook: Outlook) -> str:
    upper = " ".join(f"{scale.x(at)} {scale.y(high)}" for at, _, _, high in outlook.points)
    lower = " ".join(f"{scale.x(at)} {scale.y(low)}" for at, low, _, _ in reversed(outlook.points))
    middle = " ".join(f"{scale.x(at)} {scale.y(value)}" for at, _, value, _ in outlook.points)
    return f'<path class="outlook" d="M{upper} L{lower}Z"/><path class="outlook-line" d="M{middle}"/>'


def _marks(scale: AxisScale, marks: Sequence[JournalMark]) -> tuple[str, int]:
    """Draw mistings as wedges from above and other entries as ticks from below, with their words where there is room.

    Returns the drawing and how many lines of words it needs below the hours. All of them are told beside the chart too.
    """
    drawn, lines, used = "", [Line() for _ in range(_JOURNAL_LINES)], 0
    for mark in marks:
        place = scale.x(mark.at) / 10
        shape, top = (
            ('class="misting" d="M-6 0H6L0 12Z"', scale.top)
            if mark.misting
            else ('class="mark" d="M0 0V14"', TALL - 14)
        )
        x = LEFT + place * DRAWN / 100
        box = f'width="1em" height="1em" viewBox="0 0 {LETTER_HIGH} {LETTER_HIGH}" overflow="visible"'
        drawn += f'<svg x="{x:.2f}%" y="{em(top)}" {box}><path {shape}/></svg>'
        words, anchor = mark.text if len(mark.text) <= 22 else mark.text[:21] + "…", "start" if place < 55 else "end"
        for number, line in enumerate(lines):
            if line.place(place, words, anchor):
                drawn += words_at("journal-word", place, TALL + 31 + 15 * number, words, anchor)
                used = max(used, number + 1)
                break
    return drawn, used


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
    scale: AxisScale, run: Sequence[Point], values: Callable[[Point], Values], look: str, *, shaded: bool
) -> str:
    middles = [(scale.x(p.at + p.seconds / 2), *values(p)) for p in run]
    if len(middles) == 1:
        # One point alone makes no line: a dash at its lowest and one at its highest.
        x, low, _, high = middles[0]
        return f'<path class="curve" d="M{x - 2} {scale.y(low)}H{x + 2}M{x - 2} {scale.y(high)}H{x + 2}"/>'
    mean = " ".join(f"{x} {scale.y(middle)}" for x, _, middle, _ in middles)
    line = f'<path class="curve {look}" d="M{mean}"/>'
    if not shaded:
        return line
    upper = " ".join(f"{x} {scale.y(high)}" for x, _, _, high in middles)
    lower = " ".join(f"{x} {scale.y(low)}" for x, low, _, _ in reversed(middles))
    return f'<path class="spread" d="M{upper} L{lower}Z"/>{line}'


def _picks(scale: AxisScale, of: _Quantity, traces: Sequence[Trace], wording: Wording) -> tuple[str, str]:
    """Return columns to tap over the chart, and the line that each of them shows below it.

    Whoever comes by keyboard or is read to has the table, which says more.
    """
    step = max(1, -(-(scale.end - scale.start) // COLUMNS))
    held: dict[int, list[Point]] = {}
    for point in together(trace for trace in traces if trace.judged):
        held.setdefault((point.at - scale.start) // step, []).append(point)
    columns, told = [], []
    for n in range(COLUMNS):
        if n not in held:
            columns.append("<i></i>")
            continue
        at = max(scale.start, scale.start + n * step)
        whole = joined(held[n], at, step)
        low, mean, high = of.values(whole)
        when = wording.within(at, step, scale.end)
        # Of two days the hour alone says which; a step of half a day names its days anyway.
        when = f"{wording.day(at)} {when}" if step < 43200 and scale.end - scale.start > 2 * 86400 else when
        said = f"{when}: {of.say(mean)}" + (f", lowest {of.say(low)}, highest {of.say(high)}" if of.shaded else "")
        # One letter tells the charts of a page apart: h, t, v.
        name = f"{of.key[0]}{n}"
        columns.append(f'<a tabindex="-1" href="#{name}" title="{escape(said)}"></a>')
        told.append(f'<p id="{name}">{escape(said)}</p>')
    return f'<div class="picks" aria-hidden="true">{"".join(columns)}</div>', f'<div class="told">{"".join(told)}</div>'
