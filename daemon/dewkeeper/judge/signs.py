"""What the air itself says happened: a misting, an opening, a probe that fell out, heat that stopped or does not stop.

Everything compares vapour pressure, not humidity, and compares a probe with its own past and with its room. Water and
open lids are suppressed by design for a bounded time: they explain a while, never a day, and never heat.
"""

from __future__ import annotations

from statistics import median
from typing import Final

from dewkeeper.air import saturation_hpa
from dewkeeper.judge.book import Key
from dewkeeper.judge.faults import start_fault
from dewkeeper.judge.heat import look_at_heat
from dewkeeper.judge.past import TRAIL_SECONDS
from dewkeeper.judge.rooms import look_at_room
from dewkeeper.judge.state import NEVER, State, Watch
from dewkeeper.judge.types import Kind

LOOK_SECONDS: Final = 300

RISE: Final = 1.08  # in five minutes: faster than a bowl can evaporate into a tub
FALL: Final = 0.93
AGAIN_SECONDS: Final = 4 * 3600
"""Signs within so long of each other explain no more than the first did: suppression stays bounded."""

MIST_SECONDS: Final = 2 * 3600
"""A rise after misting that is gone in an hour or two is nothing; past two hours it is told as usual."""
OPENING_COLD_SECONDS: Final = 3600
OPENING_DRY_SECONDS: Final = 3600
RESTORE_SECONDS: Final = 2700
"""An opened tub that is not on its way back by then was not closed."""

GIVE_UP_SECONDS: Final = 4 * 3600
"""What was not told of an opening by then was none."""

OWN_HEAT_C: Final = 1.5
"""By so much at once a probe is warmed by its own heater or by a lamp, °C from poll to poll; data sheet: its heater makes some °C."""

SATURATED_SECONDS: Final = 2700
"""So long at 100 % is no air, but a wet probe."""
_NOT_WET_PERCENT: Final = 92.0

DISPLACED_SUDDEN_SECONDS: Final = 2400
"""Longer than a tub stands open in passing."""
DISPLACED_SLOW_SECONDS: Final = 5400
_SUDDEN_LOOKS: Final = 4
"""From a tub's usual air into the room's within 20 min of readings: a lag of a probe, not the cooling of a tub."""
_NEAR_T_C: Final = 0.8
_NEAR_E: Final = 0.06
_SUDDEN_E_HPA: Final = 1.8
_ONE_AIR_C: Final = 0.6
_ONE_AIR_PERCENT: Final = 4.0
"""Two probes of ±0.3 °C and ±2 %RH (data sheet, typical) in one air lie no further apart, noise and draughts averaged out. An
enclosure under an open lid stays warmer than its room: its heater goes on."""


def jumped(state: State, watch: Watch, now: int, t: float, e: float, then: tuple[int, float, float]) -> None:
    """A counted reading differs much from one up to five minutes older: water, or an open lid?"""
    _, t0, e0 = then
    place = watch.place
    if e > RISE * e0 and e - e0 > 1.2 * watch.past.usual_range and t < t0 + 2.0:
        if now - watch.misted > AGAIN_SECONDS:
            watch.misted = now
        hush(state, place, "damp", watch.misted + MIST_SECONDS)
        return
    if e0 - e < 1.2 * watch.past.usual_range:
        return  # a thermostat makes such swings here every hour
    room = room_of(state, watch, now)
    # Without the room's air to compare with, a sudden fall is told like any other: nothing explains it.
    if room is not None and e < FALL * e0 and room.e < e0 and room.t < t0 + 1.0:
        if now - watch.opened > AGAIN_SECONDS:
            watch.opened, watch.open_e, watch.open_t, watch.restored = now, e0, t0, False
            watch.open_low = watch.past.low_c if watch.past.learned else t0 - 0.5
            watch.low_e, watch.low_at, watch.fell_by = e, now, e0 - e
        elif watch.restored:
            return  # it was closed again, or no opening at all: what falls now is not explained
        hush(state, place, "cold", watch.opened + OPENING_COLD_SECONDS)
        hush(state, place, "dry", watch.opened + OPENING_DRY_SECONDS)


def hush(state: State, place: str, kind: Kind, until: int) -> None:
    """Suppress a kind in a place by design until a time, unless it already is for longer, or was beyond before."""
    key: Key = (place, kind)
    if state.beyond_before(place, kind, state.now):
        return
    if until > state.now and until > state.book.quiet.get(key, -1):
        state.book.quiet[key] = until
        state.set_timer(until, "quiet", f"{place}\x1f{kind}")


def unhush(state: State, place: str, kind: Kind, until: int) -> None:
    """Take back a suppression that the air seemed to explain; one from the journal or a command stays."""
    key: Key = (place, kind)
    if state.book.quiet.get(key) == until:
        state.book.quiet[key] = state.now
        state.set_timer(state.now, "quiet", f"{place}\x1f{kind}")


def room_of(state: State, watch: Watch, now: int) -> Watch | None:
    """Return the room's probe when it has a believed reading of the last quarter of an hour."""
    name = state.rooms.get(watch.room)
    if name is None or name == watch.name:
        return None
    room = state.watches.get(name)
    if room is None or room.faults or now - room.seen > max(900, state.hold):
        return None
    return room


def look(state: State, watch: Watch, now: int) -> None:
    """Every five minutes of readings: what is this probe in, seen from a step back?"""
    looks = watch.past.looks
    gap = now - looks[-1][0] if looks else 0
    watch.past.look(now, watch.t, watch.e)
    if watch.role == "room":
        look_at_room(state, watch, gap if gap <= LOOK_SECONDS + state.hold else 0, now)
    if watch.role != "substrate":
        return
    room = room_of(state, watch, now)
    _opening(state, watch, room, now)
    if room is None:
        watch.near_since = NEVER
    else:
        if not watch.faults.keys() - {"swapped"}:
            watch.past.compare(room.t, room.e, watch.t, watch.e)
        _displaced(state, watch, room, now)
    look_at_heat(state, watch, room, now)


def _opening(state: State, watch: Watch, room: Watch | None, now: int) -> None:
    if watch.restored:
        return
    if watch.low_e > watch.e or watch.low_at < watch.opened:
        watch.low_e, watch.low_at = watch.e, now
    drop = watch.open_e - watch.low_e
    if now - watch.opened <= 1200:
        watch.fell_by = drop
    back = watch.e - watch.low_e
    key: Key = (watch.place, "lid_open")
    standing = state.book.stands(key)
    closed = back >= 0.5 * drop or watch.e >= 0.93 * watch.open_e
    if closed or (now - watch.opened > GIVE_UP_SECONDS and not standing):
        watch.restored = True
        if closed:
            _begin_anew(watch)
        state.book.clear(key, now, watch.name)
        return
    if now - watch.opened >= 600 and watch.t > watch.open_t - 0.4 and now - watch.opened < RESTORE_SECONDS:
        # An open lid cools too. Vapour alone fell: a bowl ran dry, and that is told on time.
        watch.restored = True
        unhush(state, watch.place, "cold", watch.opened + OPENING_COLD_SECONDS)
        unhush(state, watch.place, "dry", watch.opened + OPENING_DRY_SECONDS)
        return
    if now - watch.opened >= 1200 and min(t for at, t, _ in watch.past.looks if at >= watch.opened) > watch.open_low:
        # No cooler than its thermostat makes it every hour: perhaps no opening at all, and `dry` is told on time.
        unhush(state, watch.place, "dry", watch.opened + OPENING_DRY_SECONDS)
    if now - watch.opened < RESTORE_SECONDS or watch.faults or watch.t > min(watch.open_t - 0.5, watch.open_low):
        return
    if room is not None and _still_open(watch, room):
        state.book.raise_(
            key, now, since=watch.opened, enclosure=watch.enclosure, probe=watch.name, holder=watch.name,
            value=round(watch.h, 1), cause="the air is still the room's after an opening",
        )  # fmt: skip


def _still_open(watch: Watch, room: Watch) -> bool:
    """Return whether the air fell most of its way to the room's and has stayed there."""
    if watch.opened - watch.misted < 3 * 3600 or watch.near_since != NEVER:
        return False  # while a misting dries off, a fall proves no lid
    if watch.past.learned and watch.open_t > median(hour[1] for hour in watch.past.hours) + 2.0:
        return False  # it came down from a heat it is not used to, and its vapour with it
    excess = watch.open_e - room.e
    if watch.past.learned:
        excess = min(excess, watch.past.usual_de)  # what was more than usual was a misting's, and dries off by itself
    mixed = watch.low_e - room.e < 0.5 * excess and watch.fell_by >= 0.35 * excess
    drop, back = watch.open_e - watch.low_e, watch.e - watch.low_e
    return mixed and -1.0 < watch.e - room.e < 0.45 * excess and back < 0.25 * drop


def _begin_anew(watch: Watch) -> None:
    """It was closed again: what was too dry or too cold only since it stood open was the room's air.

    An opening is seen up to five minutes after it began.
    """
    for side in watch.sides:
        if side.kind in ("dry", "cold"):
            for run in side.runs():
                if run.seconds >= 0 and run.since >= watch.opened - TRAIL_SECONDS:
                    run.restart()


def wetted(watch: Watch, now: int) -> bool:
    """Return whether a probe reads 100 % all of a sudden, and it is too early to say that it is the probe that is wet."""
    if watch.wet_since == NEVER or now - watch.wet_since >= SATURATED_SECONDS:
        return False
    before = [look for look in watch.past.looks if watch.wet_since - 1200 <= look[0] < watch.wet_since]
    return any(100 * e < _NOT_WET_PERCENT * saturation_hpa(t) for _, t, e in before)


def usually_apart(watch: Watch) -> bool:
    """Return whether this enclosure's temperature usually tells it from its room."""
    return watch.past.learned and abs(watch.past.usual_dt) >= 3.0


def tells_from_room(watch: Watch, room: Watch) -> bool:
    """Return whether what is usual here would tell a probe in this enclosure from one that came to lie in the room's air.

    A tub whose heat failed comes to its room's temperature too, but slowly; there only the vapour tells them apart.
    """
    told_by_heat = watch.near_sudden and abs(watch.past.usual_dt) >= 2 * _NEAR_T_C
    return watch.past.learned and (told_by_heat or abs(watch.past.usual_de) >= 3 * max(_NEAR_E * room.e, 0.6))


def _displaced(state: State, watch: Watch, room: Watch, now: int) -> None:
    usual_t, usual_e = watch.past.usual_dt, watch.past.usual_de
    sudden = watch.near_sudden if watch.near_since != NEVER else watch.far_looks <= _SUDDEN_LOOKS
    # In a room nearly as warm or as moist as its tubs a near match is no match: a quarter of the usual distance at most.
    close = abs(watch.t - room.t) <= max(0.7, 0.25 * abs(usual_t)) and abs(watch.e - room.e) <= max(
        0.8, 0.25 * abs(usual_e)
    )
    if not close or not reads_room(watch.t, watch.e, room, sudden):
        watch.near_since = NEVER
        warmth, vapour = abs(watch.t - room.t), abs(watch.e - room.e)
        far = warmth > 0.65 * abs(usual_t) and (abs(usual_t) >= 3.0 or vapour > 0.4 * abs(usual_e))
        far = far or vapour > max(2 * _SUDDEN_E_HPA, 0.4 * abs(usual_e))
        watch.far_looks, watch.far_at = (0, now) if far else (watch.far_looks + 1, watch.far_at)
        return
    if watch.near_since == NEVER:
        watch.near_since, watch.near_sudden = now, sudden
    if "displaced" in watch.faults:
        return
    if not tells_from_room(watch, room):
        return
    touched = any(0 <= watch.near_since - at <= 3600 for at in watch.breaks)
    if not watch.near_sudden and not touched:
        return  # it came there slowly and by itself: it cooled
    at_once = watch.near_sudden and usually_apart(watch) and _one_air(watch, room)
    if now - watch.near_since >= (DISPLACED_SUDDEN_SECONDS if at_once else DISPLACED_SLOW_SECONDS):
        # It may have fallen right after the last look that was still the tub's.
        since = watch.far_at + 1 if at_once and watch.far_at != NEVER else watch.near_since
        start_fault(
            state, watch, "displaced", now, since,
            {"sure": "very" if at_once else "fairly", "room_c": round(room.t, 1), "room_hpa": round(room.e, 1)},
        )  # fmt: skip
        for kind in ("lid_open", "heat_lost"):
            state.book.clear((watch.place, kind), now, watch.name)
        watch.restored = True


def _one_air(watch: Watch, room: Watch) -> bool:
    """Return whether a probe and its room's, all looks since it came near together, differ by their tolerances at most."""
    mine, theirs = ([look for look in w.past.looks if look[0] >= watch.near_since] for w in (watch, room))
    if not mine or not theirs:
        return False
    t, e = (sum(look[i] for look in mine) / len(mine) - sum(look[i] for look in theirs) / len(theirs) for i in (1, 2))
    vapour = (
        _ONE_AIR_PERCENT / 100 * saturation_hpa(room.t)
        + (saturation_hpa(room.t + _ONE_AIR_C) / saturation_hpa(room.t) - 1) * room.e
    )
    return abs(t) <= _ONE_AIR_C and abs(e) <= vapour


def reads_room(t: float, e: float, room: Watch, sudden: bool) -> bool:
    """Return whether a reading is the room's, in temperature and in vapour pressure.

    After a sudden fall two ordinary probes may differ by their tolerances and still mean it (1.3 °C, 1.8 hPa: 5 %RH
    between them); without one the match must be closer.
    """
    near_t, near_e = (1.3, _SUDDEN_E_HPA) if sudden else (_NEAR_T_C, 0.8)
    return abs(t - room.t) <= near_t and abs(e - room.e) <= max(near_e, _NEAR_E * room.e)


def own_heat(watch: Watch, now: int, t: float, e: float) -> bool:
    """Return whether this reading looks like the probe's own heater: a step at once, a plateau, the same vapour.

    Air in a tub does not warm so fast and then stay; a probe that heats itself does. So does one over which a lamp was
    switched on: it is a guess about humidity, and its temperature counts all the while.
    """
    if len(watch.past.trail) < 2 or now - watch.past.trail[-2][0] > 200:
        return False
    (_, t0, e0), (_, t1, e1) = watch.past.trail[-2], watch.past.trail[-1]
    return (
        t1 - t0 >= OWN_HEAT_C
        and abs(t - t1) <= 0.35
        and abs(e1 - e0) <= 0.02 * e0
        and abs(e - e0) <= 0.02 * e0
        and saturation_hpa(t1) > 1.05 * saturation_hpa(t0)
    )
