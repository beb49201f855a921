"""`heat_stuck_on`, `heat_lost`: heat that does not stop, and heat that stopped, told from what is usual for an enclosure (`usual`).

`heat_stuck_on`: warmer than at any time of the last days and climbing on, and the room does not explain it. It is over when
the temperature is back at the usual, and never while it is above its limit. `heat_lost`: colder than at any time of the last
days and warming no more. It is over when the enclosure warms by its own heat, not by its room's: without heat it becomes
warmer by no more than its room did, and only as fast as a room does. In doubt it stands. Both work without a room's probe;
then more is asked of the enclosure itself.

How sure it must be depends on the time that is left: what will be dangerous, or too cold, within half an hour at its pace is
told at once. What insight learned of the heat makes it surer sooner: it knows the usual peak, and a thermostat whose cycle is
known has stopped when it is colder than ever and did not come on for a whole cycle.

A cut or a breaker stops many heaters at once: those of one room that began to cool together are told together, each as its own
alarm, with what they have in common.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import field
from itertools import pairwise
from operator import itemgetter
from typing import Final

from dewkeeper.judge.checks.displaced import near_since
from dewkeeper.judge.checks.saturated import wetted
from dewkeeper.judge.contract import Amended, Detector, Finding, Findings, Over, Stands
from dewkeeper.judge.detectors.lid_open import opened
from dewkeeper.judge.detectors.usual import UsualHeat
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.lifecycle import AlarmInstance
from dewkeeper.judge.memory import NEVER, Corrected, ProbeMemory
from dewkeeper.judge.probe_past import Look
from dewkeeper.judge.rationale import AT_A_HEATER, DAY, HEAT_OFF, HOUR, Rationale
from dewkeeper.judge.types import Kind, room_place
from dewkeeper.judge.view import ProbeView, View

UNKNOWN_C: Final = -99.0
BACK_C: Final = 0.3
"""So near to the highest or lowest of the last days it is back at the usual."""
_LOOKS: Final = 4
_APART_SECONDS: Final = 700
"""A trend is read from four looks, a quarter of an hour; further apart than this two looks show none."""

CLIMB_ABOVE_C: Final = 1.0
CLIMB_C_PER_HOUR: Final = 1.0
ALONE_C_PER_HOUR: Final = 2.0
"""Without a room's probe: no room warms a tub by so much within an hour, but for the sun upon it, and that is told as well."""
CLIMBS: Final = 3
NEAR_DANGER_SECONDS: Final = 30 * 60
NEAR_DANGER_C_PER_HOUR: Final = 4.0
"""It will be dangerous within this at the pace it climbs, which is no room's: then one look is evidence enough, for two more cost ten minutes."""
FOLLOWS_SHARE: Final = 0.5
"""What is known to follow its room by more no thermostat holds: it is warmer than ever on a hot day, and that is the room's heat."""
_NEW_C: Final = 0.2
"""Below all of the last hours too: what came up from there by itself has its heat."""
RECOVERY_SECONDS: Final = 3 * HOUR
OVERSHOOT_C: Final = 1.5
"""Rates: tuned on the heater suite, seeds 1-9. Above: also on the alarm bench, seed 5, where a snake warms its probe."""
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
"""Risen from its coldest by so much more than its room, and by this share of what it lacks of the usual, its heat is on again."""
_ROOM_LAG_SECONDS: Final = 3 * HOUR
"""So long an enclosure without heat may hold the warmth its room had; the slowest that were tried lag by two hours."""
_HELD_SECONDS: Final = 1800
"""Back at the usual and there for so long, it is heated: it falls by more than `BACK_C` within that when it is not."""
MISSED_BELOW_C: Final = 0.3
_MISSED_LEAST_SECONDS: Final = 900
"""So far below the lowest of the last days, and falling through a whole cycle of so long at least, it has not come on."""
NEAR_COLD_SECONDS: Final = 45 * 60
_NEAR_COLD_BELOW_C: Final = 0.8
NEAR_COLD_C_PER_HOUR: Final = 2.0
"""It will be too cold within this at the pace it cools, which is no room's: told at the second look. These five: tuned on the heater suite, seeds 1-6."""
_MOISTENED: Final = 1.02
"""More than a probe repeats (`cause`). On planted tuning seed 31 rain raised it by 4 to 5 % from look to look, lost heat never by more than 1."""
_OPENED_SECONDS: Final = 2 * HOUR
_OPENED_SHARE: Final = 0.93
"""What is left of the vapour after five minutes, at most; as in `signs`."""
TOGETHER_SECONDS: Final = 3 * HOUR
TOGETHER_FROM: Final = 3
_NEARLY_C: Final = 0.5
_FURTHER: Final = 1.2
_STEADY_C: Final = 0.1
"""Of what is lost: tuned on the heater suite, seeds 1-9."""

_TOGETHER: Final = "several stopped together: the mains, a breaker, or a plug or thermostat they share"

_OF_HEAT: Final[tuple[Kind, ...]] = ("heat_stuck_on", "heat_lost")
_FREEZING: Final[tuple[Kind, ...]] = (*_OF_HEAT, "hot", "cold", "lid_open")


@remembered
class HeatMemory(ProbeMemory):
    """usual: what is usual of its heat. climbs: looks in a row at which it climbed past that. cool_since: since when its heat is gone, coldest: what it fell to, room_then: how warm its room was then."""

    usual: UsualHeat = field(default_factory=UsualHeat)
    climbs: int = 0
    cool_since: int = NEVER
    coldest: float = 0.0
    room_then: float = UNKNOWN_C

    def correct(self, by: Corrected) -> None:
        self.usual.warmer(by.warmer_c)
        self.coldest += by.warmer_c

    def correct_room(self, warmer_c: float) -> None:
        self.usual.room_warmer(warmer_c)
        if self.room_then != UNKNOWN_C:
            self.room_then += warmer_c

    def begin_anew(self) -> None:
        self.usual = UsualHeat()


def look(view: View) -> Findings:
    """Every five minutes of a judged probe."""
    probe, memory, room = view.probe, view.probe.memory(HeatMemory), view.room
    if not _heated(view):
        return ()
    if _disturbed(view):
        memory.usual.skip(view.now)
    else:
        memory.usual.learn(probe.past.looks, room.past.looks if room is not None else [], view.now)
    at_rest = memory.climbs == 0 and memory.cool_since == NEVER
    if at_rest and memory.usual.spans(probe.air.t) and not view.any_stands(_OF_HEAT):
        return ()  # nearly always: neither warmer nor colder than ever
    trend = probe.past.looks[-_LOOKS:]
    if len(trend) < _LOOKS or any(b[0] - a[0] > _APART_SECONDS for a, b in pairwise(trend)):
        return ()
    return (*_stuck(view, memory, room, trend), *_lost(view, memory, room, trend))


def _heated(view: View) -> bool:
    facts = view.facts
    return facts is not None and facts.heater


def _disturbed(view: View) -> bool:
    """Return whether what is read now is not to be learned from: an alarm, a fault, or a hand in the tub."""
    if view.probe.faults or view.now - opened(view.probe) < _OPENED_SECONDS or view.handled(_OPENED_SECONDS):
        return True
    return view.any_stands(_FREEZING) or view.stands("room_heat", room_place(view.probe.room))


def _rise(looks: list[Look], since: int) -> float | None:
    """Return by how many °C the looks rose since a time; None where they do not reach back."""
    # Looks lie five minutes apart.
    first = bisect_left(looks, since - 300, key=itemgetter(0))
    return looks[-1][1] - looks[first][1] if first < len(looks) else None


def _risen(view: View) -> float:
    """Return by how many °C it is above its coldest of the last hour."""
    return view.probe.air.t - min(t for at, t, _ in view.probe.past.looks if at >= view.now - HOUR)


def _all_rose(view: View) -> float:
    """Return by how many °C every other enclosure of the room rose within the hour: without a room's probe that is its room; 0 where fewer than two others are read."""
    rises = [_rise(w.past.looks, view.now - HOUR) for w in view.neighbours if w is not view.probe and not w.faults]
    known = [rise for rise in rises if rise is not None]
    return max(0.0, min(known)) if len(known) >= TOGETHER_FROM - 1 else 0.0


def _stuck(view: View, memory: HeatMemory, room: ProbeView | None, trend: list[Look]) -> Findings:
    probe = view.probe
    learned = view.learned("usual_peak_c")
    peak = max(memory.usual.high_c if memory.usual.known() else UNKNOWN_C, UNKNOWN_C if learned is None else learned)
    if view.stands("heat_stuck_on"):
        return _stuck_over(view, memory, peak)
    if peak == UNKNOWN_C or probe.air.t <= peak + CLIMB_ABOVE_C:
        memory.climbs = 0  # nearly always: what was before need not be looked at
        return ()
    recovering = _recovering(view, memory)
    above = peak + CLIMB_ABOVE_C + (OVERSHOOT_C if recovering else 0.0)
    climbs = probe.air.t > above and _climbs(view, memory, room, trend)
    memory.climbs = memory.climbs + 1 if climbs else 0
    pace = _pace(trend)
    needed = 1 if not recovering and _near_danger(view, pace) else CLIMBS
    if memory.climbs < needed:
        return ()
    figures = {"usual_peak_c": round(peak, 1), "celsius_per_hour": round(pace, 1)}
    return (Stands("heat_stuck_on", trend[0][0], round(probe.air.t, 1), detail=figures),)


def _pace(trend: list[Look]) -> float:
    """Return how fast it warms, °C an hour."""
    return (trend[-1][1] - trend[0][1]) * HOUR / (trend[-1][0] - trend[0][0])


def _near_danger(view: View, pace: float) -> bool:
    """Return whether it will be dangerously hot so soon, if it warms on as it does, that there is no time to look again."""
    facts = view.facts
    if facts is None or pace < NEAR_DANGER_C_PER_HOUR:
        return False
    return facts.limits.temperature_danger - view.probe.air.t < pace * NEAR_DANGER_SECONDS / HOUR


def _climbs(view: View, memory: HeatMemory, room: ProbeView | None, trend: list[Look]) -> bool:
    """Return whether it became warmer from each look to the next, and not because its room did."""
    probe, share = view.probe, view.learned("room_warmth_share")
    if any(a[1] >= b[1] for a, b in pairwise(trend)):
        return False
    hours = (trend[-1][0] - trend[0][0]) / HOUR
    rise = trend[-1][1] - trend[0][1]
    room_rise = _rise(room.past.looks, trend[0][0]) if room is not None else None
    if room is None or room_rise is None:
        # A quarter of an hour of a hot day with a snake at the probe is as steep; an hour of it is not.
        hourly = _pace(trend) >= NEAR_DANGER_C_PER_HOUR or _risen(view) - _all_rose(view) >= ALONE_C_PER_HOUR
        return hourly and rise >= ALONE_C_PER_HOUR * hours
    usually = memory.usual.apart_c or 0.0
    follows = share is not None and share > FOLLOWS_SHARE
    heated = probe.air.t - room.air.t >= max(
        _LEAST_APART_C, usually + CLIMB_ABOVE_C if follows else _ROOM_SHARE * usually
    )
    return heated and rise - max(0.0, room_rise) >= CLIMB_C_PER_HOUR * hours


def _recovering(view: View, memory: HeatMemory) -> bool:
    """Return whether it stood open or was colder than usual not long ago: a heater that made up for that overshoots."""
    if _opened(view, RECOVERY_SECONDS):
        return True
    low = memory.usual.low_c - _COOL_BELOW_C if memory.usual.known() else UNKNOWN_C
    return any(t < low for at, t, _ in view.probe.past.looks if at >= view.now - RECOVERY_SECONDS)


def _opened(view: View, within: int) -> bool:
    """Return whether it stood open in the last seconds: by its air, by the journal, or as any lid shows it."""
    by_air = view.now - opened(view.probe) < within
    return by_air or view.handled(within) or _opened_lately(view.probe, view.now - within)


def _opened_lately(probe: ProbeView, since: int) -> bool:
    """Return whether the air fell since a time, from one look to the next, as only an open lid makes it: colder, and drier by as much."""
    return any(b[1] < a[1] and b[2] < _OPENED_SHARE * a[2] for a, b in pairwise(probe.past.looks) if a[0] >= since)


def _stuck_over(view: View, memory: HeatMemory, peak: float) -> Iterator[Finding]:
    """Heat that did not stop is over when it is back at the usual, or what it is now has become the usual; never above its limit."""
    probe, alarm, now = view.probe, view.alarm("heat_stuck_on"), view.now
    limit = next((side.limit for side in probe.sides if side.kind == "hot"), 999.0)
    if probe.air.t >= limit - BACK_C or view.stands("hot") or alarm is None or probe.name not in alarm.holders:
        return
    hour_ago = next((t for at, t, _ in probe.past.looks if at >= now - HOUR), probe.air.t)
    if probe.air.t <= peak + BACK_C or (peak == UNKNOWN_C and probe.air.t <= hour_ago):
        memory.climbs = 0
        yield Amended("heat_stuck_on", view.hottest(alarm))
        yield Over("heat_stuck_on")
    elif now - alarm.raised > DAY and all(h[3] < limit for h in probe.past.within(now // HOUR - 24, now // HOUR)):
        memory.climbs = 0
        memory.usual.days = []
        yield Over("heat_stuck_on", "a day like this, below its limit: this is the usual from now on")


def _lost(view: View, memory: HeatMemory, room: ProbeView | None, trend: list[Look]) -> Findings:
    if view.stands("heat_lost"):
        return _lost_over(view, memory, room)
    early = _colder_than_it_came_back_from(view, memory)
    missed = early and _missed(view)
    near = early and _near_cold(view, memory, room, trend)
    cold = missed or near or (memory.usual.known(DAY_UNKNOWN_LOOKS) and _cold(view, memory, room))
    if not cold or not _cools(view, trend):
        memory.cool_since = NEVER
        return ()
    if memory.cool_since == NEVER:
        memory.cool_since = trend[0][0] if missed else view.now
    long = missed or view.now - memory.cool_since >= COOL_SECONDS
    soon = near and view.now > memory.cool_since
    return _tell_lost(view, memory) if long or soon else ()


def _colder_than_it_came_back_from(view: View, memory: HeatMemory) -> bool:
    """Return whether it is colder than anything it came back from by itself, so that it may be told early.

    Nor may it have been warmer than ever lately: what controlled that down (a dimmer's integral part) comes on late. Nor is it
    water, which cools the air by degrees within minutes, and the heater makes up for it.
    What is neither is told all the same when it stays cold for `COOL_SECONDS`.
    """
    looks, t = view.probe.past.looks, view.probe.air.t
    if not memory.usual.known() or t >= memory.usual.low_c - MISSED_BELOW_C:
        return False  # nearly always
    top = len(looks) - 1
    while top > 0 and looks[top - 1][1] > looks[top][1]:
        top -= 1
    hottest = max((was for at, was, _ in looks if at >= view.now - RECOVERY_SECONDS), default=t)
    new = t < min((was for _, was, _ in looks[:top]), default=999.0) - _NEW_C
    return new and not _moistened(looks[top:]) and hottest <= memory.usual.high_c + CLIMB_ABOVE_C


def _moistened(fall: list[Look]) -> bool:
    """Return whether vapour rose from one look of a fall to the next: water that evaporates gives vapour for the heat it takes, what lost its heat gives none."""
    return any(b[2] > _MOISTENED * a[2] for a, b in pairwise(fall))


def _missed(view: View) -> bool:
    """Return whether its thermostat, whose cycle is known, did not come on for a whole one."""
    minutes = view.learned("heat_period_minutes")
    if minutes is None:
        return False
    since = view.now - max(_MISSED_LEAST_SECONDS, minutes * 60)
    looks = [look for look in view.probe.past.looks if look[0] >= since - _APART_SECONDS // 2]
    falls = len(looks) >= _LOOKS and looks[0][0] <= since and all(a[1] > b[1] for a, b in pairwise(looks))
    return falls and _fell_by_itself(view, looks[0])


def _fell_by_itself(view: View, top: Look) -> bool:
    """Return whether it fell further than its room since a look: what has lost its heat comes nearer to its room, however fast that cools."""
    rose = _rise(view.room.past.looks, top[0]) if view.room is not None else None
    return rose is None or top[1] - view.probe.air.t > -rose


def _near_cold(view: View, memory: HeatMemory, room: ProbeView | None, trend: list[Look]) -> bool:
    """Return whether it cools as no room makes it, and will be too cold before it could be looked at for long."""
    limit = next((side.limit for side in view.probe.sides if side.kind == "cold"), UNKNOWN_C)
    room_rise = (_rise(room.past.looks, trend[0][0]) if room is not None else None) or 0.0
    pace = -_pace(trend) + min(0.0, room_rise) * HOUR / (trend[-1][0] - trend[0][0])
    falls = all(a[1] > b[1] for a, b in pairwise(trend)) and pace >= NEAR_COLD_C_PER_HOUR
    cold = view.probe.air.t < memory.usual.low_c - _NEAR_COLD_BELOW_C
    return falls and cold and view.probe.air.t - limit < pace * NEAR_COLD_SECONDS / HOUR


def _cold(view: View, memory: HeatMemory, room: ProbeView | None) -> bool:
    """Return whether it is colder than ever in the last days, and with a room's probe nearly as cold as its room."""
    t, low, apart = view.probe.air.t, memory.usual.low_c, memory.usual.apart_c
    if room is None or apart is None:
        return memory.usual.known() and t < low - _ALONE_BELOW_C
    return apart >= _HEATED_APART_C and t - room.air.t < _ROOM_SHARE * apart and t < low - _COOL_BELOW_C


def _cools(view: View, trend: list[Look]) -> bool:
    """Return whether it does not warm, nobody opened it, and its probe is dry and believed to be where it was."""
    if view.probe.faults or near_since(view.probe) != NEVER or trend[-1][1] > trend[0][1] + _STEADY_C:
        return False
    return not _opened(view, _OPENED_SECONDS) and not wetted(view.probe)


def _lost_over(view: View, memory: HeatMemory, room: ProbeView | None) -> Iterator[Finding]:
    """It is over when it warms by its own heat, or is back at the usual and stays there."""
    t, looks = view.probe.air.t, view.probe.past.looks
    if memory.cool_since == NEVER:  # told before all of this was remembered, or by another probe
        memory.cool_since = view.now
        _fell_to(view, memory, t)
    elif t < memory.coldest and not _opened(view, HOUR):  # a closed lid gives an open one's cold back without any heat
        _fell_to(view, memory, t)
    low = memory.usual.low_c if memory.usual.days else memory.coldest + 2 * _WARMED_C
    enough = max(_WARMED_C, _WARMED_SHARE * (low - memory.coldest))
    warmed = t - memory.coldest - _of_the_room(memory, room, view.now)
    heats = warmed >= enough
    if room is None or memory.room_then == UNKNOWN_C:
        heats = min(warmed, _risen(view)) >= max(enough, ALONE_C_PER_HOUR)
    lately = min((was for at, was, _ in looks if at >= view.now - _HELD_SECONDS), default=t)
    holds = lately >= low - BACK_C and warmed - (t - lately) >= BACK_C
    if heats or holds:
        memory.cool_since = NEVER
        yield Over("heat_lost")


def _fell_to(view: View, memory: HeatMemory, t: float) -> None:
    room = view.room
    memory.coldest, memory.room_then = t, UNKNOWN_C if room is None else room.air.t


def _of_the_room(memory: HeatMemory, room: ProbeView | None, now: int) -> float:
    """Return by how much an enclosure without heat may be warmer than its coldest, °C: by what its room rose since, if that is known."""
    if room is None or memory.room_then == UNKNOWN_C:
        return 0.0
    warmest = max((t for at, t, _ in room.past.looks if at >= now - _ROOM_LAG_SECONDS), default=room.air.t)
    return max(0.0, warmest - memory.room_then)


def _tell_lost(view: View, memory: HeatMemory) -> Iterator[Finding]:
    """Tell it, and of those of its room that stopped with it as well."""
    others = [w for w in view.neighbours if w is not view.probe and not w.faults]
    lately = [alarm for w in others if (alarm := _told_lately(view.of(w))) is not None]
    common = next(filter(None, (str(alarm.detail.get("common", "")) for alarm in lately)), "")
    cooling = [w for w in others if _cools_too(view.of(w))]
    if common or len(lately) + len(cooling) + 1 >= TOGETHER_FROM:
        common = common or f"{view.probe.room} {view.wall(memory.cool_since)}"
        cooling = [w for w in others if _cools_too(view.of(w), many=True)]
    for one in [view.probe, *(cooling if common else [])]:
        its = one.memory(HeatMemory)
        _fell_to(view, its, one.air.t)
        its.cool_since = memory.cool_since if its.cool_since == NEVER else its.cool_since
        figures = {"usual_low_c": round(its.usual.low_c, 1)} | ({"common": common} if common else {})
        yield Stands(
            "heat_lost",
            its.cool_since,
            round(one.air.t, 1),
            cause=_TOGETHER if common else "",
            detail=figures,
            probe=one,
        )


def _told_lately(view: View) -> AlarmInstance | None:
    """Return the alarm of this enclosure's heat that was lost, if that was told lately."""
    alarm = view.standing("heat_lost")
    return alarm if alarm is not None and view.now - alarm.raised < TOGETHER_SECONDS else None


def _cools_too(view: View, *, many: bool = False) -> bool:
    """Return whether an enclosure whose neighbour's heat stopped has lost its own, though it is not yet so cold that it would be told alone.

    Nearly at the lowest of the last days, and it fell for half an hour without a break, further than its thermostat lets it.
    many: several have stopped, so it is the mains or a breaker; then half as long a fall will do, and from wherever it began.
    """
    probe, memory, now = view.probe, view.probe.memory(HeatMemory), view.now
    if not _heated(view) or view.stands("heat_lost") or not memory.usual.known(DAY_UNKNOWN_LOOKS):
        return False
    if memory.cool_since != NEVER:
        return True
    falls = all(
        a[1] > b[1]
        for a, b in pairwise(probe.past.looks)
        if a[0] >= now - (COOL_SECONDS // 2 if many else COOL_SECONDS)
    )
    top = max((look for look in probe.past.looks if look[0] >= now - 2 * HOUR), key=itemgetter(1), default=None)
    if top is None or not _fell_by_itself(view, top):
        return False
    far = top[1] - probe.air.t > _FURTHER * probe.past.usual_swing
    low = many or probe.air.t < memory.usual.low_c + _NEARLY_C
    return falls and far and low and not _opened_lately(probe, now - _OPENED_SECONDS)


DETECTOR: Final = Detector(
    "heat",
    {
        "heat_stuck_on": Rationale(
            "heat does not stop", "heater or thermostat stuck on", "overheating: an hour of heat harms, death soon after",
            HEAT_OFF, 15 * 60, "urgent",
        ),
        "heat_lost": Rationale(
            "heat source stopped", "heater, thermostat or plug failed", "as cold as the room within hours",
            AT_A_HEATER, 2 * HOUR, "medium",
        ),
    },
    HeatMemory,
    look=look,
)  # fmt: skip
