"""The air's part of the evening round: which enclosures leave target before tomorrow evening if nobody does anything.

For each: what to do, or to leave it alone and why, in order of need. From facts and figures learned the night before;
nothing is computed here that takes more than a moment. What was advised is scored a day later against what then
happened. Common practice, never veterinary advice; an animal with a sign of illness is the round's own matter.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from typing import Any, Final, Literal

from dewkeeper.insight.outlook import Ahead, Leaving
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.ahead import HOUR, facts_by_enclosure, hour_words, hours_ahead, humidity_now, when
from dewkeeper.report.due import Due, DueTap
from dewkeeper.report.history import Past
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
_BRIDGE: Final = "a bridge, not the cure"
_LATER: Final[tuple[Deed, str]] = "mist_later", "mist it in the morning, not tonight"
_WHOLE_ROOM: Final = 3
_ROOM_SHARE: Final = 0.6
_WETS: Final = frozenset({"misted", "moistened", "refilled", "substrate_changed", "humid_hide_changed"})
ADVICE: Final = "advice:"
"""What was advised is kept under this and the day of the month: a month's worth, for scoring."""
_CAME_TRUE_SECONDS: Final = HOUR


@dataclass(frozen=True, slots=True)
class AirAdvice:
    """What the air of one enclosure needs this evening.

    deed: `nothing` to leave it alone, `unknown` where it is not forecast. todo, why: in words. word: the journal's word
    that a tap writes, "" for none. mistings: at which hours from now, 0 for tonight. side: which way it leaves target, "" for not. limit: %RH. hours: until then, None for
    not before tomorrow evening. need: order, the smallest first.
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

    @property
    def due(self) -> bool:
        """Whether something is to be done."""
        return self.deed not in ("nothing", "unknown", "keep_water_away", "mist_later")

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "enclosure": self.enclosure, "deed": self.deed, "todo": self.todo, "why": self.why, "side": self.side or None,
            "limit": self.limit, "hours": None if self.hours is None else round(self.hours, 1),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class EveningFacts:
    """What advice on one enclosure rests on.

    last: journal word -> seconds since it was last noted there. now_percent: %RH of the last hour, None where it was not
    read; asked where nothing is forecast.
    """

    enclosure: Enclosure
    limits: Limits
    stage: str
    ahead: Ahead | str
    facts: Mapping[str, float]
    last: Mapping[str, int]
    now_percent: float | None = None


def evening(past: Past, config: Config, now: int) -> list[AirAdvice]:
    """Return the advice for every enclosure in service, those in need first. Raises StoreError."""
    in_force = past.in_force()
    served = [e for e in config.enclosure if in_force.out_of_service(e.name) is None and e.kind != "egg_box"]
    ahead = hours_ahead(past, config, {e.name for e in served}, now)
    learned = past.learned(now)
    last = _last(past.journal(now - 14 * DAY, words=_WETS), now)
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
                now_percent=humidity_now(past, e.name, now) if isinstance(ahead[e.name], str) else None,
            ),
            wording,
        )
        for e in served
    ]
    rooms = {rack.name: rack.room for rack in config.rack}
    return by_need(advice, {e.name: rooms[e.rack] for e in served})


def advise(about: EveningFacts, wording: Wording) -> AirAdvice:
    """Return the advice for one enclosure."""
    name, ahead, target = about.enclosure.name, about.ahead, about.limits.humidity_target
    now = about.now_percent if isinstance(ahead, str) else ahead.now_percent
    why = f"not forecast: {ahead}" if isinstance(ahead, str) else ""
    if now is not None and now > target.high:
        above = f"{wording.humidity(now)} now, above {wording.humidity(target.high)}"
        return _damp(about, 0.0, f"{above}; {why}" if why else above)
    if isinstance(ahead, str):
        return AirAdvice(name, "unknown", "look at it as usual", why)
    wetted = min(
        (word for word in about.last if about.last[word] < _WETTED_SECONDS), key=about.last.__getitem__, default=""
    )
    if wetted:
        what = JOURNAL[wetted].label
        return AirAdvice(name, "nothing", "leave it alone", f"{what} today: what that does shows tomorrow")
    dry = ahead.leaves(target.low, HORIZON_HOURS) if ahead.now_percent >= target.low else Leaving(0.0, 0.0, 0.0)
    leaves = dry.hours is not None and not dry.rather_holds
    if leaves and not _passes(ahead, about.limits, dry.hours or 0.0):
        return _dry(about, ahead, wording, dry)
    damp = ahead.leaves(target.high, HORIZON_HOURS)
    if damp.hours is not None and not damp.rather_holds:
        moment = when(ahead.at, damp, HORIZON_HOURS, wording)
        return _damp(about, damp.hours, f"rises above {wording.humidity(target.high)} {moment}")
    return AirAdvice(name, "nothing", "leave it alone", _holds(ahead, target.low, wording, leaves))


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
    word = {
        "refill": "refilled", "mist": "misted", "mist_later": "", "moisten": "moistened", "humid_hide": "humid_hide_changed"
    }[deed]  # fmt: skip
    worst = min(ahead.middle[:HORIZON_HOURS]) - limits.humidity_tolerable.low
    hours = leaving.hours or 0.0
    return AirAdvice(
        about.enclosure.name, deed, todo, why + more, word, "dry", low, hours, worst + 0.25 * hours, mistings
    )


def _mistings(about: EveningFacts, ahead: Ahead, wording: Wording) -> tuple[int, ...]:
    """Return at which hours from now a misting is to be: those after which the fewest hours beyond target are expected.

    Tonight, in the morning, both, or neither where that spares too little; never neither where it gets worse than tolerable.
    """
    target = about.limits.humidity_target
    morning = round((Daily(_MORNING, wording.zone).next_slot(ahead.at) - ahead.at) / HOUR)
    best = min(
        ((), (0,), (morning,), (0, morning)),
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
        if one.side == "dry" and len(dry) >= max(_WHOLE_ROOM, _ROOM_SHARE * len(beside)):
            why = f"{one.why}; so do {len(dry)} of {len(beside)} in this room: look at the room's air first"
            one = replace(one, why=why)
        said.append(one)
    order = {"unknown": 1, "keep_water_away": 2, "nothing": 3}
    return sorted(said, key=lambda one: (order.get(one.deed, 0), one.need))


def air_due(advice: Sequence[AirAdvice], day: date) -> list[Due]:
    """Return what is to be done this evening, as the round lists it; the neediest first."""
    return [
        Due("air", one.enclosure, one.todo, one.why, day, (DueTap(one.word, JOURNAL[one.word].label),))
        for one in advice
        if one.due
    ]


def air_aside(advice: Sequence[AirAdvice], scored: Score) -> list[str]:
    """Return in sentences what is left alone and why, and how often what was said before came true."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in advice:
        if not one.due:
            alike.setdefault((one.todo, one.why), []).append(one.enclosure)
    lines = [f"{todo.capitalize()}: {', '.join(names)} – {why}." for (todo, why), names in alike.items()]
    said = scored.sentence()
    return [*lines, *([f"What was said of the air on the evenings before: {said}"] if said else [])]


def kept(advice: Sequence[AirAdvice], now: int) -> str:
    """Return advice as it is kept for scoring; what was not forecast is left out."""
    said = {one.enclosure: one.side if one.hours is not None else "" for one in advice if one.deed != "unknown"}
    return json.dumps({"at": now, "said": said}, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Score:
    """How often what was said of an evening came true. helped: told to leave target, treated, and did not."""

    right: int = 0
    wrong: int = 0
    helped: int = 0

    def sentence(self) -> str:
        """Return it in words, "" where nothing can be scored."""
        checked = self.right + self.wrong
        if not checked:
            return ""
        more = f"; {self.helped} that would have left target were wetted and held" if self.helped else ""
        return f"{self.right} of {checked} came true{more}."


def score(past: Past, now: int) -> Score:
    """Return how the advice of the last month came out, evening by evening, up to those a day old."""
    total = Score()
    for at, said, came in _kept_ones(past, now).values():
        one = _came_out(past, at, said) if came is None else came
        total = Score(total.right + one.right, total.wrong + one.wrong, total.helped + one.helped)
    return total


def outcomes(past: Past, now: int) -> dict[str, str]:
    """Return the advice that is a day old by now as it is kept from then on, by its name after `ADVICE`: with how it came out.

    So a look at the round adds up no month of days again; on a server, where no quarter hours lie, that takes a second an evening.
    """
    found = {}
    for name, (at, said, came) in _kept_ones(past, now).items():
        if came is None:
            one = _came_out(past, at, said)
            told = {"at": at, "said": said, "came": [one.right, one.wrong, one.helped]}
            found[name] = json.dumps(told, separators=(",", ":"))
    return found


def _kept_ones(past: Past, now: int) -> dict[str, tuple[int, dict[str, str], Score | None]]:
    """Return by its name what was advised a day ago and before: when, the sides, and how it came out where that is known."""
    kept_ones: dict[str, tuple[int, dict[str, str], Score | None]] = {}
    for name, text in past.figures(ADVICE).items():
        try:
            found = json.loads(text)
            at, said = int(found["at"]), dict(found["said"])
            came = Score(*map(int, found["came"])) if "came" in found else None
        except (ValueError, KeyError, TypeError):
            continue
        if at > 0 and at + DAY <= now:
            kept_ones[name] = at, said, came
    return kept_ones


def _came_out(past: Past, at: int, said: Mapping[str, str]) -> Score:
    nights = past.nights(at, at + DAY)
    wetted = {e.enclosure for e in past.journal(at, words=_WETS) if e.time < at + DAY}
    right = wrong = helped = 0
    for name, side in said.items():
        night = nights.get(name)
        if night is None or night.watched_seconds < DAY / 2:
            continue
        left = night.beyond_target_seconds >= _CAME_TRUE_SECONDS
        if name in wetted or None in wetted:
            helped += side == "dry" and not left  # what nothing done would have led to, nobody saw
        elif left == bool(side):
            right += 1
        else:
            wrong += 1
    return Score(right, wrong, helped)


def _last(journal: Sequence[JournalEntry], now: int) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for entry in journal:
        if entry.enclosure is not None:
            found.setdefault(entry.enclosure, {})[entry.what] = now - entry.time
    return found
