"""The air's part of the evening round: which enclosures leave target before tomorrow evening if nobody does anything.

For each: what to do, or to leave it alone and why, in order of need. From facts and figures learned the night before;
nothing is computed here that takes more than a moment. Common practice, never veterinary advice; an animal with a sign of illness is the round's own matter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import time
from typing import Any, Final, Literal

from dewkeeper.insight.changed import CHANGED, LOOK_AGAIN_DAYS
from dewkeeper.insight.changed import from_text as changes_of
from dewkeeper.insight.outlook import UNDER_WAY, Ahead, Leaving
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.ahead import (
    HOUR,
    facts_by_enclosure,
    failed_twice,
    figures_of,
    hour_words,
    hours_ahead,
    humidity_now,
    when,
)
from dewkeeper.report.contract import Past
from dewkeeper.report.lasting import LEVERS, Lasting, lasting
from dewkeeper.report.wording import Wording
from dewkeeper.slots import Daily
from dewkeeper_config.models import Config, Enclosure, Limits
from dewkeeper_config.profiles import effective_limits

Deed = Literal[
    "refill", "mist", "mist_later", "moisten", "humid_hide", "keep_water_away", "treat_room", "nothing", "unknown"
]

HORIZON_HOURS: Final = 24
_FULL_SECONDS: Final = 2 * DAY
"""A bowl refilled since then is taken as full; common practice, no source."""
_WETTED_SECONDS: Final = 8 * HOUR
"""Water added since then is not in the figures, which are of hours in which nobody adds any."""
_SHORT_MISTING_HOURS: Final = 3.0
"""A misting that is half gone sooner bridges no night."""
_MORNING: Final = time(7)
"""When whoever mists can do it again; common practice, no source."""
_WORTH_HOURS: Final = 1.0
"""A misting that saves fewer hours beyond target is not asked for."""
_SETTLES_SECONDS: Final = LOOK_AGAIN_DAYS * DAY
_BRIDGE: Final = "a bridge, not the cure"
_LATER: Final[tuple[Deed, str]] = "mist_later", "mist it in the morning, not tonight"
_WORDS: Final[Mapping[Deed, str]] = {
    "refill": "refilled", "mist": "misted", "mist_later": "", "moisten": "moistened", "humid_hide": "humid_hide_changed"
}  # fmt: skip
_WHOLE_ROOM: Final = 3
_ROOM_SHARE: Final = 0.6
WETS: Final = frozenset({"misted", "moistened", "refilled", "substrate_changed", "humid_hide_changed"})


@dataclass(frozen=True, slots=True)
class AirAdvice:
    """What the air of one enclosure needs this evening.

    deed: `nothing` to leave it alone, `unknown` where it is not forecast. todo, why: in words. word: the journal's word
    that a tap writes, "" for none. mistings: at which hours from now, 0 for tonight. side: which way it leaves target, "" for not. limit: %RH. hours: until then, None for
    not before tomorrow evening. need: order, the smallest first. lasting: the one change that would mend it for good.
    """

    enclosure: str
    deed: Deed
    todo: str
    why: str
    word: str = ""
    side: Literal["dry", "damp", ""] = ""
    limit: float | None = None
    hours: float | None = None
    need: float = math.inf
    mistings: tuple[int, ...] = ()
    lasting: Lasting | None = None

    @property
    def due(self) -> bool:
        """Whether something is to be done."""
        return self.deed not in ("nothing", "unknown", "keep_water_away", "mist_later")

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "enclosure": self.enclosure, "deed": self.deed, "todo": self.todo, "why": self.why, "side": self.side or None,
            "limit": self.limit, "hours": None if self.hours is None else round(self.hours, 1),
            "lasting": None if self.lasting is None else self.lasting.todo,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class EveningFacts:
    """What advice on one enclosure rests on.

    last: journal word -> seconds since it was last noted there. now_percent: %RH of the last hour, None where it was not
    read; asked where nothing is forecast. levels: as `insight.levels` has them.
    failed: whether its last two changes did not work.
    """

    enclosure: Enclosure
    limits: Limits
    stage: str
    ahead: Ahead | str
    facts: Mapping[str, float]
    last: Mapping[str, int]
    now_percent: float | None = None
    levels: Sequence[Sequence[float]] = ()
    failed: bool = False


def evening(past: Past, config: Config, now: int) -> list[AirAdvice]:
    """Return the advice for every enclosure in service, those in need first. Raises StoreError."""
    in_force = past.in_force()
    served = [e for e in config.enclosure if in_force.out_of_service(e.name) is None and e.kind != "egg_box"]
    names = {e.name for e in served}
    figures, told = figures_of(past, names), past.figures(CHANGED)
    ahead = hours_ahead(past, config, names, now, figures)
    learned = past.learned(now)
    last = _last(past.journal(now - _SETTLES_SECONDS, words=WETS | LEVERS), now)
    # Of those that are not forecast, and only where there is one.
    read = humidity_now(past, now) if any(isinstance(one, str) for one in ahead.values()) else {}
    wording = Wording.of(config.site)
    advice = [
        advise(
            EveningFacts(
                enclosure=e,
                limits=in_force.limits(e.name, now) or effective_limits(config, e.name),
                stage=in_force.stage(e.name, now)[0],
                ahead=ahead[e.name],
                facts=facts_by_enclosure(learned, e.name, now),
                last=last.get(e.name, {}),
                now_percent=read.get(e.name),
                levels=figures[e.name].levels if e.name in figures else (),
                failed=failed_twice(changes_of(told.get(e.name, ""))),
            ),
            wording,
        )
        for e in served
    ]
    rooms = {rack.name: rack.room for rack in config.rack}
    return by_need(advice, {e.name: rooms[e.rack] for e in served})


def advise(about: EveningFacts, wording: Wording) -> AirAdvice:
    """Return the advice for one enclosure: for this evening, and what would mend it for good."""
    tonight = _tonight(about, wording)
    # One change at a time, and none after two that failed (KEEPER); limits that end are no reason to change what stays.
    if _changed(about) or about.stage or about.failed:
        return tonight
    error = about.facts.get("probe_error_percent", 0.0)
    return replace(tonight, lasting=lasting(about.enclosure, about.limits, about.levels, error, wording))


def _changed(about: EveningFacts) -> str:
    """Return the word of its last change of which it is too soon to know what it did, "" for none."""
    recent = {word: ago for word, ago in about.last.items() if word in LEVERS and ago < _SETTLES_SECONDS}
    return min(recent, key=recent.__getitem__, default="")


def _tonight(about: EveningFacts, wording: Wording) -> AirAdvice:
    name, ahead, target = about.enclosure.name, about.ahead, about.limits.humidity_target
    now = about.now_percent if isinstance(ahead, str) else ahead.now_percent
    why = f"not forecast: {ahead}" if isinstance(ahead, str) else ""
    if now is not None and now > target.high:
        above = f"{wording.humidity(now)} now, above {wording.humidity(target.high)}"
        return _damp(about, 0.0, f"{above}; {why}" if why else above)
    wetted = min(
        (word for word in about.last if about.last[word] < _WETTED_SECONDS), key=about.last.__getitem__, default=""
    )
    if wetted:
        what = JOURNAL[wetted].label
        return AirAdvice(name, "nothing", "leave it alone", f"{what} today: what that does shows tomorrow")
    if isinstance(ahead, str):
        return _unforecast(about, now, why, wording)
    # Below target already: it has left, whatever the hours ahead bring.
    dry = ahead.leaves(target.low, HORIZON_HOURS) if ahead.now_percent >= target.low else Leaving(0.0, 0.0, 0.0)
    leaves = dry.hours is not None and not dry.rather_holds
    if leaves and not _passes(ahead, about.limits, dry.hours or 0.0):
        return _dry(about, ahead, wording, dry)
    damp = ahead.leaves(target.high, HORIZON_HOURS)
    if damp.hours is not None and not damp.rather_holds:
        moment = when(ahead.at, damp, HORIZON_HOURS, wording)
        return _damp(about, damp.hours, f"rises above {wording.humidity(target.high)} {moment}")
    return AirAdvice(name, "nothing", "leave it alone", _holds(ahead, target.low, wording, leaves))


def _unforecast(about: EveningFacts, now: float | None, why: str, wording: Wording) -> AirAdvice:
    """Return what is said where nothing is forecast: after a change what is measured decides, for it is to show what it does."""
    low, changed = about.limits.humidity_target.low, _changed(about)
    if now is None or not changed or about.ahead == UNDER_WAY:
        return AirAdvice(about.enclosure.name, "unknown", "look at it as usual", why)
    if now < low:
        deed, todo, more = _deed(about)
        said = f"{wording.humidity(now)} now, below {wording.humidity(low)} already; {why}{more}"
        need = now - about.limits.humidity_tolerable.low
        mistings = (0,) if deed == "mist" else ()
        return AirAdvice(about.enclosure.name, deed, todo, said, _WORDS[deed], "dry", low, 0.0, need, mistings)
    said = (
        f"{wording.humidity(now)} now; {JOURNAL[changed].label} lately: what that does is to show before water is added"
    )
    return AirAdvice(about.enclosure.name, "unknown", "leave it alone", said)


def _holds(ahead: Ahead, low: float, wording: Wording, dips: bool) -> str:
    if dips:
        return f"dips below {wording.humidity(low)} for a short while, as on other days, and comes back by itself"
    holds = ahead.leaves(low)
    until = (
        "for three days"
        if holds.hours is None
        else "most likely for three days"
        if holds.rather_holds
        else f"until about {hour_words(ahead.at, holds.hours, wording)}"
    )
    return f"holds above {wording.humidity(low)} {until}"


def _passes(ahead: Ahead, limits: Limits, hours: float) -> bool:
    """Return whether it dips below target for less than would be told, stays tolerable, and comes back by itself."""
    course = ahead.middle[:HORIZON_HOURS]
    below = [value < limits.humidity_target.low for value in course]
    told = limits.delays.dry_target_minutes / 60
    return hours > 0 and sum(below) < told and min(course) >= limits.humidity_tolerable.low and not below[-1]


def _dry(about: EveningFacts, ahead: Ahead, wording: Wording, leaving: Leaving) -> AirAdvice:
    limits, low = about.limits, about.limits.humidity_target.low
    if leaving.hours:
        why = f"falls below {wording.humidity(low)} {when(ahead.at, leaving, HORIZON_HOURS, wording)}"
    else:
        why = f"{wording.humidity(ahead.now_percent)} now, below {wording.humidity(low)} already"
    if min(ahead.middle[:HORIZON_HOURS]) < limits.humidity_tolerable.low:
        why += f", and below {wording.humidity(limits.humidity_tolerable.low)} before tomorrow evening"
    deed, todo, more = _deed(about)
    mistings: tuple[int, ...] = (0,) if deed == "mist" else ()
    if deed == "mist" and ahead.lift:
        mistings = _mistings(about, ahead, wording)
        if not mistings:
            said = f"{why}; a misting would spare it less than {_WORTH_HOURS:.0f} h of that, or make it too damp{_cure(about)}"
            return AirAdvice(about.enclosure.name, "nothing", "leave it alone", said, "", "dry", low, leaving.hours)
        if mistings != (0,):
            deed, todo = ("mist", "mist it, and again in the morning") if 0 in mistings else _LATER
    worst = min(ahead.middle[:HORIZON_HOURS]) - limits.humidity_tolerable.low
    hours = leaving.hours or 0.0
    return AirAdvice(
        # How bad it gets counts most; of two alike, the sooner: four hours as one %RH. Our choice, no source.
        about.enclosure.name,
        deed,
        todo,
        why + more,
        _WORDS[deed],
        "dry",
        low,
        hours,
        worst + 0.25 * hours,
        mistings,
    )


def _mistings(about: EveningFacts, ahead: Ahead, wording: Wording) -> tuple[int, ...]:
    """Return at which hours from now a misting is to be: those after which the fewest hours beyond target are expected.

    Tonight, in the morning, both, or neither where that spares too little; never neither where it gets worse than tolerable.
    """
    target = about.limits.humidity_target
    morning = round((Daily(_MORNING, wording.zone).next_slot(ahead.at) - ahead.at) / HOUR)
    best = min(
        # The least work first: of equal ones it is taken.
        ((), (0,), (morning,), (0, morning)),
        # Each misting is work, and has to spare as many hours as make it worth it.
        key=lambda hours: ahead.beyond(target.low, target.high, HORIZON_HOURS, hours) + _WORTH_HOURS * len(hours),
    )
    if not best and min(ahead.middle[:HORIZON_HOURS]) < about.limits.humidity_tolerable.low:
        return (0,)
    return best


def _deed(about: EveningFacts) -> tuple[Deed, str, str]:
    """Return what adds water for a night: word, what to do, and what else to say of it."""
    levers, misting = about.enclosure.levers, about.facts.get("misting_hours")
    if about.enclosure.open_water and about.last.get("refilled", _FULL_SECONDS) >= _FULL_SECONDS:
        return "refill", "refill the bowl", ""
    if about.stage == "opaque" and "humid_hide" in levers:
        return "humid_hide", "moisten the humid hide, not the floor", ""
    if "misting" in levers and (misting is None or misting >= _SHORT_MISTING_HOURS or "substrate" not in levers):
        short = misting is not None and misting < _SHORT_MISTING_HOURS
        said = f"; a misting is half gone in {misting:.1f} h here: {_BRIDGE}{_cure(about)}" if short and misting else ""
        return "mist", "mist it", said
    if "substrate" in levers:
        said = "" if misting is None else f"; a misting is half gone in {misting:.1f} h here"
        return "moisten", "moisten the substrate under the hide", said
    return "refill", "top up the bowl", ""


def _cure(about: EveningFacts) -> str:
    """Return which levers of this enclosure hold its water for good; what harms is left out (KEEPER: mesh near heat)."""
    ways = {
        "bowl_size": "a wider bowl",
        "bowl_place": "the bowl towards the warm side",
        "mesh_cover": "part of the mesh covered, away from any heat",
        "holes": "a few holes closed, never most",
    }
    if about.enclosure.mesh_near_heat:
        del ways["mesh_cover"]
    can = [said for lever, said in ways.items() if lever in about.enclosure.levers]
    return f"; the cure is {' or '.join(can)}" if can else ""


def _damp(about: EveningFacts, hours: float, why: str) -> AirAdvice:
    return AirAdvice(
        about.enclosure.name,
        "keep_water_away",
        "do not mist or wet it tonight; its bowl stays",
        why,
        side="damp",
        limit=about.limits.humidity_target.high,
        hours=hours,
    )


def by_need(advice: Sequence[AirAdvice], room_of: Mapping[str, str]) -> list[AirAdvice]:
    """Return advice in order of need; where most of a room leaves target at its dry side, it says to treat the room first."""
    said = []
    for one in advice:
        beside = [other for other in advice if room_of[other.enclosure] == room_of[one.enclosure]]
        dry = [other for other in beside if other.side == "dry"]
        alike = [other for other in beside if _mends(other) == _mends(one) == "dry"]
        if len(alike) >= max(_WHOLE_ROOM, _ROOM_SHARE * len(beside)):
            one = replace(one, lasting=None)  # KEEPER: the whole room is dry: treat the room, change no tub
        if one.side == "dry" and len(dry) >= max(_WHOLE_ROOM, _ROOM_SHARE * len(beside)):
            why = f"{one.why}; so do {len(dry)} of {len(beside)} in this room: look at the room's air first"
            one = replace(one, why=why)
        said.append(one)
    order = {"unknown": 1, "keep_water_away": 2, "nothing": 3}
    return sorted(said, key=lambda one: (order.get(one.deed, 0), one.need))


def _mends(one: AirAdvice) -> str:
    return "" if one.lasting is None else one.lasting.side


def _last(journal: Sequence[JournalEntry], now: int) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for entry in journal:
        if entry.enclosure is not None:
            # The journal comes oldest first, so the last one of a word stays.
            found.setdefault(entry.enclosure, {})[entry.what] = now - entry.time
    return found
