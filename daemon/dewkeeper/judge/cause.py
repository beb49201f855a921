"""Why the air changed, and what to do about it, in order.

ln(RH2/RH1) is exactly ln(e2/e1) - ln(es2/es1): what moisture did and what temperature did add up. The larger part names
the cause. The room's part is what this enclosure's learned exchange carried (`account`); where that is not known, the room is
the cause when its vapour went the same way by most of it. A floor that releases water
when warmed hides part of the moisture, so the words are "left the air", never "left the tub".

Advice is common practice, not veterinary advice: the mechanism first, one change at a time, among what can be changed here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.air import humidity_at, split
from dewkeeper.judge.account import account_of
from dewkeeper.judge.contract import Amended
from dewkeeper.judge.detectors.lid_open import misted
from dewkeeper.judge.journal_words import JOURNAL, SICK
from dewkeeper.judge.rationale import ADDED, COOLED, DAY, HANDS_OFF, LEFT, ROOM, STILL_DRY, TO_THE_THERMOSTAT, WARMED
from dewkeeper.judge.types import EnclosureFacts, Kind
from dewkeeper.judge.view import View

_SLIGHT: Final = 0.02  # 2 % of the humidity: less than a probe repeats
_SMALL_PERCENT: Final = 1.5  # the same of 70 %RH
_CLEAR_SHARE: Final = 0.6  # as `insight.attribution` has it, tuned there
_RECENT_SECONDS: Final = 14 * DAY  # common practice, no source; so is the next
_CLEANING_SECONDS: Final = 30 * DAY  # since a deep clean
_FIRST_BOWL_SECONDS: Final = 2 * DAY
"""A bowl filled since then is taken as full; common practice, no source."""
_SHORT_MISTING_HOURS: Final = 0.35  # half of it gone: a constant of half an hour, the quickest that is told
_SHORT_DRYING_HOURS: Final = 3.0  # a closed tub dries over a working day; common practice, no source

_ADVISED: Final[tuple[Kind, ...]] = ("dry", "damp", "dry_soon")
_SIGNS: Final = frozenset(JOURNAL[what] for what in SICK)


def cause_of(view: View, kind: Kind, since: int) -> str:
    """Return the cause of an excursion of a probe: one of the five, or an empty text when the past is not known."""
    probe, room = view.probe, view.room
    before = probe.past.before(since)
    if before is None or before[1] <= 0 or probe.air.e <= 0:
        return ""
    t1, e1 = before
    room_before = room.past.before(since) if room is not None else None
    if kind in ("hot", "cold"):
        if (
            room is not None
            and room_before is not None
            and abs(room.air.t - room_before[0]) > 0.6 * abs(probe.air.t - t1)
        ):
            return ROOM
        return WARMED if kind == "hot" else COOLED
    wanted = -1 if kind == "dry" else 1
    parts = account_of(view, since, wanted)
    if parts is not None:
        return _named(kind, wanted * parts.temperature, wanted * parts.room, wanted * parts.moisture)
    moisture, heat = split(t1, humidity_at(e1, t1), probe.air.t, max(probe.air.h, 0.5))
    if room is not None and room_before is not None:
        change, own = room.air.slow_e - room_before[1], probe.air.e - e1
        if abs(change) > 1.0 and abs(own) > 1.0 and change * own > 0 and abs(change) > 0.6 * abs(own):
            return ROOM
    return _larger(kind, wanted * heat, wanted * moisture, _SLIGHT)


def _named(kind: Kind, heat: float, room: float, moisture: float) -> str:
    """Return the cause that pulled the excursion's way by most, %RH; the room only where it clearly did."""
    if room >= max(_SMALL_PERCENT, _CLEAR_SHARE * sum(max(0.0, pull) for pull in (heat, room, moisture))):
        return ROOM
    return _larger(kind, heat, moisture, _SMALL_PERCENT)


def _larger(kind: Kind, heat: float, moisture: float, least: float) -> str:
    """Return the cause that pulled by more, an empty text where both are slight."""
    if max(heat, moisture) < least:
        return ""
    if moisture >= heat:
        return LEFT if kind == "dry" else ADDED
    return WARMED if kind == "dry" else COOLED


def advice(view: View, kind: Kind, cause: str) -> str:
    """Return what to do, first things first, choosing among the levers this enclosure has; empty: the kind's usual words."""
    facts = view.facts
    if kind == "dry_soon":
        return (
            f"{_FILLED}: see when you pass whether it still holds water"
            if _done(view, "bowl_refill", _FIRST_BOWL_SECONDS)
            else ""
        )
    if facts is None or kind not in ("dry", "damp"):
        return ""
    if any(word in _SIGNS for _, word in view.entries(_RECENT_SECONDS)):
        return "change nothing more by numbers: show the animal to an exotics vet"
    if cause == ROOM:
        return "treat the room's air; leave the tub as it is"
    if cause in (WARMED, COOLED):
        what, never = ("warmer, not drier", "mist") if cause == WARMED else ("cooler, not wetter", "dry it out")
        return f"{TO_THE_THERMOSTAT}: the air is {what}; {HANDS_OFF}; else unplug its heater before you touch it, back on when all is right, and look again in an hour; do not {never}"
    return "; ".join(_damp(view, facts) if kind == "damp" else _dry(view, facts))


def advised_anew(view: View) -> Iterator[Amended]:
    """Yield what to do now about what stands, after a deed: what was just done is not advised again."""
    for kind in _ADVISED:
        alarm = view.standing(kind)
        if alarm is not None and "doubt" not in alarm.detail:
            yield Amended(kind, {}, response=advice(view, kind, alarm.cause))


def consequence(view: View, kind: Kind) -> str:
    """Return what waits when nothing is done, where it is worse than usual; empty: the kind's usual words."""
    if kind == "damp" and _cleaning_overdue(view):
        return "skin infection: damp on a floor overdue for cleaning is worse than damp alone"
    return ""


def _cleaning_overdue(view: View) -> bool:
    """Return whether the last clean-out that was noted lies more than a month back."""
    return _done(view, "cleaning", view.now) and not _done(view, "cleaning", _CLEANING_SECONDS)


def _mist_minutes(view: View) -> int | None:
    """Return how long the last misting lifted the vapour, minutes: until half of the rise was gone; None when not seen."""
    misted_at, looks = misted(view.probe), view.probe.past.looks
    after = [look for look in looks if look[0] >= misted_at]
    before = [look for look in looks if misted_at - 3600 <= look[0] < misted_at]
    if not after or not before:
        return None
    rest = sum(e for _, _, e in before) / len(before)
    top_at, _, top = max(after, key=lambda look: look[2])
    gone = [at for at, _, e in after if at > top_at and e < rest + 0.5 * (top - rest)]
    return (gone[0] - misted_at) // 60 if gone and top > 1.05 * rest else None


def _done(view: View, lever: str, within: int = _RECENT_SECONDS) -> bool:
    return any(word.lever == lever for _, word in view.entries(within + 1))


_FILLED: Final = "the bowl was filled"


def _dry(view: View, facts: EnclosureFacts) -> list[str]:
    tried = [lever for lever in ("bowl_size", "bowl_place", "mesh_cover", "holes") if _done(view, lever)]
    if len(tried) >= 2:
        return ["two changes did not help: change no more, have the probe checked and ask your vet if she looks unwell"]
    steps = []
    full = _done(view, "bowl_refill", _FIRST_BOWL_SECONDS)
    drying_hours, mist_minutes = view.learned("drying_hours"), _mist_minutes(view)
    # What dries quicker than its constant can be told shows by how soon half of a misting is gone.
    quick = (view.learned("misting_hours") or 1.0) < _SHORT_MISTING_HOURS
    too_much_air = full and (quick if drying_hours is None else drying_hours < _SHORT_DRYING_HOURS)
    if not full:
        steps.append("refill the bowl")
    elif too_much_air:
        steps.append("the bowl is full and still it dries out fast: too much air")
    elif "bowl_size" in facts.levers and "bowl_size" not in tried:
        steps.append("a wider bowl: its surface counts, not its depth")
    elif "bowl_place" in facts.levers and "bowl_place" not in tried:
        steps.append("move the bowl towards the warm side")
    else:
        steps.append(f"{_FILLED}: add a second bowl")
    when = "" if too_much_air else STILL_DRY
    if "mesh_cover" in facts.levers and "mesh_cover" not in tried:
        if facts.mesh_near_heat:
            steps.append("leave the mesh uncovered: near a lamp or heater that is a fire risk")
        else:
            steps.append(
                f"{when}cover part of the mesh, away from any heat, never all of it; "
                "recheck temperature within the hour and look for condensation in the morning"
            )
    elif "holes" in facts.levers and "holes" not in tried:
        steps.append(f"{when}close a few holes from outside, never most: stale, wet air harms too")
    if view.stage == "opaque" and "humid_hide" in facts.levers:
        steps.append("in blue a humid hide helps, not a wet floor")
    elif "misting" in facts.levers:
        lasted = "an hour or two" if mist_minutes is None else f"{mist_minutes} min here last time"
        steps.append(f"misting is a bridge ({lasted}), not the cure")
    return steps


def _damp(view: View, facts: EnclosureFacts) -> list[str]:
    steps = []
    if _cleaning_overdue(view):
        steps.append("clean it out first")
    if "holes" in facts.levers:
        steps.append("open more holes")
    elif "mesh_cover" in facts.levers:
        steps.append("uncover the mesh")
    if "misting" in facts.levers or _done(view, "misting", DAY):
        steps.append("mist less")
    if "substrate" in facts.levers:
        steps.append("change a wet floor")
    steps.append("keep the humid hide" if "humid_hide" in facts.levers else "look for a spilt bowl")
    return steps
