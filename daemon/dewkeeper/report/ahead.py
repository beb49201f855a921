"""The hours ahead of enclosures, from last night's figures and the last hours read; and what of it people read.

Measured, extrapolated and not known are different sentences: what was learned is said as it is, what is run on says
"if nobody does anything", and what is not known says why and what would help.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from dewkeeper.air import saturation_hpa, vapour_hpa
from dewkeeper.insight.changed import CHANGED, LOOK_AGAIN_DAYS, Finding, from_text
from dewkeeper.insight.outlook import (
    AFTER_WET_HOURS,
    HANDS,
    OUTLOOK,
    SLOW_HOURS,
    UNDER_WAY,
    Ahead,
    Leaving,
    OutlookFigures,
    Present,
    under_way,
)
from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import Fact, Learned, Quantity
from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.contract import Past, moist
from dewkeeper.report.wording import Wording
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper_config.models import Config, Limits
from dewkeeper_config.profiles import effective_limits

HOUR: Final = 3600
REFERENCE_C: Final = 30.0
"""At which a change of vapour is also told as %RH."""
_HELPS: Final = {
    "not known well enough": "It takes about a week of hours in which nobody opens or wets it; note what you do in the journal.",
    "can be checked": "A few more days of readings will do.",
    "plain guess": "It is shown as soon as it is better than a guess here.",
    "not read": "It needs its own and its room's last six hours.",
    "is not over": "It is shown again five hours after water, three after an opening.",
    "too old": f"Learn it anew, {TYPED}: `dewkeeper learn`.",
}
"""What would help, by words of the reason why nothing is forecast."""
NEVER_LEARNED: Final = "nothing was learned of it yet"


@dataclass(frozen=True, slots=True)
class WaterReport:
    """How long the water of one enclosure lasts, in sentences by kind, the hours ahead for a chart (None for none), and
    what its changes did, in words and as it was found."""

    measured: tuple[str, ...]
    extrapolated: tuple[str, ...]
    unknown: tuple[str, ...]
    ahead: Ahead | None = None
    changes: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


def water(past: Past, config: Config, name: str, learned: Learned | None, now: int) -> WaterReport:
    """Return how long the water of an enclosure lasts. learned: what insight last said of it. Raises StoreError."""
    limits = past.in_force().limits(name, now) or effective_limits(config, name)
    ahead = hours_ahead(past, config, {name}, now)[name]
    wording = Wording.of(config.site)
    found = tuple(from_text(past.figures(CHANGED).get(name, "")))
    changes = tuple(changed_words(one, wording) for one in found)
    return replace(water_words(learned, ahead, limits, now, wording), changes=changes, findings=found)


def figures_of(past: Past, names: Collection[str]) -> dict[str, OutlookFigures]:
    """Return what the last pass found of these enclosures, where it found anything. Raises StoreError."""
    texts = past.figures(OUTLOOK)
    read = ((name, OutlookFigures.from_text(texts[name])) for name in names if name in texts)
    return {name: one for name, one in read if one is not None}


def hours_ahead(
    past: Past, config: Config, names: Collection[str], now: int, figures: Mapping[str, OutlookFigures] | None = None
) -> dict[str, Ahead | str]:
    """Return the hours ahead of these enclosures at a time, or in words why there are none. figures: `figures_of` them."""
    figures = figures_of(past, names) if figures is None else figures
    hands = past.journal(now - (1 + AFTER_WET_HOURS) * HOUR, words=HANDS)
    rooms: dict[str, list[float] | None] = {}
    room_of = {rack.name: rack.room for rack in config.rack}
    probe_of = {probe.room: probe.name for probe in config.probe if probe.role == "room" and probe.room}
    found: dict[str, Ahead | str] = {}
    end = now // QUARTER_SECONDS * QUARTER_SECONDS  # whole quarter hours are summed up already
    for enclosure in config.enclosure:
        if enclosure.name not in names:
            continue
        outlook = figures.get(enclosure.name)
        if outlook is None or not outlook.blend:
            found[enclosure.name] = NEVER_LEARNED if outlook is None else outlook.why
            continue
        noted = [(e.time, e.what) for e in hands if e.enclosure in (None, enclosure.name)]
        probe = probe_of.get(room_of[enclosure.rack])
        # A room's air is read once, for however many of its tubs.
        if probe is not None and probe not in rooms:
            hours = _hours(past, probe, end, 1)
            rooms[probe] = None if hours is None else [vapour_hpa(*pair) for pair in hours]
        quarters = _quarters(past, enclosure.name, end, SLOW_HOURS)
        air = [None if one is None else vapour_hpa(*one) for one in quarters]
        # Also what nobody wrote down: the air itself shows water and an open lid.
        if under_way([*noted, *outlook.hands_seen(end, air)], now):
            found[enclosure.name] = UNDER_WAY
        else:
            found[enclosure.name] = _ahead(_hourly(quarters), outlook, rooms.get(probe or ""), end)
    return found


def _ahead(
    hours: Sequence[tuple[float, float]] | None, outlook: OutlookFigures, room: Sequence[float] | None, end: int
) -> Ahead | str:
    if hours is None:
        return "the last hours were not read"
    vapour = tuple(vapour_hpa(*pair) for pair in hours)
    return outlook.ahead(Present(end, hours[-1][0], vapour, None if room is None else room[-1]))


def humidity_now(past: Past, now: int) -> Mapping[str, float]:
    """Return the last hour's mean %RH by enclosure; one that was not read is left out. Raises StoreError."""
    end = now // QUARTER_SECONDS * QUARTER_SECONDS
    return {name: percent for name, (_, percent) in past.means(end - HOUR, end).items()}


def _hours(past: Past, place: str, end: int, count: int) -> list[tuple[float, float]] | None:
    """Return hourly means (°C, %RH) before a time, None where one of them was not read."""
    return _hourly(_quarters(past, place, end, count))


def _hourly(quarters: Sequence[tuple[float, float] | None]) -> list[tuple[float, float]] | None:
    hours = [[one for one in quarters[at : at + 4] if one is not None] for at in range(0, len(quarters), 4)]
    if not all(hours):
        return None
    return [(sum(t for t, _ in hour) / len(hour), sum(h for _, h in hour) / len(hour)) for hour in hours]


def _quarters(past: Past, place: str, end: int, hours: int) -> list[tuple[float, float] | None]:
    """Return means (°C, %RH) of the quarter hours before a time, None for those that were not read."""
    start, many = end - hours * HOUR, 4 * hours
    points = {(point.at - start) // QUARTER_SECONDS: point for point in moist(past.series(place, start, end, many))}
    found = (points.get(at) for at in range(many))
    return [None if point is None else (point.temperature_c, point.humidity_percent) for point in found]


def water_words(learned: Learned | None, ahead: Ahead | str, limits: Limits, now: int, wording: Wording) -> WaterReport:
    """Return how long the water lasts in sentences: what was measured, what is extrapolated, and what is not known and why."""
    measured, unknown = [], []
    for quantity, (about, say) in _SAID.items():
        fact = next((f for f in learned.facts if f.quantity == quantity), None) if learned is not None else None
        if fact is not None and fact.value is not None and now < fact.until:
            measured.append(say(fact))
        elif fact is not None and fact.why:
            unknown.append(f"{about}: {fact.why}.")
    if isinstance(ahead, Ahead):
        return WaterReport(tuple(measured), (holds_words(ahead, limits, wording),), tuple(unknown), ahead)
    helps = next((text for words, text in _HELPS.items() if words in ahead), "")
    return WaterReport(tuple(measured), (), (*unknown, f"The hours ahead: {ahead}. {helps}".rstrip()))


_WANTED: Final = {
    "covered": 1, "uncovered": -1, "closed": 1, "opened": -1, "enlarged": 1, "second bowl": 1, "half on the warm end": 1,
    "off the warm end": -1, "put in": 1, "taken out": -1,
}  # fmt: skip
"""Which way the vapour is meant to go, by the first words of what was written beside a change; of any other nobody knows."""
_MATTERS_PERCENT: Final = 5.0
"""An effect smaller than this is none that a change is made for; what may be larger is not called nothing."""


def failed_twice(findings: Sequence[Finding]) -> bool:
    """Return whether the last two changes of which it is known what they did had no effect, or the opposite one; newest first."""
    told = [one for one in findings if one.hpa is not None and one.low is not None and one.high is not None][:2]
    return len(told) == 2 and all(
        (one.low or 0.0) <= 0 <= (one.high or 0.0) or _wanted(one) * (one.hpa or 0.0) < 0 for one in told
    )


def _wanted(finding: Finding) -> int:
    return next((sign for words, sign in _WANTED.items() if finding.detail.startswith(words)), 0)


def changed_words(finding: Finding, wording: Wording) -> str:
    """Return whether a change worked: moister or drier by how much, that it did not, or that it can't be told and when to look again."""
    label = JOURNAL[finding.what].label if finding.what in JOURNAL else finding.what.replace("_", " ")
    detail = f" ({finding.detail})" if finding.detail else ""
    subject = f"{label.capitalize()}{detail} on {wording.day(finding.at)}"
    if finding.hpa is None or finding.low is None or finding.high is None:
        if finding.why.startswith("can't tell yet"):
            return f"{subject}: {finding.why}. Look again on {wording.day(finding.at + LOOK_AGAIN_DAYS * DAY)}."
        return f"{subject}: can't tell: {finding.why}."
    percent, lowest, highest = (100 * v / saturation_hpa(REFERENCE_C) for v in (finding.hpa, finding.low, finding.high))
    at = f"%RH at {wording.day_temperature(REFERENCE_C)}"
    vapour = f"vapour {finding.hpa:+.1f}{wording.space}hPa ({finding.low:+.1f} to {finding.high:+.1f})"
    rests = f"{finding.before} days before and {finding.after} after, beside {finding.beside} left alone"
    if lowest <= 0 <= highest:
        said = f"the effect lies between {lowest:+.0f} and {highest:+.0f} {at}"
        if max(-lowest, highest) < _MATTERS_PERCENT:
            return f"{subject}: it did not work: no effect is found, {said} ({rests})."
        return f"{subject}: can't tell: {said} ({rests})."
    # Of a drying both ends are below nought, and the smaller effect is the higher one.
    way, low, high = "moister" if percent > 0 else "drier", *sorted((abs(lowest), abs(highest)))
    wanted = _wanted(finding)
    verdict = "" if not wanted else "it worked: " if wanted * percent > 0 else "it did not work, it did the opposite: "
    return f"{subject}: {verdict}{way} by {abs(percent):.0f} {at} ({low:.0f} to {high:.0f}), {vapour}; {rests}."


def _drying(fact: Fact) -> str:
    half = math.log(2)
    low, high = (half * (v if v is not None else 0.0) for v in (fact.low, fact.high))
    value = half * (fact.value or 0.0)
    return (
        f"Half of what it holds above its resting level is gone in {_hours_text(value)} ({_hours_text(low)} to"
        f" {_hours_text(high)}), from {fact.decays} undisturbed decays."
    )


def _misting(fact: Fact) -> str:
    low, high = (_hours_text(v if v is not None else 0.0) for v in (fact.low, fact.high))
    return (
        f"A misting lasts about {_hours_text(fact.value or 0.0)} here ({low} to {high}), from {fact.decays} mistings."
    )


_SAID: Final[dict[Quantity, tuple[str, Callable[[Fact], str]]]] = {
    "drying_hours": ("How fast it dries", _drying),
    "misting_hours": ("How long a misting lasts", _misting),
}


def _hours_text(hours: float) -> str:
    if hours < 1.5:
        return f"{max(5, 5 * round(hours * 12))} min"
    return f"{hours:.0f} h" if hours >= 9.95 else f"{hours:.1f} h".replace(".0 h", " h")


def holds_words(ahead: Ahead, limits: Limits, wording: Wording) -> str:
    """Return until when humidity holds, if nobody does anything: within target, or, outside of it, within tolerable."""
    target, tolerable = limits.humidity_target, limits.humidity_tolerable
    inside = target.low <= ahead.now_percent <= target.high
    span, name, stays = (target, "target", "on target") if inside else (tolerable, "tolerable", "tolerable")
    if not span.low <= ahead.now_percent <= span.high:
        return "It is beyond tolerable now: when it comes back is not forecast."
    now = "" if inside else f"It is {'below' if ahead.now_percent < target.low else 'above'} target now. "
    below, above = ahead.leaves(span.low), ahead.leaves(span.high)
    first = min(
        (one for one in (below, above) if one.hours is not None), key=lambda one: one.hours or 0.0, default=None
    )
    if first is None:
        return f"{now}If nobody does anything it stays {stays} for the next three days."
    way, limit = ("falls below", span.low) if first is below else ("rises above", span.high)
    if first.rather_holds:
        may = way.replace("falls", "fall").replace("rises", "rise")
        begin = hour_words(ahead.at, first.earliest, wording)
        return (
            f"{now}If nobody does anything it may {may} {wording.humidity(limit)} ({name}) from {begin} on;"
            f" more likely it stays {stays} for the next three days."
        )
    moment = when(ahead.at, first, len(ahead.middle), wording)
    return f"{now}If nobody does anything it {way} {wording.humidity(limit)} ({name}) {moment}."


def when(at: int, leaving: Leaving, horizon: float, wording: Wording) -> str:
    """Return "about 04:00 (23:00 to Wed 25 Nov 09:00)"; where the latest lies beyond the horizon, that it may hold."""
    middle = hour_words(at, leaving.hours or 0.0, wording)
    first = hour_words(at, leaving.earliest, wording)
    if leaving.latest >= horizon:
        return f"about {middle} (from {first} on; it may hold)"
    return f"about {middle} ({first} to {hour_words(at, leaving.latest, wording)})"


def hour_words(at: int, hours: float, wording: Wording) -> str:
    """Return "04:00" or "Wed 25 Nov 04:00": a time to come, to the hour."""
    return wording.clock(round((at + hours * HOUR) / HOUR) * HOUR, at)


def facts_by_enclosure(learned: Mapping[str, Learned], name: str, now: int) -> Mapping[str, float]:
    """Return the facts of an enclosure that hold now: quantity -> value."""
    known = learned.get(name)
    if known is None:
        return {}
    return {fact.quantity: fact.value for fact in known.facts if fact.value is not None and now < fact.until}
