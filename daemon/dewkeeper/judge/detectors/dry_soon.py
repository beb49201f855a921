"""`dry_soon`: moisture leaves steadily and will be below tolerable within hours.

Told only on much evidence, for a forecast that cries wolf is worse than none: three hours undisturbed, every hour lower
than the one before in humidity *and* in vapour (a warming tub is no drying tub), the last hour no slower than most of
the one before, lower than at any time of the last day, and across the limit within three hours if every hour falls by
the same share of the one before as the second half of the last hour did of its first: what levels off stays. While `dry`
stands it is not told, and when `dry` is raised it is over: one alarm for one matter.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from operator import itemgetter
from typing import Final

from dewkeeper.air import humidity_at
from dewkeeper.judge.cause import advice
from dewkeeper.judge.contract import Detector, Findings, Over, Stands
from dewkeeper.judge.detectors.lid_open import misted, opened
from dewkeeper.judge.rationale import HOUR, Rationale
from dewkeeper.judge.view import ProbeView, View

WITHIN_HOURS: Final = 3.0
STANDS_SECONDS: Final = 12 * HOUR
"""A forecast that has not come true by then was wrong and is withdrawn."""

_LEAST_FALL_PERCENT: Final = 1.5
_LEVELLING: Final = 0.7
_UNDISTURBED_SECONDS: Final = 6 * HOUR
_DAY_HOURS: Final = 12
_BACK_PERCENT: Final = 2.0
"""Hours, shares and per cents: tuned on bench, seeds 1-9."""


def look(view: View) -> Findings:
    """Every five minutes: look ahead from the last three hours of a judged probe."""
    probe, now = view.probe, view.now
    if not probe.sides:
        return ()
    percent = humidity_at(probe.air.slow_e, probe.air.slow_t)
    alarm = view.standing("dry_soon")
    if alarm is not None:
        risen = alarm.value is not None and percent > alarm.value + _BACK_PERCENT
        if probe.name in alarm.holders and (probe.faults or risen or now - alarm.since > STANDS_SECONDS):
            return (Over("dry_soon", "the forecast did not come true", holder=None),)
        return ()
    limit = probe.sides[0].outer.limit
    if probe.faults or not limit < percent < limit + 3 * WITHIN_HOURS or _disturbed(view) or view.stands("dry"):
        return ()  # or it is told already
    falls = _falls(probe, now)
    if falls is None:
        return ()
    rate, keeps = falls
    hours = _hours_to_fall(percent - limit, rate, keeps)
    if hours > WITHIN_HOURS:
        return ()
    figures = {"percent_per_hour": round(rate, 1), "hours": round(hours, 1)}
    return (Stands("dry_soon", now, round(percent, 1), limit, response=advice(view, "dry_soon", ""), detail=figures),)


def _disturbed(view: View) -> bool:
    if view.now - max(misted(view.probe), opened(view.probe)) < _UNDISTURBED_SECONDS:
        return True
    return any(word.seconds for _, word in view.entries(_UNDISTURBED_SECONDS))


def _hours_to_fall(gap: float, rate: float, keeps: float) -> float:
    """Return the hours until so many %RH are lost: `rate` was lost in the last one, in each the share `keeps` of the one before."""
    lost = hours = 0.0
    while hours <= WITHIN_HOURS:
        rate *= keeps
        if lost + rate >= gap:
            return hours + (gap - lost) / rate
        lost += rate
        hours += 1
    return hours


def _falls(probe: ProbeView, now: int) -> tuple[float, float] | None:
    """Return what the humidity fell in the last hour, %RH, and the share of a fall that the next hour keeps.

    None unless all the evidence is there.
    """
    looks = probe.past.looks
    begins = [bisect_right(looks, now - hours * HOUR, key=itemgetter(0)) for hours in (3, 2, 1)]
    parts = [looks[first:last] for first, last in pairwise([*begins, len(looks)])]  # three hours, the oldest first
    if min(map(len, parts)) < 8:
        return None
    means = [(sum([t for _, t, _ in part]) / len(part), sum([e for _, _, e in part]) / len(part)) for part in parts]
    shown = [humidity_at(e, t) for t, e in means]
    if shown[1] - shown[2] < _LEAST_FALL_PERCENT:  # nearly always: the day before need not be looked at
        return None
    hours = probe.past.within(now // HOUR - 24, now // HOUR - 3)
    if len(hours) < _DAY_HOURS:
        return None
    t_usual = sum(hour[1] for hour in hours) / len(hours)
    referred = [humidity_at(e, t_usual) for _, e in means]
    for h in (shown, referred):
        first, last = h[0] - h[1], h[1] - h[2]
        if min(first, last) < _LEAST_FALL_PERCENT or last < _LEVELLING * first:
            return None
    lowest = min(humidity_at(hour[2], hour[1]) for hour in hours)
    if shown[2] >= lowest - 1.0:
        return None
    halves = _half_hours(probe, now)
    # Two falls half an hour apart: an hour keeps the square of what half an hour keeps.
    keeps = min(1.0, ((halves[1] - halves[0]) / max(0.01, halves[2] - halves[1])) ** 2)
    return (shown[1] - shown[2], keeps) if halves[0] < halves[1] < halves[2] else None


def _half_hours(probe: ProbeView, now: int) -> list[float]:
    """Return the mean vapour of the last three half hours, newest first."""
    parts: list[list[float]] = [[], [], []]
    for at, _, e in probe.past.looks:
        if now - at < 3 * HOUR // 2:
            parts[(now - at) // (HOUR // 2)].append(e)
    return [sum(part) / max(1, len(part)) for part in parts]


DETECTOR: Final = Detector(
    "dry_soon",
    {
        "dry_soon": Rationale(
            "will be too dry", "moisture is leaving as it did before", "below tolerable within hours",
            "refill the bowl when you pass", 12 * HOUR, "low",
        ),
    },
    look=look,
)  # fmt: skip
