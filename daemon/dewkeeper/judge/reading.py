"""One reading: is it to be believed, and what does it lead to. The judge's hot path.

Tests are those of QARTOD by name, made causal: `gross_range` fails what the sensor cannot mean; `rate_of_change`
suspects a jump no air makes, until the next reading agrees with it (then both count). A single rubbish word is thus
never counted, while fast heat (5 °C a minute) passes untouched and a step of heat counts at its second reading.

`crc_burst`: where the bus damages many answers, one damaged word in 256 looks whole. There a reading counts only with
a neighbour that agrees with it; alone it is suspect. Not all of them: one bad plug would leave its whole bus unwatched.
"""

from __future__ import annotations

from statistics import median
from typing import Final

from dewkeeper.air import humidity_at, saturation_hpa
from dewkeeper.judge.beliefs import beliefs
from dewkeeper.judge.excursion import change_level
from dewkeeper.judge.faults import note_rubbish, note_stranger, recover, start_fault
from dewkeeper.judge.foresight import foresee
from dewkeeper.judge.limits import SLOW_SECONDS
from dewkeeper.judge.neighbours import COMPARED, hourly, still_apart
from dewkeeper.judge.signs import FALL, LOOK_SECONDS, OWN_HEAT_C, RISE, SATURATED_SECONDS, jumped, look, own_heat
from dewkeeper.judge.state import NEVER, State, Watch
from dewkeeper.judge.supply import note_restart
from dewkeeper.judge.types import FAIL, MISSING, NOT_EVALUATED, OTHER_SENSOR, PASS, SUSPECT

Outcome = tuple[int, tuple[str, ...]]

T_SPAN: Final = (-40.0, 125.0)
H_SPAN: Final = (0.5, 105.0)
"""Fail span: the sensor's own. 0 % is a dead word; a little above 100 % is a calibrated probe in fog."""

T_JUMP_C: Final = 8.0  # per minute; a stuck heater makes 5
AGREE_C: Final = 3.0
"""Two temperatures that agree so well always count, whatever came before."""
H_JUMP_PERCENT: Final = 20.0  # a mist stream makes 15 per minute

BURST_T_C: Final = 3.0
BURST_H_PERCENT: Final = 8.0
"""Neighbours in a burst agree within this, whatever the time between them. Two readings of heat always do within 3 °C."""

_GOOD: Final[Outcome] = (PASS, ())
_FIRST: Final[Outcome] = (NOT_EVALUATED, ())
_ORDER: Final[Outcome] = (SUSPECT, ("out_of_order",))
_GROSS: Final[Outcome] = (FAIL, ("gross_range",))
_JUMPED: Final[Outcome] = (SUSPECT, ("rate_of_change",))
_ALONE: Final[Outcome] = (SUSPECT, ("crc_burst",))

FLAT_RUN: Final = 10
FLAT_ROUNDED_SECONDS: Final = 3600
_CRC_TOLD: Final = 6
_SATURATED_PERCENT: Final = 99.0
HEATER_LONGEST_SECONDS: Final = 6 * 3600
TOUCHED_SECONDS: Final = 3600
"""So long a probe may read what a hand did to it; as `words.SOON_BACK_SECONDS`."""


def take(
    state: State, watch: Watch, now: int, t: float, h: float, pair_t: float, pair_h: float, burst: bool = False
) -> Outcome:
    """Judge a poll that gave values.

    pair_t, pair_h: the raw words, or the values where there are none. burst: the bus damages many answers now.
    """
    if now <= watch.last:
        return _ORDER
    watch.last = watch.live = now
    if not (T_SPAN[0] <= t <= T_SPAN[1] and H_SPAN[0] <= h <= H_SPAN[1]):
        return _gross(state, watch, now)
    if watch.crc:
        watch.crc -= 1

    watch.pairs += 1
    flat = False
    if pair_t == watch.pair_t and pair_h == watch.pair_h:
        flat = _repeats(state, watch, now, pair_t.__class__ is int)
    else:
        if watch.flat:
            watch.repeats += 0 if "flat_line" in watch.faults else watch.flat
            watch.flat = 0
        watch.pair_t, watch.pair_h, watch.flat_since = pair_t, pair_h, now
    wet = h >= _SATURATED_PERCENT
    if wet or watch.wet_since != NEVER:
        wet = _wet(state, watch, now, h)

    outcome = _GOOD
    if watch.faults:
        traces = {k for k, bad in (("flat_line", flat), ("saturated", wet)) if bad}
        recover(state, watch, now, traces | _lasting(state, watch, now, t, h))
        outcome = _in_fault(state, watch, now)
        if outcome[0] == FAIL:
            return outcome
        burst = burst or "gross_range" in watch.faults  # between rubbish, too, only neighbours that agree count
    seconds = now - watch.seen
    if (
        burst or seconds > state.hold or watch.pend_at != NEVER
        or not (-T_JUMP_C <= t - watch.t <= T_JUMP_C and -H_JUMP_PERCENT <= h - watch.h <= H_JUMP_PERCENT)
    ):  # fmt: skip
        refused = _alone(state, watch, now, t, h) if burst else _suspect(state, watch, now, t, h)
        if refused is not None:
            return refused
        seconds = now - watch.seen
        watch.pend_at = NEVER
    if seconds > state.hold and not burst and outcome is _GOOD:
        outcome = _FIRST
    count(state, watch, now, t, h, seconds)
    return outcome


def _repeats(state: State, watch: Watch, now: int, words: bool) -> bool:
    """Return whether identical pairs make a flat line. How often they repeat by themselves tells rounded data from fine ones."""
    if watch.pairs > 20000:
        watch.pairs //= 2
        watch.repeats //= 2
    watch.flat += 1
    return watch.flat >= FLAT_RUN - 1 and _flat(state, watch, now, words)


def _suspect(state: State, watch: Watch, now: int, t: float, h: float) -> Outcome | None:
    """Refuse a jump no air makes, until another reading agrees with it; both count then."""
    seconds = now - watch.seen
    if seconds > state.hold:
        if watch.pend_at != NEVER:
            _agrees(state, watch, now, t, h, T_JUMP_C, 12.0)  # no two agreed for a while; perhaps these do
        return None
    minutes = seconds / 60 if seconds > 60 else 1.0
    dt = t - watch.t
    dh = h - watch.h
    limit_h = H_JUMP_PERCENT if seconds <= 90 else 30.0
    if -T_JUMP_C * minutes <= dt <= T_JUMP_C * minutes and -limit_h <= dh <= limit_h:
        if watch.pend_at != NEVER:
            # Over two polls it is no jump. It bears out the one that waited when near it, or when that lies on its way up.
            rises = watch.t - 0.5 <= watch.pend_t <= t + 0.5
            _agrees(state, watch, now, t, h, T_JUMP_C if rises else AGREE_C, 12.0)
        return None
    waited = max(60, now - watch.pend_at) / 60
    if _still_hot(watch, t) or _agrees(state, watch, now, t, h, T_JUMP_C * waited, 12.0 * min(waited, 2.0)):
        return None
    note_rubbish(state, watch, now)
    return _JUMPED


def _alone(state: State, watch: Watch, now: int, t: float, h: float) -> Outcome | None:
    """Refuse, among garbled answers, a reading that no neighbour agrees with."""
    if now - watch.seen <= state.hold:
        if abs(t - watch.t) <= BURST_T_C and abs(h - watch.h) <= BURST_H_PERCENT:
            return None
        if _still_hot(watch, t):
            return None
    if _agrees(state, watch, now, t, h, BURST_T_C, BURST_H_PERCENT):
        return None
    if "gross_range" in watch.faults:
        note_rubbish(state, watch, now)
    return _ALONE


def _still_hot(watch: Watch, t: float) -> bool:
    """Return whether a temperature and the last one that counted are both too hot and agree, whatever humidity does."""
    return bool(watch.sides) and min(t, watch.t) > -watch.sides[2].runs()[0].limit and abs(t - watch.t) <= AGREE_C


def count(state: State, watch: Watch, now: int, t: float, h: float, seconds: int) -> None:
    """Let a believed reading move the means, the timers and what is compared."""
    e = h * 0.01 * saturation_hpa(t)
    if watch.seen == NEVER:
        watch.slow_t, watch.slow_e = t, e
        seconds = 0
    else:
        weight = seconds / (SLOW_SECONDS + seconds)
        watch.slow_t += weight * (t - watch.slow_t)
        watch.slow_e += weight * (e - watch.slow_e)
    elsewhere = bool(watch.faults) and any(belief.elsewhere for _, belief in beliefs(state, watch, now))
    trail = watch.past.trail
    if trail and not elsewhere:
        at, t0, e0 = trail[0]
        if now - at > 600 and now - trail[-1][0] > 600:
            watch.disturbed(now)
        elif not (FALL * e0 <= e <= RISE * e0 and -1.0 < t - t0 < 1.0) and now - trail[-1][0] <= state.hold:
            elsewhere = _moved(state, watch, now, t, e)
    watch.t, watch.h, watch.e = t, h, e
    watch.seen = now
    if not elsewhere:
        turned = watch.past.add(now, t, e)
        if turned or now >= watch.look_at:
            _look_back(state, watch, now, turned)
    if watch.busy or not (watch.h_low <= h <= watch.h_high and watch.t_low <= t <= watch.t_high):
        _time(state, watch, now, 0 if seconds > state.hold else seconds)


def _moved(state: State, watch: Watch, now: int, t: float, e: float) -> bool:
    """Compare a reading with what is up to five minutes older; return whether something warmed the probe alone."""
    past = watch.past
    trail = past.trail
    then = trail[0]
    rise, fall = e > RISE * then[2], e < FALL * then[2]
    if (rise or fall) and not watch.faults and not watch.crc:
        jumped(state, watch, now, t, e, then)
    step = t - then[1]
    opened = fall and then[2] - e > 1.2 * past.usual_range
    # A misting, which moistens and cools, touches no probe; nor does a lamp that swings like this every hour.
    if opened or (not -1.0 < step < 1.0 and abs(step) > 1.2 * past.usual_swing and not (rise and step < 0)):
        watch.disturbed(now)
    if len(trail) > 1 and trail[-1][1] - trail[-2][1] >= OWN_HEAT_C and watch.sides and own_heat(watch, now, t, e):
        watch.heater_from = trail[-2][1]
        start_fault(
            state, watch, "sensor_heater", now, trail[-1][0],
            cause="it got warmer at once and its vapour stayed: its own heater, a lamp over it, or a warmer place",
            response="look where the probe lies and what shines on it; restart the daemon if that is not it",
        )  # fmt: skip
        return True
    return False


def _look_back(state: State, watch: Watch, now: int, turned: bool) -> None:
    """Look at a probe from a step back: every so often, and when a new hour of it begins."""
    if now >= watch.look_at:
        watch.look_at = now + LOOK_SECONDS
        look(state, watch, now)
        foresee(state, watch, now)
    if turned:
        hourly(state, watch, now)


def _time(state: State, watch: Watch, now: int, step: int) -> None:
    """Let a reading move the timers of its sides."""
    t, h = watch.t, watch.h
    slow_h = humidity_at(watch.slow_e, watch.slow_t)
    believed = not watch.faults or not any("humidity" in belief.takes for _, belief in beliefs(state, watch, now))
    past = watch.past if believed else None
    touched = state.touched(watch.enclosure, now - TOUCHED_SECONDS)
    busy = False
    for side in watch.sides:
        if side.thermal:
            level = side.step(t, watch.slow_t, step, now, None, True, touched)
        else:
            level = side.step(h, slow_h, step, now, past, believed, touched)
        if level != side.level:
            change_level(state, watch, side, level, now)
        busy = busy or side.busy
    watch.busy = busy


def lost(state: State, watch: Watch, now: int, failure: str) -> Outcome:
    """Judge a poll that gave no values."""
    if now <= watch.last:
        return (MISSING, (failure,))
    watch.last = now
    if failure == "crc":
        watch.live = now  # it answers, if only garbage: not missing
        if watch.crc == 0:
            watch.crc_since = now
        # Two up for a garbled reply, one down for a good one: three in a row, or most of ten, is a fault.
        watch.crc = min(watch.crc + 2, _CRC_TOLD + 2)
        if watch.crc >= _CRC_TOLD:
            start_fault(state, watch, "crc", now, watch.crc_since)
    if failure == "brownout":
        note_restart(state, watch, now)
    if watch.faults:
        for kind, spell in watch.faults.items():
            if kind != "brownout":
                spell[1] = -1
    return (MISSING, (failure,))


def notes(state: State, watch: Watch, now: int, seen: tuple[str, ...]) -> None:
    """Heed what the driver saw beside the values."""
    if "heater_on" in seen:
        start_fault(state, watch, "sensor_heater", now, now, stated=True)
    before = watch.stranger
    note_stranger(state, watch, now, next((note for note in seen if note.startswith(OTHER_SENSOR)), ""))
    if "reset_seen" in seen and watch.stranger == before:  # a plug pulled by hand is no weak supply
        note_restart(state, watch, now)


def _gross(state: State, watch: Watch, now: int) -> Outcome:
    note_rubbish(state, watch, now, stated=True)
    for spell in watch.faults.values():
        spell[1] = -1
    return _GROSS


def _flat(state: State, watch: Watch, now: int, words: bool) -> bool:
    # Words are 16 bits: ten equal pairs do not happen. Values from a file may be rounded; then an hour is needed.
    fine = not watch.rounded and (words or (watch.pairs >= 60 and watch.repeats * 50 < watch.pairs))
    if fine or now - watch.flat_since >= FLAT_ROUNDED_SECONDS:
        start_fault(state, watch, "flat_line", now, watch.flat_since, stated=fine)
        return True
    return False


def _wet(state: State, watch: Watch, now: int, h: float) -> bool:
    if h < _SATURATED_PERCENT - 2:
        watch.wet_since = NEVER
        return False
    if watch.wet_since == NEVER:
        watch.wet_since = now
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    moist = facts is not None and (facts.egg_box or facts.limits.humidity_target.high >= 99)
    if moist and "saturated" not in watch.faults and not _reads_wet_bulb(watch):
        return False  # an egg box may well be at 99 %
    if "saturated" not in watch.faults and state.wiped(watch.enclosure, watch.wet_since - TOUCHED_SECONDS):
        return False  # dried, put back, and as wet again within the hour: it is the air
    if now - watch.wet_since >= SATURATED_SECONDS:
        start_fault(state, watch, "saturated", now, watch.wet_since)
        return True
    return "saturated" in watch.faults


def _reads_wet_bulb(watch: Watch) -> bool:
    """Return whether the pinned probe is cooler than its air was: water evaporates from it, as from a wet bulb.

    The air must have been drier before, else there is nothing to tell the film from it.
    """
    before = [look for look in watch.past.looks if watch.wet_since - 5400 <= look[0] < watch.wet_since - 480]
    since = [look for look in watch.past.looks if look[0] >= watch.wet_since]
    if len(before) < 6 or len(since) < 6:
        return False
    t_before, t_since = median(t for _, t, _ in before), median(t for _, t, _ in since)
    h_before = max(humidity_at(e, t) for _, t, e in before[-2:])  # it jumped; a cooling box creeps up
    spread = max(t for _, t, _ in before) - min(t for _, t, _ in before)
    usual = median(hour[1] for hour in watch.past.hours) if watch.past.learned else t_before
    falling = since[-1][1] < since[0][1] - 0.4  # a box that goes on cooling has lost its heat, and is wet in truth
    cooler = min(t_before, usual) - t_since
    vapour = median(e for _, _, e in before)
    return h_before < 98.0 and not falling and max(0.2, 0.5 * spread) < cooler < _coolest_film(t_before, vapour)


def _coolest_film(t: float, e: float) -> float:
    """Return by how many °C at most a film of water is cooler than air of t °C and e hPa; what is cooler still was opened.

    The wet bulb's depression (psychrometer, 0.66 hPa/°C at 1000 hPa), linear from the air's own temperature, twice over,
    and the 0.6 °C by which two good probes may differ: humidity itself is known to some per cent only.
    """
    slope = saturation_hpa(t + 0.5) - saturation_hpa(t - 0.5)
    return 2 * max(0.0, saturation_hpa(t) - e) / (0.66 + slope) + 0.6


def _lasting(state: State, watch: Watch, now: int, t: float, h: float) -> set[str]:
    """Return the faults found by comparison that this reading does not end."""
    lasting: set[str] = set()
    for kind in watch.faults:
        if kind == "sensor_heater":
            hot = watch.heater_from and t > watch.heater_from + 1.0
            if hot and now - watch.faults[kind][0] < HEATER_LONGEST_SECONDS:
                lasting.add(kind)
        elif kind in COMPARED and still_apart(state, watch, now, t, h, kind):
            lasting.add(kind)
    return lasting


def _in_fault(state: State, watch: Watch, now: int) -> Outcome:
    held = beliefs(state, watch, now)
    bad = tuple(kind for kind, belief in held if "temperature" in belief.takes)
    if bad:
        return (FAIL, bad)
    doubt = tuple(kind for kind, _ in held)
    return (SUSPECT, doubt) if doubt else _GOOD


def _agrees(state: State, watch: Watch, now: int, t: float, h: float, near_t: float, near_h: float) -> bool:
    """Return whether a reading agrees with the one that waits, which then counts first; else it waits itself.

    Where both are too hot their humidities need not agree: heat is not argued away.
    """
    waiting = watch.pend_at
    hot = bool(watch.sides) and min(t, watch.pend_t) > -watch.sides[2].runs()[0].limit
    if now - waiting <= state.hold and abs(t - watch.pend_t) <= near_t and (hot or abs(h - watch.pend_h) <= near_h):
        count(state, watch, waiting, watch.pend_t, watch.pend_h, waiting - watch.seen)
        watch.pend_at = NEVER
        if watch.rubbish and watch.rubbish[-1] == waiting:
            del watch.rubbish[-1]  # a jump that stayed is the air's
        return True
    watch.pend_at, watch.pend_t, watch.pend_h = now, t, h
    return False
