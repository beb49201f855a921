"""Questions as JSON objects, each answered with only what it may know.

    {"id", "ask": "cause", "enclosure", "to"[, "from"]}
    {"id", "ask": "forecast", "enclosure", "at"[, "limit"][, "horizon_h"]}
    {"id", "ask": "time_constant", "enclosure"}
    {"id", "ask": "effect", "enclosure", "at"[, "what"][, "after_from", "after_to"]}

Times are ISO 8601 UTC ending in `Z`, limits %RH. Every answer carries the question's id; one that honest computing
does not allow is `{"id", "withheld": true, "why": …}`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from dewkeeper.errors import DewkeeperError
from dewkeeper.insight.attribution import account
from dewkeeper.insight.decay import drying_constant
from dewkeeper.insight.effect import effect
from dewkeeper.insight.forecast import forecast
from dewkeeper.insight.hours import Deed, hours_of
from dewkeeper.insight.response import LEARNING_DAYS
from dewkeeper.insight.series import Gathering, Series
from dewkeeper.interchange import format_time, parse_time

Answer = dict[str, Any]

HORIZON_HOURS: Final = 72
LONGEST_HORIZON_HOURS: Final = 240


class QuestionRefused(DewkeeperError, ValueError):
    """A question that cannot be understood; says which part of it."""


@dataclass(frozen=True, slots=True)
class Disbelief:
    """Readings of a probe between two times that were disbelieved later, at `known` (all UTC seconds)."""

    probe: str
    since: int
    until: int
    known: int


@dataclass(slots=True)
class Evidence:
    """What the questions are asked about: readings by probe, which probe speaks for which enclosure, and the journal.

    room_of: enclosure -> the probe of its room, where there is one.
    """

    readings: dict[str, Gathering]
    probe_of: Mapping[str, str]
    room_of: Mapping[str, str]
    deeds: Mapping[str, Sequence[Deed]]
    disbeliefs: list[Disbelief] = field(default_factory=list)
    _finished: dict[str, Series] = field(default_factory=dict)

    def series(self, probe: str, at: int | None = None) -> Series:
        """Return what a probe had read, and was believed, at a time; None: all there is."""
        whole = self._finished.get(probe)
        if whole is None:
            whole = self._finished[probe] = self.readings[probe].series()
        part = whole if at is None else whole.until(at)
        spans = [(d.since, d.until) for d in self.disbeliefs if d.probe == probe and (at is None or d.known <= at)]
        return part.without(spans)

    def tub(self, enclosure: str, at: int | None = None) -> Series:
        """Return an enclosure's air as known at a time."""
        return self.series(self.probe_of[enclosure], at)

    def room(self, enclosure: str, at: int | None = None) -> Series | None:
        """Return the air of an enclosure's room as known at a time, None without a probe there."""
        probe = self.room_of.get(enclosure)
        return None if probe is None else self.series(probe, at)

    def known_deeds(self, enclosure: str, at: int | None = None) -> list[Deed]:
        """Return what was done to an enclosure by a time."""
        return [deed for deed in self.deeds.get(enclosure, ()) if at is None or deed.at < at]


def answer(question: Mapping[str, Any], evidence: Evidence) -> Answer:
    """Return the answer to one question. Raises QuestionRefused for one that cannot be understood."""
    if not question:
        raise QuestionRefused("it is no question: one JSON object a line is expected")
    ask = question.get("ask")
    if not isinstance(ask, str) or ask not in _ASKED:
        raise QuestionRefused(f"ask is {ask!r}; it must be one of {', '.join(_ASKED)}")
    enclosure = question.get("enclosure")
    if not isinstance(enclosure, str) or enclosure not in evidence.probe_of:
        raise QuestionRefused(f"enclosure is {enclosure!r}; there are: {', '.join(evidence.probe_of)}")
    return {"id": question.get("id"), **_ASKED[ask](question, enclosure, evidence)}


def withheld(why: str) -> Answer:
    """Return the answer of a question that is not answered."""
    return {"withheld": True, "why": why}


def _cause(question: Mapping[str, Any], enclosure: str, evidence: Evidence) -> Answer:
    to = _moment(question, "to")
    since = _moment(question, "from") if question.get("from") is not None else None
    if since is not None and since >= to:
        raise QuestionRefused("from must lie before to")
    found = account(
        evidence.tub(enclosure, to), evidence.room(enclosure, to), evidence.known_deeds(enclosure, to), to, since
    )
    if isinstance(found, str):
        return withheld(found)
    parts = {
        "temperature": found.temperature, "room": found.room,
        "added": max(0.0, found.moisture), "moisture": min(0.0, found.moisture),
    }  # fmt: skip
    told: Answer = {
        "parts": {name: round(part, 3) for name, part in parts.items()},
        "since": format_time(found.since), "before": round(found.before, 3), "after": round(found.after, 3),
    }  # fmt: skip
    return {"cause": found.cause, **told} if found.cause is not None else {**withheld(found.why), **told}


def _forecast(question: Mapping[str, Any], enclosure: str, evidence: Evidence) -> Answer:
    at = _moment(question, "at")
    limit = _number(question, "limit", 0, 100)
    horizon = _number(question, "horizon_h", 1, LONGEST_HORIZON_HOURS)
    hours = hours_of(
        evidence.tub(enclosure, at),
        evidence.room(enclosure, at),
        evidence.known_deeds(enclosure, at),
        at,
        LEARNING_DAYS * 24,
    )
    ahead = int(horizon or HORIZON_HOURS)
    found = forecast(hours, limit, ahead)
    if isinstance(found, str):
        return withheld(found)
    leaves = found.leaves if found.leaves is not None and found.leaves <= ahead else None
    return {
        "hours": None if leaves is None else round(leaves, 2),
        "lo": round(min(found.earliest, ahead), 2), "hi": round(min(found.latest, ahead), 2),
        "rh_12h": round(float(found.middle[11]), 2),
        "rh_12h_lo": round(float(found.low[11]), 2), "rh_12h_hi": round(float(found.high[11]), 2),
    }  # fmt: skip


def _time_constant(question: Mapping[str, Any], enclosure: str, evidence: Evidence) -> Answer:
    found = drying_constant(evidence.tub(enclosure), evidence.room(enclosure), evidence.known_deeds(enclosure))
    if isinstance(found, str):
        return withheld(found)
    return {"tau_h": round(found.hours, 3), "lo": round(found.low, 3), "hi": round(found.high, 3)}


def _effect(question: Mapping[str, Any], enclosure: str, evidence: Evidence) -> Answer:
    at = _moment(question, "at")
    what = question.get("what")
    if what is not None and not isinstance(what, str):
        raise QuestionRefused(f"what is {what!r}; it must be a word of the journal, or left out")
    after = None
    if question.get("after_from") is not None or question.get("after_to") is not None:
        after = (_moment(question, "after_from"), _moment(question, "after_to"))
    beside = [name for name in evidence.probe_of if evidence.room_of.get(name) == evidence.room_of.get(enclosure)]
    found = effect(
        enclosure, at, {name: evidence.tub(name) for name in beside}, evidence.room(enclosure),
        {name: evidence.known_deeds(name) for name in beside}, after,
    )  # fmt: skip
    if isinstance(found, str):
        return withheld(found)
    return {
        "effect": round(found.hpa, 4), "lo": round(found.low, 4), "hi": round(found.high, 4), "unit": "hPa",
        "verdict": found.verdict,
    }  # fmt: skip


_ASKED: Final[dict[str, Callable[[Mapping[str, Any], str, Evidence], Answer]]] = {
    "cause": _cause, "forecast": _forecast, "time_constant": _time_constant, "effect": _effect,
}  # fmt: skip


def _moment(question: Mapping[str, Any], key: str) -> int:
    value = question.get(key)
    try:
        if isinstance(value, str):
            return parse_time(value)
    except (ValueError, OverflowError):
        pass
    raise QuestionRefused(f"{key} is {value!r}; it must be an ISO 8601 UTC time ending in Z")


def _number(question: Mapping[str, Any], key: str, low: float, high: float) -> float | None:
    value = question.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise QuestionRefused(f"{key} is {value!r}; it must be a number from {low} to {high}")
    return float(value)
