"""`dry_soon`: moisture leaves steadily and will be below tolerable within hours.

Told only on much evidence, for a forecast that cries wolf is worse than none: three hours undisturbed, every hour lower
than the one before in humidity *and* in vapour (a warming tub is no drying tub), the last hour no slower than most of
the one before, lower than at any time of the last day, and across the limit within three hours if every hour falls by
the same share of the one before as the last hour did, and its second half of its first: what levels off stays. A limit
that the room's own vapour keeps it above is not reached, and a fall that no air makes is its probe's. While `dry` stands it is not told, and when `dry` is raised it is over: one alarm for one matter.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.air import humidity_at, saturation_hpa
from dewkeeper.judge.book import Key
from dewkeeper.judge.neighbours import heading_below_room, lowest_room_e
from dewkeeper.judge.state import State, Watch
from dewkeeper.judge.words import HOUR, JOURNAL

WITHIN_HOURS: Final = 3.0
STANDS_SECONDS: Final = 12 * HOUR
"""A forecast that has not come true by then was wrong and is withdrawn."""

_LEAST_FALL_PERCENT: Final = 1.5
_LEVELLING: Final = 0.7
_UNDISTURBED_SECONDS: Final = 6 * HOUR
_DAY_HOURS: Final = 12
_BACK_PERCENT: Final = 2.0


def foresee(state: State, watch: Watch, now: int) -> None:
    """Look ahead from the last three hours of a judged probe."""
    if not watch.sides:
        return
    dry = watch.sides[0]
    key: Key = (watch.place, "dry_soon")
    life = state.book.lives.get(key)
    percent = humidity_at(watch.slow_e, watch.slow_t)
    if life is not None and life.stands:
        risen = life.value is not None and percent > life.value + _BACK_PERCENT
        if watch.name in life.holders and (watch.faults or risen or now - life.since > STANDS_SECONDS):
            state.book.clear(key, now, why="the forecast did not come true")
        return
    limit = dry.outer.limit
    if watch.faults or not limit < percent < limit + 3 * WITHIN_HOURS or _disturbed(state, watch, now):
        return
    if state.book.stands((watch.place, "dry")):
        return  # it is told already
    falls = _falls(watch, now)
    if falls is None:
        return
    rate, keeps = falls
    hours = _hours_to_fall(percent - limit, rate, keeps)
    if hours > WITHIN_HOURS or heading_below_room(state, watch, now, now - 2 * HOUR):
        return
    lowest = lowest_room_e(state, watch, now)
    if lowest is not None and limit / 100 * saturation_hpa(watch.slow_t) <= lowest:
        return
    state.book.raise_(
        key, now, since=now, enclosure=watch.enclosure, probe=watch.name, holder=watch.name, value=round(percent, 1),
        limit=limit, detail={"percent_per_hour": round(rate, 1), "hours": round(hours, 1)},
    )  # fmt: skip


def _disturbed(state: State, watch: Watch, now: int) -> bool:
    if now - max(watch.misted, watch.opened) < _UNDISTURBED_SECONDS:
        return True
    tub = state.tubs.get(watch.enclosure or "")
    return tub is not None and any(
        now - at < _UNDISTURBED_SECONDS and JOURNAL[what].seconds for at, _, what, _ in tub.deeds
    )


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


def _falls(watch: Watch, now: int) -> tuple[float, float] | None:
    """Return what the humidity fell in the last hour, %RH, and the share of a fall that the next hour keeps.

    None unless all the evidence is there.
    """
    counts, t_sums, e_sums = [0, 0, 0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]  # of three hours, the oldest first
    for at, t, e in watch.past.looks:
        age = now - at
        if age < 3 * HOUR:
            part = 2 - age // HOUR
            counts[part] += 1
            t_sums[part] += t
            e_sums[part] += e
    if min(counts) < 8:
        return None
    means = [(t / n, e / n) for t, e, n in zip(t_sums, e_sums, counts, strict=True)]
    shown = [humidity_at(e, t) for t, e in means]
    if shown[1] - shown[2] < _LEAST_FALL_PERCENT:  # nearly always: the day before need not be looked at
        return None
    hours = watch.past.within(now // HOUR - 24, now // HOUR - 3)
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
    halves = _half_hours(watch, now)
    keeps = min(
        1.0,
        (shown[1] - shown[2]) / (shown[0] - shown[1]),
        ((halves[1] - halves[0]) / max(0.01, halves[2] - halves[1])) ** 2,
    )
    return (shown[1] - shown[2], keeps) if halves[0] < halves[1] < halves[2] else None


def _half_hours(watch: Watch, now: int) -> list[float]:
    """Return the mean vapour of the last three half hours, newest first."""
    parts: list[list[float]] = [[], [], []]
    for at, _, e in watch.past.looks:
        if now - at < 3 * HOUR // 2:
            parts[(now - at) // (HOUR // 2)].append(e)
    return [sum(part) / max(1, len(part)) for part in parts]
