"""Why the air changed, and what to do about it, in order.

ln(RH2/RH1) is exactly ln(e2/e1) - ln(es2/es1): what moisture did and what temperature did add up. The larger part names
the cause; when the room's vapour went the same way by most of it, the room is the cause. A floor that releases water
when warmed hides part of the moisture, so the words are "left the air", never "left the tub".

Advice is common practice, not veterinary advice: the mechanism first, one change at a time, among what can be changed here.
"""

from __future__ import annotations

from typing import Final

from dewkeeper.air import humidity_at, split
from dewkeeper.judge.state import State, Tub, Watch
from dewkeeper.judge.types import EnclosureFacts, Kind
from dewkeeper.judge.words import DAY, JOURNAL

WARMED, COOLED, LEFT, ADDED, ROOM = "warmed", "cooled", "moisture left", "moisture added", "room changed"

_SLIGHT: Final = 0.02  # 2 % of the humidity: less than a probe repeats
_RECENT_SECONDS: Final = 14 * DAY
_CLEANING_SECONDS: Final = 30 * DAY
_FIRST_BOWL_SECONDS: Final = 2 * DAY


def cause_of(state: State, watch: Watch, kind: Kind, since: int) -> str:
    """Return the cause of an excursion of a probe: one of the five, or an empty text when the past is not known."""
    before = watch.past.before(since)
    if before is None or before[1] <= 0 or watch.e <= 0:
        return ""
    t1, e1 = before
    room = state.watches.get(state.rooms.get(watch.room, ""))
    if kind in ("hot", "cold"):
        if room is not None and room is not watch:
            room_before = room.past.before(since)
            if room_before is not None and abs(room.t - room_before[0]) > 0.6 * abs(watch.t - t1):
                return ROOM
        return WARMED if kind == "hot" else COOLED
    moisture, heat = split(t1, humidity_at(e1, t1), watch.t, max(watch.h, 0.5))
    if room is not None and room is not watch:
        room_before = room.past.before(since)
        if room_before is not None:
            change, own = room.slow_e - room_before[1], watch.e - e1
            if abs(change) > 1.0 and abs(own) > 1.0 and change * own > 0 and abs(change) > 0.6 * abs(own):
                return ROOM
    wanted = -1 if kind == "dry" else 1
    if max(wanted * moisture, wanted * heat) < _SLIGHT:
        return ""
    if wanted * moisture >= wanted * heat:
        return LEFT if kind == "dry" else ADDED
    return WARMED if kind == "dry" else COOLED


def advice(state: State, watch: Watch, kind: Kind, cause: str, now: int) -> str:
    """Return what to do, first things first, choosing among the levers this enclosure has."""
    facts = state.settings.enclosures.get(watch.enclosure or "") if state.settings else None
    tub = state.tubs.get(watch.enclosure or "")
    if facts is None or tub is None or kind not in ("dry", "damp"):
        return ""
    if cause == ROOM:
        return "treat the room's air; change no tub"
    if cause in (WARMED, COOLED):
        what = "the heater and its thermostat" if cause == WARMED else "the heater: it cooled, no water came"
        return f"check {what}; {'do not mist' if kind == 'dry' else 'do not dry it out'}"
    return "; ".join(_dry(facts, tub, now) if kind == "dry" else _damp(facts, tub, now))


def _done(tub: Tub, now: int, lever: str, within: int = _RECENT_SECONDS) -> bool:
    return any(now - at <= within and JOURNAL[what].lever == lever for at, _, what, _ in tub.deeds)


def _dry(facts: EnclosureFacts, tub: Tub, now: int) -> list[str]:
    tried = [lever for lever in ("bowl_size", "bowl_place", "mesh_cover", "holes") if _done(tub, now, lever)]
    if len(tried) >= 2:
        return ["two changes did not help: change no more, have the probe checked and ask your vet if she looks unwell"]
    steps = []
    if not _done(tub, now, "bowl_refill", _FIRST_BOWL_SECONDS):
        steps.append("refill the bowl")
    elif "bowl_size" in facts.levers and "bowl_size" not in tried:
        steps.append("a wider bowl: its surface counts, not its depth")
    elif "bowl_place" in facts.levers and "bowl_place" not in tried:
        steps.append("move the bowl towards the warm side")
    if "mesh_cover" in facts.levers and "mesh_cover" not in tried:
        if facts.mesh_near_heat:
            steps.append("leave the mesh uncovered: near a lamp or heater that is a fire risk")
        else:
            steps.append("if it recurs cover part of the mesh, away from any heat; recheck temperature within the hour")
    elif "holes" in facts.levers and "holes" not in tried:
        steps.append("if it recurs close a few holes, never most: stale air harms too")
    if tub.stage == "opaque" and "humid_hide" in facts.levers:
        steps.append("in blue a humid hide helps, not a wet floor")
    elif "misting" in facts.levers:
        steps.append("misting is a bridge for an hour or two, not the cure")
    return steps or ["refill the bowl"]


def _damp(facts: EnclosureFacts, tub: Tub, now: int) -> list[str]:
    steps = []
    cleaned = [at for at, _, what, _ in tub.deeds if JOURNAL[what].lever == "cleaning"]
    if cleaned and now - max(cleaned) > _CLEANING_SECONDS:
        steps.append("clean it out first: damp on a dirty floor is worse than damp alone")
    if _done(tub, now, "misting", DAY):
        steps.append("mist less")
    if "holes" in facts.levers:
        steps.append("open more holes")
    elif "mesh_cover" in facts.levers:
        steps.append("uncover the mesh")
    if "substrate" in facts.levers:
        steps.append("change a wet floor")
    steps.append("keep the humid hide" if "humid_hide" in facts.levers else "look for a spilt bowl")
    return steps
