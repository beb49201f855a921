"""What is known of an enclosure's heat, in sentences: what was measured, and what is not known and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dewkeeper.judge.types import Fact, Learned, Quantity
from dewkeeper.report.wording import Wording

_FOLLOWS, _HOLDS = 0.7, 0.3
"""From so much of its room's warmth on it follows it, up to so much it holds its own; between them it does a little of both."""
_ASKED: Final[Mapping[Quantity, str]] = {
    "heat_period_minutes": "How its heat is controlled",
    "usual_peak_c": "What it peaks at",
    "room_warmth_share": "How far it follows its room",
}
"""Of these it is said why they are not known; of the others the same would be said again."""


@dataclass(frozen=True, slots=True)
class HeatReport:
    """Sentences of what was measured of an enclosure's heat, and of what is not known and why."""

    measured: tuple[str, ...]
    unknown: tuple[str, ...]


def heat_words(learned: Learned | None, now: int, wording: Wording) -> HeatReport:
    """Return what is known of an enclosure's heat at a time, UTC seconds."""
    told = {fact.quantity: fact for fact in learned.facts} if learned is not None else {}
    known = {name: fact for name in told if learned and (fact := learned.fact(name, now)) is not None}
    measured = [*_control(known, wording), *_room(known)]
    steady = "heat_swing_c" in known
    unknown = [
        f"{about}: {told[name].why}."
        for name, about in _ASKED.items()
        if name in told and name not in known and told[name].why and not (steady and name == "heat_period_minutes")
    ]
    return HeatReport(tuple(measured), tuple(unknown))


def _control(known: Mapping[Quantity, Fact], wording: Wording) -> list[str]:
    period, swing, peak, pace = (
        known.get(name) for name in ("heat_period_minutes", "heat_swing_c", "usual_peak_c", "heat_c_per_hour")
    )
    peaks = "" if peak is None else f"peaks at {wording.temperature(peak.value)} on most days{_between(peak, wording)}"
    if period is None and swing is None:
        return [f"It {peaks}."] if peaks else []
    if period is None:
        steady = "Its heat is held without a cycle, as a control in proportion, a dimmer or quick pulses hold it"
        return [f"{steady}, and {peaks}." if peaks else f"{steady}."]
    found = [f"Its heat comes on every {period.value:.0f} min" + (f" and {peaks}." if peaks else ".")]
    if swing is not None:
        warms = "" if pace is None else f", and warms by {_degrees(pace.value, wording)} an hour while its heat is on"
        found.append(f"From cycle to cycle it swings by {_degrees(swing.value, wording)}{warms}.")
    return found


def _room(known: Mapping[Quantity, Fact]) -> list[str]:
    share = known.get("room_warmth_share")
    if share is None or share.value is None:
        return []
    if share.value <= _HOLDS:
        return ["It holds its warmth while its room gets warmer or cooler."]
    if share.value >= _FOLLOWS:
        return ["It gets warmer and cooler with its room: no thermostat holds it, and a hot day reaches it in full."]
    return [f"It follows {round(10 * share.value)} tenths of what its room gets warmer or cooler by."]


def _between(fact: Fact, wording: Wording) -> str:
    if fact.low is None or fact.high is None:
        return ""
    return f" ({wording.temperature_range(fact.low, fact.high)}, from {fact.days} days)"


def _degrees(difference_c: float | None, wording: Wording) -> str:
    """Return a difference of temperatures in the site's unit."""
    return f"{wording.difference(difference_c or 0.0):.1f} {wording.unit}"
