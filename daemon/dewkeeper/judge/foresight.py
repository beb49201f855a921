"""`dry_soon`: moisture leaves steadily and will be below tolerable within hours.

Told only on much evidence, for a forecast that cries wolf is worse than none: three hours undisturbed, every hour lower
than the one before in humidity *and* in vapour (a warming tub is no drying tub), the last hour no slower than most of
the one before (what levels off stays), lower than at any time of the last day, and by that rate across the limit within
three hours.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.air import saturation_hpa
from dewkeeper.judge.book import Key
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
    percent = 100 * watch.slow_e / saturation_hpa(watch.slow_t)
    if life is not None and life.stands:
        risen = life.value is not None and percent > life.value + _BACK_PERCENT
        if watch.name in life.holders and (dry.level == 2 or watch.faults or risen or now - life.since > STANDS_SECONDS):
            state.book.withdraw(key, now, "it is too dry now" if dry.level == 2 else "the forecast did not come true")
        return
    limit = dry.outer.limit
    if dry.level == 2 or watch.faults or not limit < percent < limit + 3 * WITHIN_HOURS or _disturbed(state, watch, now):
        return
    rate = _rate(watch, now)
    if rate is None or percent - limit > rate * WITHIN_HOURS:
        return
    state.book.raise_(
        key, now, since=now, enclosure=watch.enclosure, probe=watch.name, holder=watch.name, value=round(percent, 1),
        limit=limit, detail={"percent_per_hour": round(rate, 1), "hours": round((percent - limit) / rate, 1)},
    )  # fmt: skip


def _disturbed(state: State, watch: Watch, now: int) -> bool:
    if now - max(watch.misted, watch.opened) < _UNDISTURBED_SECONDS:
        return True
    tub = state.tubs.get(watch.enclosure or "")
    return tub is not None and any(now - at < _UNDISTURBED_SECONDS and JOURNAL[what].seconds for at, _, what, _ in tub.deeds)


def _rate(watch: Watch, now: int) -> float | None:
    """Return how fast the humidity falls, %RH an hour, when all the evidence is there."""
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
    shown = [100 * e / saturation_hpa(t) for t, e in means]
    if shown[1] - shown[2] < _LEAST_FALL_PERCENT:  # nearly always: the day before need not be looked at
        return None
    hours = watch.past.within(now // HOUR - 24, now // HOUR - 3)
    if len(hours) < _DAY_HOURS:
        return None
    t_usual = sum(hour[1] for hour in hours) / len(hours)
    referred = [100 * e / saturation_hpa(t_usual) for _, e in means]
    for h in (shown, referred):
        first, last = h[0] - h[1], h[1] - h[2]
        if min(first, last) < _LEAST_FALL_PERCENT or last < _LEVELLING * first:
            return None
    lowest = min(100 * hour[2] / saturation_hpa(hour[1]) for hour in hours)
    return shown[1] - shown[2] if shown[2] < lowest - 1.0 else None
