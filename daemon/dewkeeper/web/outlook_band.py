"""The hours ahead as a chart's band, right of now."""

from __future__ import annotations

from typing import Final

from dewkeeper.insight.outlook import Ahead
from dewkeeper.report.enclosure import Span
from dewkeeper.web.chart import Outlook

SHOWN_HOURS: Final[dict[Span, int]] = {"day": 12, "week": 72}
"""How far a span looks ahead: half of what it looks back, at most what is forecast. Longer spans, and a night that is over, do not."""


def humidity_outlook(ahead: Ahead | None, span: Span) -> Outlook | None:
    """Return the band of a humidity chart, None where nothing is forecast or the span does not look ahead."""
    hours = SHOWN_HOURS.get(span, 0)
    if ahead is None or not hours:
        return None
    now = (ahead.at, ahead.now_percent, ahead.now_percent, ahead.now_percent)
    course = zip(ahead.low[:hours], ahead.middle[:hours], ahead.high[:hours], strict=True)
    points = [(ahead.at + 3600 * hour, *values) for hour, values in enumerate(course, 1)]
    return Outlook([now, *points], "forecast, four of five")
