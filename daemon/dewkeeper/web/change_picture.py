"""A change of the keeper's as a picture: each whole day's humidity at one temperature, beside what it would have been without.

At one temperature humidity is vapour on another scale, so one curve tells both. The day of the change is left out and drawn
as such. Drawn as the charts are; the sentence beside it says the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from markupsafe import Markup, escape

from dewkeeper.air import humidity_at
from dewkeeper.insight.changed import Finding
from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.ahead import REFERENCE_C
from dewkeeper.report.wording import Wording
from dewkeeper.web.axis import WIDE, AxisScale, Line, em, framed, moments, numbers, spread
from dewkeeper.web.chart import DRAWN, LEFT, TALL, hatching, number_at, words_at

_TOP: Final = 18
_MARGIN: Final = 1.0
_WORD: Final = 13


def change_picture(finding: Finding, number: int, wording: Wording) -> Markup:
    """Return the picture of a change, empty where its days were not kept. number: of the picture on its page."""
    days = [
        (day.at, humidity_at(day.hpa, REFERENCE_C), humidity_at(day.without_hpa, REFERENCE_C)) for day in finding.days
    ]
    before, after = ([day for day in days if (day[0] > finding.at) is later] for later in (False, True))
    # One side alone compares nothing.
    if not before or not after:
        return Markup()
    held = [value for _, own, without in days for value in (own, without)]
    scale = AxisScale(days[0][0], days[-1][0] + DAY, min(held) - _MARGIN, max(held) + _MARGIN, _TOP, TALL)
    inside = [value for value in numbers(scale.low, scale.high)[1] if scale.low <= value <= scale.high]
    hours, left, right = moments(scale.start, scale.end, wording), scale.x(before[-1][0] + DAY), scale.x(after[0][0])
    drawn = "".join(f'<path class="grid" d="M0 {scale.y(value)}H{WIDE}"/>' for value in inside)
    drawn += f'<path class="gap" fill="url(#hatch-change{number})" d="M{left} {_TOP}H{right}V{TALL}H{left}Z"/>'
    drawn += f'<path class="now" d="M{scale.x(finding.at)} {_TOP - 4}V{TALL}"/>'
    drawn += _lines(scale, [(at, without) for at, _, without in days], "beside1")
    drawn += _lines(scale, [(at, own) for at, own, _ in days], "judged1")
    foot, words = Line(), ""
    for at, said in [(finding.at, wording.day(finding.at)), *hours]:  # the day of the change before any other
        if foot.place(scale.x(at) / 10, said, "middle"):
            words += words_at("hour", scale.x(at) / 10, TALL + 15, said, "middle")
    words += number_at(LEFT, _TOP - 8, "%")
    words += "".join(number_at(LEFT, scale.y(value) + 4, f"{value:g}") for value in inside)
    place = scale.x(finding.at) / 10
    words += words_at("limit", place, 11, "changed", "middle")
    ends = [(scale.y(after[-1][1]) - 4, "measured"), (scale.y(after[-1][2]) - 4, "without it")]
    words += "".join(words_at("trace", 99, y, said, "end") for y, said in spread(ends, _WORD, _TOP + 9, TALL - 6))
    label = JOURNAL[finding.what].label if finding.what in JOURNAL else finding.what
    picture = (
        f'<svg class="chart" role="img" aria-label="{escape(_told(label, before, after, wording))}" width="100%"'
        f' height="{em(TALL + 22)}">{hatching(f"change{number}")}'
        f'<svg x="{LEFT}%" width="{DRAWN}%" height="{em(TALL)}" viewBox="0 0 {WIDE} {TALL}" preserveAspectRatio="none">{drawn}</svg>'
        f"{words}</svg>"
    )
    return Markup(framed(f"{label}, picture", picture))  # noqa: S704  every word in it was escaped


_Days = Sequence[tuple[int, float, float]]


def _told(label: str, before: _Days, after: _Days, wording: Wording) -> str:
    """Return what the picture shows, for whoever is read to."""

    def mean(days: _Days, column: int) -> str:
        return wording.humidity(sum(day[column] for day in days) / len(days))

    return (
        f"{label.capitalize()}: humidity at {wording.day_temperature(REFERENCE_C)} by day. Before {mean(before, 1)} on average, after"
        f" {mean(after, 1)}; without the change, by the course of those left alone and the room, {mean(after, 2)}."
    )


def _lines(scale: AxisScale, days: Sequence[tuple[int, float]], look: str) -> str:
    """Return a curve from noon to noon, broken where days are missing."""
    path, before = "", None
    for at, value in days:
        path += f"{'L' if before is not None and at - before <= DAY else 'M'}{scale.x(at + DAY // 2)} {scale.y(value)}"
        before = at
    return f'<path class="curve {look}" d="{path}"/>'
