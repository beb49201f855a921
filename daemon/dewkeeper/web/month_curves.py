"""An animal's months as small drawings, all on one scale, and its weights as a curve. The words beside them say the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Final

from markupsafe import Markup, escape

from dewkeeper.report.animal_months import LivedDay, LivedMonth
from dewkeeper.report.weights import Weighing
from dewkeeper.report.wording import Wording
from dewkeeper.web.axis import AxisScale, em, framed, moments
from dewkeeper.web.chart import number_at
from dewkeeper.web.small_curve import TALL, Common, common

_DAY: Final = 8
"""Width of a day in a drawing's own units."""
_WEIGHTS_TALL: Final = 120
_LEFT, _DRAWN = 15, 83
"""Per cent of the width for the numbers left of the weights, four figures each on a narrow phone, and for the curve."""
_FOOT: Final = 20
_MOST_GRID: Final = 5


@dataclass(frozen=True, slots=True)
class DrawnMonth:
    """A month's name, its drawing ("" where nothing is shown), what it was like in words, and what was changed on which day."""

    name: str
    drawing: Markup
    words: str
    changes: Sequence[str]


def month_curves(months: Sequence[LivedMonth], wording: Wording) -> tuple[list[DrawnMonth], str]:
    """Return the months, drawn, in their order, and the scale they have in common in words."""
    shown = [month for month in months if not month.withheld]
    held = [value for month in shown for day in month.days.values() for value in day.humidity or ()]
    held += [value for month in shown for value in month.target or ()]
    scale = common(held, 10)
    drawn = [
        DrawnMonth(
            f"{month.first:%b %Y}",
            Markup("") if month.withheld or not held else _draw(month, scale),
            month.words(wording),
            [f"{day} {month.first:%b}: {'; '.join(said)}" for day, said in sorted(month.changes.items())],
        )
        for month in months
    ]
    return drawn, f"{scale.low:.0f}–{scale.high:.0f}{wording.space}%" if held else ""


def _draw(month: LivedMonth, scale: Common) -> Markup:
    """Return the days as bars from lowest to highest; days that were not measured for half an hour or more are hatched."""
    wide, drawn = month.length * _DAY, ""
    if month.target is not None:
        top, bottom = scale.y(month.target[1]), scale.y(month.target[0])
        drawn += f'<path class="target" d="M0 {top}H{wide}V{bottom}H0Z"/>'
    missed = "".join(_hole(day) for day, lived in month.days.items() if _missed(lived))
    if missed:
        drawn += f'<path class="missed" fill="url(#hatch)" d="{missed}"/>'
    bars = "".join(_bar(day, lived, scale) for day, lived in month.days.items())
    if bars:
        drawn += f'<path class="air" d="{bars}"/>'
    ticks = "".join(f"M{day * _DAY - _DAY // 2} {TALL - 14}V{TALL}" for day in month.changes)
    if ticks:
        drawn += f'<path class="mark" d="{ticks}"/>'
    box = f'viewBox="0 0 {wide} {TALL}" preserveAspectRatio="none" aria-hidden="true"'
    return Markup(f'<svg class="chart" width="100%" height="{TALL}" {box}>{drawn}</svg>')  # noqa: S704  numbers only


def _missed(lived: LivedDay) -> bool:
    return lived.lived_seconds - lived.watched_seconds >= 1800


def _hole(day: int) -> str:
    return f"M{(day - 1) * _DAY} 0h{_DAY}V{TALL}h-{_DAY}Z"


def _bar(day: int, lived: LivedDay, scale: Common) -> str:
    if lived.humidity is None:
        return ""
    top, bottom = scale.y(lived.humidity[1]), scale.y(lived.humidity[0])
    # One unit at least: a day without any swing is still seen.
    return f"M{(day - 1) * _DAY + 2} {top}h{_DAY - 4}V{max(bottom, top + 1)}h-{_DAY - 4}Z"


def weights_curve(weights: Sequence[Weighing], wording: Wording) -> Markup:
    """Return the weights of an animal, grams, as dots on a line; "" where there are fewer than two."""
    if len(weights) < 2:
        return Markup("")
    low, high = (choose(one.grams for one in weights) for choose in (min, max))
    step = _step(high - low)
    low, high = low // step * step, -(-high // step) * step
    scale = AxisScale(
        # Two of one second have a width all the same.
        weights[0].at,
        max(weights[-1].at, weights[0].at + 1),
        low,
        max(high, low + step),
        26,
        _WEIGHTS_TALL,
    )
    marks = [low + n * step for n in range(round((scale.high - low) / step) + 1)]
    drawn = "".join(f'<path class="grid" d="M0 {scale.y(grams)}H1000"/>' for grams in marks)
    line = " ".join(f"{scale.x(one.at)} {scale.y(one.grams)}" for one in weights)
    dots = "".join(f"M{scale.x(one.at)} {scale.y(one.grams)}h0" for one in weights)
    drawn += f'<path class="curve judged1" d="M{line}"/><path class="dot" d="{dots}"/>'
    words = "".join(number_at(_LEFT, scale.y(grams) + 4, f"{grams:.0f}") for grams in marks)
    words += number_at(_LEFT, 10, "g")
    words += "".join(
        f'<text class="hour" x="{_LEFT + scale.x(at) / 10 * _DRAWN / 100:.1f}%" y="{em(_WEIGHTS_TALL + 15)}" text-anchor="middle">{escape(said)}</text>'
        for at, said in moments(scale.start, scale.end, wording)
    )
    first, last = weights[0], weights[-1]
    name = (
        f"Weight from {first.grams:.0f} g on {wording.date(first.at)} to {last.grams:.0f} g on "
        f"{wording.date(last.at)}. The numbers follow as a table."
    )
    chart = (
        f'<svg class="chart" role="img" aria-label="{escape(name)}" width="100%" height="{em(_WEIGHTS_TALL + _FOOT)}">'
        f'<svg x="{_LEFT}%" width="{_DRAWN}%" height="{em(_WEIGHTS_TALL + 4)}" viewBox="0 0 1000 {_WEIGHTS_TALL + 4}" preserveAspectRatio="none">'
        f"{drawn}</svg>{words}</svg>"
    )
    return Markup(framed("Weights, chart", chart))  # noqa: S704  numbers, and words that were escaped


def _step(span: float) -> float:
    """Return a round distance between the lines of a grid, grams: 5, 10, 20, 50 and so on, until few lines do."""
    return next(step for step in _round_numbers() if span / step <= _MOST_GRID - 1)


def _round_numbers() -> Iterator[float]:
    for power in count():
        yield from (5.0 * 10**power, 10.0 * 10**power, 20.0 * 10**power)
