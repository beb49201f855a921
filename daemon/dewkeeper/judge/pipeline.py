"""The one place that knows the order: readings in, checks, what is believed, limits over time, detectors, alarms.

Tests are those of QARTOD by name, made causal; see the checks. A reading passes the checks first; what they find decides
whether it counts. What counts moves the means and, every five minutes, is looked at from a step back by the detectors of
`table`. Checks and detectors return findings; `acting` follows them.
"""

from __future__ import annotations

from typing import Final, get_args

from dewkeeper.air import humidity_at, saturation_hpa, vapour_hpa
from dewkeeper.judge import faults
from dewkeeper.judge.acting import act, begin_anew, let_go
from dewkeeper.judge.beliefs import beliefs
from dewkeeper.judge.beyond import change_level
from dewkeeper.judge.checks import brownout, gross_range, missing, saturated, sensor_heater
from dewkeeper.judge.checks.crc import CrcMemory
from dewkeeper.judge.checks.displaced import reads_room
from dewkeeper.judge.checks.flat_line import FlatLineMemory, stuck
from dewkeeper.judge.checks.gross_range import H_JUMP_PERCENT, H_SPAN, T_JUMP_C, T_SPAN, GrossRangeMemory, Jump
from dewkeeper.judge.checks.impossible import still_impossible
from dewkeeper.judge.checks.intermittent import IntermittentMemory
from dewkeeper.judge.checks.saturated import SATURATED_PERCENT, TOUCHED_SECONDS, SaturatedMemory
from dewkeeper.judge.checks.swapped import note_stranger, still_swapped, stranger
from dewkeeper.judge.contract import Amended, InFault
from dewkeeper.judge.detectors.lid_open import FALL, LEAST_SWINGS, RISE, jumped
from dewkeeper.judge.limit_alarm import SLOW_SECONDS
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.probe_past import LOOK_SECONDS
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.table import TABLE
from dewkeeper.judge.types import FAIL, MISSING, NOT_EVALUATED, OTHER_SENSOR, PASS, SUSPECT, Kind, Role, SystemReport
from dewkeeper.judge.view import View
from dewkeeper.judge.words import PROBE_RETIRED

Outcome = tuple[int, tuple[str, ...]]

_GOOD: Final[Outcome] = (PASS, ())
_FIRST: Final[Outcome] = (NOT_EVALUATED, ())
_ORDER: Final[Outcome] = (SUSPECT, ("out_of_order",))
_GROSS: Final[Outcome] = (FAIL, ("gross_range",))
_JUMPED: Final[Outcome] = (SUSPECT, ("rate_of_change",))
_ALONE: Final[Outcome] = (SUSPECT, ("crc_burst",))

_NO_TRACES: Final = frozenset[str]()

_T_LOW, _T_HIGH = T_SPAN
_H_LOW, _H_HIGH = H_SPAN
_GAP_SECONDS: Final = 600
"""Within so long a counted reading is compared with one up to five minutes older; as `probe_past.TRAIL_SECONDS`, twice."""
_STEADY_C: Final = 1.0  # against what is up to five minutes older: less is no lid, lamp or hand

_LOOKS: Final = {
    role: tuple(row.look for row in TABLE if row.look is not None and role in row.roles) for role in get_args(Role)
}
_HOURLY: Final = {
    role: tuple(row.hourly for row in TABLE if row.hourly is not None and role in row.roles) for role in get_args(Role)
}
_PUT_BACK: Final = frozenset({"swapped"})
"""A probe in no other fault than this is compared on: it may be put back."""


def take(
    state: JudgeState,
    probe: ProbeState,
    now: int,
    t: float,
    h: float,
    pair_t: float,
    pair_h: float,
    burst: bool = False,
) -> Outcome:
    """Judge a poll that gave values.

    pair_t, pair_h: the raw words, or the values where there are none. burst: the bus damages many answers now.
    """
    air = probe.air
    if now <= air.last:
        return _ORDER
    air.last = air.live = now
    if not (_T_LOW <= t <= _T_HIGH and _H_LOW <= h <= _H_HIGH):
        return _gross(state, probe, now)
    memories, standing = probe.memories, probe.fault.standing
    crc: CrcMemory = memories["CrcMemory"]
    if crc.score:
        crc.good()
    traces = _NO_TRACES
    flat: FlatLineMemory = memories["FlatLineMemory"]
    if flat.take(pair_t, pair_h, now, standing):
        traces = traces | _find_flat(state, probe, now, words=pair_t.__class__ is int)
    wet: SaturatedMemory = memories["SaturatedMemory"]
    if h >= SATURATED_PERCENT or wet.since != NEVER:
        traces = traces | _find_wet(state, probe, now, h)

    outcome = _GOOD
    if standing:
        view = View(state, probe, now)
        act(state, probe, faults.recover(view, probe.fault, traces | _lasting(view, t, h)), now)
        outcome = _in_fault(view)
        if outcome[0] == FAIL:
            return outcome
        burst = burst or "gross_range" in standing  # between rubbish, too, only neighbours that agree count
    seconds = now - air.seen
    gross: GrossRangeMemory = memories["GrossRangeMemory"]
    # Nearly all readings follow from the one before, and this is asked of each: only of what may not is more asked.
    if (
        burst or seconds > state.hold or gross.waits_at != NEVER
        or not (-T_JUMP_C <= t - air.t <= T_JUMP_C and -H_JUMP_PERCENT <= h - air.h <= H_JUMP_PERCENT)
    ):  # fmt: skip
        refused = _follows(state, probe, now, t, h, burst)
        if refused is not None:
            return refused
        seconds = now - air.seen
    if seconds > state.hold and not burst and outcome is _GOOD:
        outcome = _FIRST
    _count(state, probe, now, t, h, seconds)
    return outcome


def _find_flat(state: JudgeState, probe: ProbeState, now: int, *, words: bool) -> frozenset[str]:
    """Return the trace of a flat line, if any."""
    found = stuck(View(state, probe, now), words=words)
    act(state, probe, found, now)
    return frozenset({"flat_line"}) if found else _NO_TRACES


def _find_wet(state: JudgeState, probe: ProbeState, now: int, h: float) -> frozenset[str]:
    """Return the trace of a wet probe, if any."""
    trace, found = saturated.pinned(View(state, probe, now), h)
    act(state, probe, found, now)
    return frozenset({"saturated"}) if trace else _NO_TRACES


def _gross(state: JudgeState, probe: ProbeState, now: int) -> Outcome:
    act(state, probe, gross_range.note_rubbish(View(state, probe, now), stated=True), now)
    # Of no fault is this a reading without a trace: each has its recovery before it again.
    for spell in probe.faults.values():
        spell[1] = -1
    return _GROSS


def _follows(state: JudgeState, probe: ProbeState, now: int, t: float, h: float, burst: bool) -> Outcome | None:
    """Refuse a reading that does not follow from the one before; count the one that waited, where this one bears it out."""
    view, memory = View(state, probe, now), probe.memory(GrossRangeMemory)
    match gross_range.alone(view, t, h) if burst else gross_range.jump(view, t, h):
        case Jump.WAITS:
            if not burst or "gross_range" in probe.faults:
                act(state, probe, gross_range.note_rubbish(view), now)
            return _ALONE if burst else _JUMPED
        case Jump.COUNTS_BOTH:
            at, waiting_t, waiting_h = memory.waiting
            _count(state, probe, at, waiting_t, waiting_h, at - probe.air.seen)
            memory.borne_out(at)
        case Jump.COUNTS:
            pass
    memory.settled()
    return None


def _lasting(view: View, t: float, h: float) -> set[str]:
    """Return the faults found by comparison that this reading does not end."""
    return {kind for kind in view.probe.faults if _lasts(view, kind, t, h)}


def _lasts(view: View, kind: Kind, t: float, h: float) -> bool:
    probe = view.probe
    match kind:
        case "sensor_heater":
            return sensor_heater.still_warm(probe, view.now, t)
        case "swapped":
            return still_swapped(view)
        case "displaced" if probe.role != "room":
            room = view.room
            return room is None or reads_room(t, vapour_hpa(t, h), room, True)
        case "displaced" | "impossible":
            return still_impossible(view, vapour_hpa(t, h))
        case _:
            return False


def _in_fault(view: View) -> Outcome:
    held = beliefs(view)
    bad = tuple(kind for kind, belief in held if "temperature" in belief.takes)
    if bad:
        return (FAIL, bad)
    doubt = tuple(kind for kind, _ in held)
    return (SUSPECT, doubt) if doubt else _GOOD


def _count(state: JudgeState, probe: ProbeState, now: int, t: float, h: float, seconds: int) -> None:
    """Let a believed reading move the means, the timers and what is compared."""
    air = probe.air
    e = h * 0.01 * saturation_hpa(t)
    if air.seen == NEVER:
        air.slow_t, air.slow_e = t, e
        seconds = 0
    else:
        weight = seconds / (SLOW_SECONDS + seconds)
        air.slow_t += weight * (t - air.slow_t)
        air.slow_e += weight * (e - air.slow_e)
    elsewhere = bool(probe.fault.standing) and any(belief.elsewhere for _, belief in beliefs(View(state, probe, now)))
    past = probe.past
    trail = past.trail
    if trail and not elsewhere:
        at, t0, e0 = trail[0]
        if now - at > _GAP_SECONDS and now - trail[-1][0] > _GAP_SECONDS:
            probe.disturbed(now)
        elif not (FALL * e0 <= e <= RISE * e0 and -_STEADY_C < t - t0 < _STEADY_C) and now - trail[-1][0] <= state.hold:
            elsewhere = _moved(state, probe, now, t, e)
    air.t, air.h, air.e = t, h, e
    air.seen = now
    if not elsewhere:
        turned = past.add(now, t, e)
        if turned or now >= air.look_at:
            _look_back(state, probe, now, turned)
    limits = probe.limits
    # Inside, with nothing running, no timer moves: not to step it took 8 % off a replay (30 November 2026).
    if limits.busy or not (limits.h_low <= h <= limits.h_high and limits.t_low <= t <= limits.t_high):
        _time(state, probe, now, 0 if seconds > state.hold else seconds)


def _moved(state: JudgeState, probe: ProbeState, now: int, t: float, e: float) -> bool:
    """Compare a reading with what is up to five minutes older; return whether something warmed the probe alone."""
    past, view = probe.past, View(state, probe, now)
    _, t0, e0 = past.trail[0]
    rise, fall = e > RISE * e0, e < FALL * e0
    if (rise or fall) and not probe.faults and not probe.memory(CrcMemory).score:
        act(state, probe, jumped(view, t, e), now)
    step = t - t0
    opened = fall and e0 - e > LEAST_SWINGS * past.usual_range
    # A misting, which moistens and cools, touches no probe; nor does a lamp that swings like this every hour.
    warmed = abs(step) >= _STEADY_C and abs(step) > LEAST_SWINGS * past.usual_swing
    if opened or (warmed and not (rise and step < 0)):
        probe.disturbed(now)
    found = sensor_heater.own_heat(view, t, e)
    act(state, probe, found, now)
    return bool(found)


def _look_back(state: JudgeState, probe: ProbeState, now: int, turned: bool) -> None:
    """Look at a probe from a step back: every so often, and when a new hour of it begins."""
    view = View(state, probe, now)
    if now >= probe.air.look_at:
        probe.air.look_at = now + LOOK_SECONDS
        probe.past.look(now, probe.air.t, probe.air.e)
        room = view.room if probe.role == "substrate" else None
        if room is not None and not probe.faults.keys() - _PUT_BACK:
            probe.past.compare(room.air.t, room.air.e, probe.air.t, probe.air.e)
        for look in _LOOKS[probe.role]:
            for found in look(view):
                act(state, probe, (found,), now)
    if turned and not probe.faults.keys() - _PUT_BACK:
        for hourly in _HOURLY[probe.role]:
            act(state, probe, hourly(view), now)


def _time(state: JudgeState, probe: ProbeState, now: int, step: int) -> None:
    """Let a reading move the timers of its sides."""
    air = probe.air
    slow_h = humidity_at(air.slow_e, air.slow_t)
    standing = probe.fault.standing
    believed = not standing or not any("humidity" in belief.takes for _, belief in beliefs(View(state, probe, now)))
    past = probe.past if believed else None
    timed = believed or faults.reads_well_again(probe.fault)
    touched = state.touched(probe.enclosure, now - TOUCHED_SECONDS)
    busy = False
    for side in probe.limits.sides:
        value = air.t if side.thermal else air.h
        if side.sign * value >= (side.inner or side.outer).limit and not side.busy:
            continue  # inside, and nothing runs: a step would change nothing
        if side.thermal:
            level = side.step(value, air.slow_t, step, now, None, True, touched)
        else:
            level = side.step(value, slow_h, step, now, past, timed, touched)
        if level != side.level:
            act(state, probe, change_level(View(state, probe, now), side, level), now)
        busy = busy or side.busy
    probe.limits.busy = busy


def lost(state: JudgeState, probe: ProbeState, now: int, failure: str) -> Outcome:
    """Judge a poll that gave no values."""
    air = probe.air
    if now <= air.last:
        return (MISSING, (failure,))
    air.last = now
    if failure in ("missing", "crc"):
        probe.memory(IntermittentMemory).poll_lost()
    if failure == "crc":
        air.live = now  # it answers, if only garbage: not missing
        act(state, probe, probe.memory(CrcMemory).garbled(now), now)
    if failure == "brownout":
        _restarted(state, probe, now)
    for kind, spell in probe.faults.items():
        if kind != "brownout":
            spell[1] = -1
    return (MISSING, (failure,))


def notes(state: JudgeState, probe: ProbeState, now: int, seen: tuple[str, ...]) -> None:
    """Heed what the driver saw beside the values."""
    if "heater_on" in seen:
        act(state, probe, (InFault("sensor_heater", now, stated=True),), now)
    before = stranger(probe)
    note = next((note for note in seen if note.startswith(OTHER_SENSOR)), "")
    exchanged, found = note_stranger(View(state, probe, now), note)
    if exchanged:
        begin_anew(state, probe, now, another=True)
        probe.air.seen = NEVER  # nor is the next reading compared with the other sensor's last one
    act(state, probe, found, now)
    if "reset_seen" in seen and note == before:  # a plug pulled by hand is no weak supply
        _restarted(state, probe, now)


def _restarted(state: JudgeState, probe: ProbeState, now: int) -> None:
    act(state, probe, brownout.note_restart(View(state, probe, now)), now)
    if probe.memory(brownout.BrownoutMemory).restarted == now:
        state.set_timer(now + brownout.TOGETHER_POLLS * state.poll, "restarts", "")


def name_restarts(state: JudgeState, now: int) -> None:
    """The timer of `brownout` fired."""
    probe = next(iter(state.probes.values()), None)
    if probe is not None:
        act(state, probe, brownout.restarts(View(state, probe, now)), now)


def check_silence(state: JudgeState, probe: ProbeState, now: int) -> None:
    """The timer of `missing` fired: is the probe silent?"""
    after = missing.missing_after(state.poll)
    if probe.retired != NEVER:
        state.set_timer(now + after, "missing", probe.name)
        return
    view = View(state, probe, now)
    left = missing.silent_for(view)
    if left is not None:
        state.set_timer(now + left, "missing", probe.name)
        return
    act(state, probe, missing.silent(view), now)
    # Asked again ever less often, so that a gap of years is not gone through minute by minute; when it is back, anew.
    state.set_timer(now + max(after, now - probe.air.live), "missing", probe.name)


def name_cause(state: JudgeState, report: SystemReport, now: int) -> None:
    """Heed why nothing is read of a part of the wiring."""
    state.trouble(report)
    unheard = [w for w in state.probes.values() if report.part in w.parts and missing.never_heard(w)]
    # Before anything is found: what is found of one puts all that share its wiring in fault.
    told = [w for w in unheard if "missing" in w.faults or "crc" in w.faults]
    for probe in unheard:
        view = View(state, probe, now)
        if probe in told:
            kind: Kind = "missing" if "missing" in probe.faults else "crc"
            place = probe.fault.places.get(kind, probe.place)
            cause = missing.next_cause(place, report)
            act(state, None, (Amended(kind, {}, cause, report.response, place, told=True),), now)
        elif "missing" in probe.faults:
            continue  # told just now, together with one of the others
        elif probe.memory(CrcMemory).score:
            act(state, probe, (missing.garbled(view),), now)
        else:
            check_silence(state, probe, now)


def retire(state: JudgeState, probe: ProbeState, now: int) -> None:
    """Believe nothing of a probe from now on: what stood because of it is over."""
    let_go(state, probe, now, PROBE_RETIRED)
    probe.retire(now)
