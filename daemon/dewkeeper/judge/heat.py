"""Heat that does not stop, and heat that stopped, told from what is usual for an enclosure (`usual`).

`heat_stuck_on`: warmer than at any time of the last days and climbing on, and the room does not explain it. It is over when
the temperature is back at the usual, and never while it is above its limit. `heat_lost`: colder than at any time of the last
days and warming no more. It is over when the enclosure warms again by itself, or is back at the usual. Both work without a
room's probe; then more is asked of the enclosure itself.

A cut or a fuse stops many heaters at once: those of one room that began to cool together are told together, each as its own
alarm, with what they have in common.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import pairwise
from operator import itemgetter
from typing import Final

from dewkeeper.judge.book import Key
from dewkeeper.judge.past import Look
from dewkeeper.judge.state import NEVER, State, Watch
from dewkeeper.judge.types import Kind
from dewkeeper.judge.words import DAY, HOUR, JOURNAL

UNKNOWN_C: Final = -99.0
BACK_C: Final = 0.3
"""So near to the highest or lowest of the last days it is back at the usual."""
_LOOKS: Final = 4
_APART_SECONDS: Final = 700
"""A trend is read from four looks, a quarter of an hour; further apart than this two looks show none."""

CLIMB_ABOVE_C: Final = 1.0
CLIMB_C_PER_HOUR: Final = 1.0
ALONE_C_PER_HOUR: Final = 2.0
"""Without a room's probe: no room warms a tub so fast, but for the sun upon it, and that is told as well."""
CLIMBS: Final = 3
_NEW_C: Final = 0.2
"""Above all of the last hours too: what came down from there by itself is a thermostat's, somewhere else or set anew."""
RECOVERY_SECONDS: Final = 3 * HOUR
OVERSHOOT_C: Final = 1.5
OVERSHOOT_CLIMBS: Final = 4
"""Rates: tuned on the heater suite, seeds 1-9. Above and climbs: also on the alarm bench, seed 5, where a snake warms its probe."""
_ROOM_SHARE: Final = 0.5
"""Less than half its usual way above its room, and it is the room's heat, not the heater's."""
_LEAST_APART_C: Final = 2.0

DAY_UNKNOWN_LOOKS: Final = 72
"""Six hours: with a room to compare with, heat that is gone is known without having seen the night."""
COOL_SECONDS: Final = 1800
_COOL_BELOW_C: Final = 0.5
_ALONE_BELOW_C: Final = 1.5
_HEATED_APART_C: Final = 3.0
"""An enclosure that is usually less above its room has no heat that could be missed."""
_WARMED_C: Final = 1.0
_WARMED_SHARE: Final = 0.25
"""Risen from its coldest by so much, and by this share of what it lacks of the usual, its heat is on again."""
_OPENED_SECONDS: Final = 2 * HOUR
_OPENED_SHARE: Final = 0.93
"""What is left of the vapour after five minutes, at most; as in `signs`."""
TOGETHER_SECONDS: Final = 3 * HOUR
TOGETHER_FROM: Final = 3
_NEARLY_C: Final = 0.5
_FURTHER: Final = 1.2

_TOGETHER: Final = "several stopped together: the mains, a fuse, or a plug or thermostat they share"

_FREEZING: Final[tuple[Kind, ...]] = ("hot", "cold", "heat_stuck_on", "heat_lost", "lid_open")


def look_at_heat(state: State, watch: Watch, room: Watch | None, now: int) -> None:
    """Every five minutes of a judged probe's readings; room: its room's probe, where it is believed."""
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    if facts is None or not facts.heater:
        return
    if _disturbed(state, watch, now):
        watch.usual.skip(now)
    else:
        watch.usual.learn(watch.past.looks, room.past.looks if room is not None else [], now)
    trend = watch.past.looks[-_LOOKS:]
    if len(trend) < _LOOKS or any(b[0] - a[0] > _APART_SECONDS for a, b in pairwise(trend)):
        return
    room_rise = _rise(room.past.looks, trend[0][0]) if room is not None else None
    _stuck(state, watch, room, trend, room_rise, now)
    _lost(state, watch, room, trend, now)


def _disturbed(state: State, watch: Watch, now: int) -> bool:
    """Return whether what is read now is not to be learned from: an alarm, a fault, or a hand in the tub."""
    if watch.faults or now - watch.opened < _OPENED_SECONDS or _handled(state, watch, now):
        return True
    book = state.book
    if not book.lives:
        return False
    return any(book.stands((watch.place, kind)) for kind in _FREEZING) or book.stands(
        (f"room:{watch.room}", "room_heat")
    )


def _handled(state: State, watch: Watch, now: int, within: int = _OPENED_SECONDS) -> bool:
    tub = state.tubs.get(watch.enclosure or "")
    return tub is not None and any(0 <= now - at < within and JOURNAL[what].opens for at, _, what, _ in tub.deeds[-8:])


def _rise(looks: list[Look], since: int) -> float | None:
    """Return by how many °C the looks rose since a time; None where they do not reach back."""
    first = bisect_left(looks, since - 300, key=itemgetter(0))
    return looks[-1][1] - looks[first][1] if first < len(looks) else None


def _limit_c(watch: Watch) -> float:
    """Return the temperature above which it is too hot."""
    return next((-side.runs()[0].limit for side in watch.sides if side.kind == "hot"), 999.0)


def _stuck(
    state: State, watch: Watch, room: Watch | None, trend: list[Look], room_rise: float | None, now: int
) -> None:
    key: Key = (watch.place, "heat_stuck_on")
    learned = state.known(watch.enclosure, "usual_peak_c", now)
    peak = max(watch.usual.high_c if watch.usual.known() else UNKNOWN_C, UNKNOWN_C if learned is None else learned)
    if state.book.stands(key):
        _stuck_over(state, watch, peak, key, now)
        return
    if peak == UNKNOWN_C or watch.t <= peak + CLIMB_ABOVE_C:
        watch.climbs = 0  # nearly always: what was before need not be looked at
        return
    recovering = _recovering(state, watch, now)
    above = peak + CLIMB_ABOVE_C + (OVERSHOOT_C if recovering else 0.0)
    lately = max((t for at, t, _ in watch.past.looks if at < trend[0][0]), default=UNKNOWN_C)
    climbs = peak > UNKNOWN_C and watch.t > max(above, lately + _NEW_C) and _climbs(watch, room, trend, room_rise)
    watch.climbs = watch.climbs + 1 if climbs else 0
    if watch.climbs < (OVERSHOOT_CLIMBS if recovering else CLIMBS):
        return
    hours = (trend[-1][0] - trend[0][0]) / HOUR
    state.book.raise_(
        key, now, since=trend[0][0], enclosure=watch.enclosure, probe=watch.name, holder=watch.name, value=round(watch.t, 1),
        detail={"usual_peak_c": round(peak, 1), "celsius_per_hour": round((trend[-1][1] - trend[0][1]) / hours, 1)},
    )  # fmt: skip


def _climbs(watch: Watch, room: Watch | None, trend: list[Look], room_rise: float | None) -> bool:
    """Return whether it became warmer from each look to the next, and not because its room did."""
    if any(a[1] >= b[1] for a, b in pairwise(trend)):
        return False
    hours = (trend[-1][0] - trend[0][0]) / HOUR
    rise = trend[-1][1] - trend[0][1]
    if room is None or room_rise is None:
        return rise >= ALONE_C_PER_HOUR * hours
    heated = watch.t - room.t >= max(_LEAST_APART_C, _ROOM_SHARE * (watch.usual.apart_c or 0.0))
    return heated and rise - max(0.0, room_rise) >= CLIMB_C_PER_HOUR * hours


def _recovering(state: State, watch: Watch, now: int) -> bool:
    """Return whether it stood open or was colder than usual not long ago: a heater that made up for that overshoots."""
    if (
        now - watch.opened < RECOVERY_SECONDS
        or _handled(state, watch, now, RECOVERY_SECONDS)
        or _opened_lately(watch, now - RECOVERY_SECONDS)
    ):
        return True
    low = watch.usual.low_c - _COOL_BELOW_C if watch.usual.known() else UNKNOWN_C
    return any(t < low for at, t, _ in watch.past.looks if at >= now - RECOVERY_SECONDS)


def _opened_lately(watch: Watch, since: int) -> bool:
    """Return whether the air fell since a time, from one look to the next, as only an open lid makes it: colder, and drier by as much."""
    return any(b[1] < a[1] and b[2] < _OPENED_SHARE * a[2] for a, b in pairwise(watch.past.looks) if a[0] >= since)


def _stuck_over(state: State, watch: Watch, peak: float, key: Key, now: int) -> None:
    """Heat that did not stop is over when it is back at the usual, or what it is now has become the usual; never above its limit."""
    life = state.book.lives[key]
    limit = _limit_c(watch)
    if watch.t >= limit - BACK_C or state.book.stands((watch.place, "hot")) or watch.name not in life.holders:
        return
    hour_ago = next((t for at, t, _ in watch.past.looks if at >= now - HOUR), watch.t)
    if watch.t <= peak + BACK_C or (peak == UNKNOWN_C and watch.t <= hour_ago):
        watch.climbs = 0
        state.book.clear(key, now, watch.name)
    elif now - life.raised > DAY and all(hour[3] < limit for hour in watch.past.within(now // HOUR - 24, now // HOUR)):
        watch.climbs = 0
        watch.usual.days = []
        state.book.clear(key, now, watch.name, why="a day like this, below its limit: this is the usual from now on")


def _lost(state: State, watch: Watch, room: Watch | None, trend: list[Look], now: int) -> None:
    if state.book.stands((watch.place, "heat_lost")):
        _lost_over(state, watch, now)
    elif not watch.usual.known(DAY_UNKNOWN_LOOKS) or not _cools(state, watch, room, trend, now):
        watch.cool_since = NEVER
    else:
        if watch.cool_since == NEVER:
            watch.cool_since = now
        if now - watch.cool_since >= COOL_SECONDS:
            _tell_lost(state, watch, now)


def _cools(state: State, watch: Watch, room: Watch | None, trend: list[Look], now: int) -> bool:
    """Return whether it is colder than ever in the last days, nobody opened it and it does not warm."""
    low, apart = watch.usual.low_c, watch.usual.apart_c
    if room is None or apart is None:
        cold = watch.usual.known() and watch.t < low - _ALONE_BELOW_C
    else:
        cold = apart >= _HEATED_APART_C and watch.t - room.t < 0.5 * apart and watch.t < low - _COOL_BELOW_C
    if not cold or watch.faults or watch.near_since != NEVER or trend[-1][1] > trend[0][1] + 0.1:
        return False
    opened = (
        now - watch.opened < _OPENED_SECONDS
        or _handled(state, watch, now)
        or _opened_lately(watch, now - _OPENED_SECONDS)
    )
    return not opened


def _lost_over(state: State, watch: Watch, now: int) -> None:
    """It is over when it warms again by itself, the sooner the nearer it is to the usual."""
    watch.coldest = min(watch.coldest, watch.t)
    low = watch.usual.low_c if watch.usual.days else watch.coldest + 2 * _WARMED_C
    warmed = watch.t - watch.coldest
    if (watch.t >= low - BACK_C and warmed >= BACK_C) or warmed >= max(
        _WARMED_C, _WARMED_SHARE * (low - watch.coldest)
    ):
        watch.cool_since = NEVER
        state.book.clear((watch.place, "heat_lost"), now, watch.name)


def _tell_lost(state: State, watch: Watch, now: int) -> None:
    """Tell it, and of those of its room that stopped with it as well."""
    others = [
        w
        for w in state.watches.values()
        if w.room == watch.room and w.role == "substrate" and w is not watch and not w.faults
    ]
    known = [life for w in others if (life := state.book.lives.get((w.place, "heat_lost"))) is not None and life.stands]
    common = next(
        (
            str(life.detail["common"])
            for life in known
            if "common" in life.detail and now - life.raised < TOGETHER_SECONDS
        ),
        "",
    )
    cooling = [w for w in others if _cools_too(state, w, now)]
    if not common and len(cooling) + 1 >= TOGETHER_FROM:
        common = f"{watch.room} {state.book.wall(watch.cool_since)}"
    for one in [watch, *(cooling if common else [])]:
        one.coldest = one.t
        one.cool_since = watch.cool_since if one.cool_since == NEVER else one.cool_since
        state.book.raise_(
            (one.place, "heat_lost"), now, since=one.cool_since, enclosure=one.enclosure, probe=one.name, holder=one.name,
            value=round(one.t, 1), cause=_TOGETHER if common else "",
            detail={"usual_low_c": round(one.usual.low_c, 1)} | ({"common": common} if common else {}),
        )  # fmt: skip


def _cools_too(state: State, watch: Watch, now: int) -> bool:
    """Return whether an enclosure whose neighbour's heat stopped has lost its own, though it is not yet so cold that it would be told alone.

    Nearly at the lowest of the last days, and it fell for half an hour without a break, further than its thermostat lets it.
    """
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    if (
        facts is None
        or not facts.heater
        or state.book.stands((watch.place, "heat_lost"))
        or not watch.usual.known(DAY_UNKNOWN_LOOKS)
    ):
        return False
    if watch.cool_since != NEVER:
        return True
    since = now - COOL_SECONDS
    falls = all(a[1] > b[1] for a, b in pairwise(watch.past.looks) if a[0] >= since)
    top = max((t for at, t, _ in watch.past.looks if at >= now - 2 * HOUR), default=watch.t)
    far = top - watch.t > _FURTHER * watch.past.usual_swing and watch.t < watch.usual.low_c + _NEARLY_C
    return falls and far and not _opened_lately(watch, now - _OPENED_SECONDS)
