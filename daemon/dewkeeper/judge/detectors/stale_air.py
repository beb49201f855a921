"""`stale_air`: too little exchange for hours after vents were covered: humid, flat, and far above its room.

Covering mesh or holes trades dryness for stale, wet air. Air that is exchanged follows its room and swings with its
thermostat; where hardly any is, vapour stays up and lies flat whatever the room does. Asked only after the journal said that
mesh or holes were changed, for what is flat and humid by itself may have been so for years. What the learning pass found since, that its exchange with the room is
half or less of what it was (`exchange_share`), says the same of a change that lies further back. `damp` tells of the same air once
it is beyond its limit for long, so while that stands this is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median
from typing import Final

from dewkeeper.air import humidity_at
from dewkeeper.judge.contract import Detector, Finding, Findings, Over, Stands
from dewkeeper.judge.detectors.lid_open import misted, opened
from dewkeeper.judge.probe_past import Hour
from dewkeeper.judge.rationale import DAY, HOUR, Rationale
from dewkeeper.judge.view import View

_VENTS: Final = frozenset({"mesh_cover", "holes"})
HOURS: Final = 6
"""So many whole hours in a row; two or three drying times of a closed tub. Common practice, no source."""
_HOURS_BEFORE: Final = 6
"""Hours before the deed, without which nothing is known of how it was."""
LATEST_SECONDS: Final = 3 * DAY
"""What was not so within three days of the deed is not of the deed; common practice, no source."""
FURTHER: Final = 1.5
"""By so many times it is further above its room than before. No source: no bench has covered vents."""
FLAT: Final = 0.5
"""Its hourly swings of vapour are less than this share of what they were. No source, as above."""
_LEAST_HPA: Final = 2.2
"""Above its room by twice the uncertainty of two probes, as `checks.impossible.MARGIN_HPA`."""
LITTLE: Final = 0.5
"""So little of its former exchange is too little, where the air is humid for hours besides. No source, as above."""
_BACK_PERCENT: Final = 2.0
"""Deadband, as of `dry` and `damp`."""


def look(view: View) -> Findings:
    """Every five minutes: end what is over at once."""
    alarm = view.standing("stale_air")
    if alarm is None:
        return ()
    air, facts = view.probe.air, view.facts
    high = facts.limits.humidity_target.high if facts is not None else 100.0
    drier = humidity_at(air.slow_e, air.slow_t) < high - _BACK_PERCENT
    # Changed once more since: what it was raised for is not so any more.
    over = drier or view.probe.faults or view.stands("damp") or _changed(view, alarm.since) is not None
    return (Over("stale_air"),) if over else ()


def hourly(view: View) -> Iterator[Finding]:
    """A new hour begins: were the last ones humid, flat and far above the room, and not so before the vents were changed?"""
    probe, facts, now = view.probe, view.facts, view.now
    if facts is None or view.stands("stale_air") or view.stands("damp"):
        return
    at = _changed(view, now - LATEST_SECONDS)
    if at is None:
        yield from _learned(view, facts.limits.humidity_target.high)
        return
    since = max(at, opened(probe), misted(probe))
    last = probe.past.within(now // HOUR - HOURS, now // HOUR)
    before = probe.past.within(at // HOUR - DAY // HOUR, at // HOUR)
    if len(last) < HOURS or last[0][0] * HOUR < since or len(before) < _HOURS_BEFORE:
        return
    if _humid(last, facts.limits.humidity_target.high) and _exchanges_less(last, before):
        excess = median(_excess(hour) for hour in last)
        detail = {"hours": HOURS, "above_room_hpa": round(excess, 1)}
        yield Stands("stale_air", last[0][0] * HOUR, round(probe.air.h, 1), detail=detail)


def _learned(view: View, high_percent: float) -> Iterator[Finding]:
    """Of a change that lies further back: the learned exchange is too little, and the last hours were humid."""
    share = view.fact("exchange_share")
    if share is None or share.value is None or share.value > LITTLE or (share.high or 0.0) >= 1.0:
        return
    last = view.probe.past.within(view.now // HOUR - HOURS, view.now // HOUR)
    if len(last) == HOURS and _humid(last, high_percent):
        detail = {"hours": HOURS, "exchange_percent": round(100 * share.value)}
        yield Stands("stale_air", last[0][0] * HOUR, round(view.probe.air.h, 1), detail=detail)


def _changed(view: View, since: int) -> int | None:
    """Return when the journal last said that mesh or holes were changed, None where it did not since a time."""
    entries = view.entries(view.now - since)
    return next((at for at, word in reversed(entries) if word.lever in _VENTS), None)


def _humid(hours: list[Hour], high_percent: float) -> bool:
    return all(humidity_at(e, t) > high_percent for _, t, e, *_ in hours)


def _excess(hour: Hour) -> float:
    """Return how far above its room an hour was, hPa."""
    return hour[7]


def _exchanges_less(last: list[Hour], before: list[Hour]) -> bool:
    """Return whether it lies further above its room than before, and flatter; where its room was not read nothing is known."""
    if not all(hour[8] for hour in last) or not any(hour[8] for hour in before):
        return False
    was = max(_LEAST_HPA, median(_excess(hour) for hour in before if hour[8]))
    swung = median(hour[5] for hour in before)
    return all(_excess(hour) > FURTHER * was and hour[5] < FLAT * swung for hour in last)


DETECTOR: Final = Detector(
    "stale_air",
    {
        "stale_air": Rationale(
            "stale air", "too little air since the vents were covered", "condensation and mould, skin and lung disease over days",
            "uncover part of the mesh, away from the heat; recheck the temperature within the hour", 12 * HOUR, "low",
        ),
    },
    look=look,
    hourly=hourly,
)  # fmt: skip
