"""The one order of need in which alarms are told and shown: urgent, then overdue, then by dose, then the older."""

from __future__ import annotations

from collections.abc import Mapping

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.report.model import RANKS, EnclosureMorning, Standing

QUIET_STATES = WITHHELD | {"normal"}
"""States in which an alarm asks nothing of anybody just now."""

Need = tuple[bool, bool, bool, float, int]


def need(*, urgent: bool, stands: bool, respond_by: int | None, now: int, dose: float, since: int) -> Need:
    """Return what to sort by, the most needed first.

    stands: whether it asks for something now; what is over or withheld comes after what does. respond_by: until when it
    is to be answered, None where there is no hurry. dose: %RH or °C beyond the limit times hours. Times: UTC seconds.
    """
    overdue = stands and respond_by is not None and respond_by < now
    return not urgent, not stands, not overdue, -dose, since


def dose_of(detail: Mapping[str, str | float | int]) -> float:
    """Return how far beyond its limit times how long an excursion was, from the detail of its alarm; 0 for any other."""
    return sum(
        float(value) for name, value in detail.items() if name.startswith("dose_") and not isinstance(value, str)
    )


NOTHING: tuple[bool, Need] = (True, (True, True, True, 0.0, 0))
"""In place of `alarm_order` where no alarm is."""


def alarm_order(alarm: Standing, now: int) -> tuple[bool, Need]:
    """Return what to sort alarms by: those that ask nothing just now last, the others by need. now: UTC seconds.

    That somebody has seen an alarm changes nothing about its place: what is still so is still first.
    """
    stands = alarm.state != "returned_unacknowledged"
    urgent = alarm.priority == "urgent" and stands
    needed = need(
        urgent=urgent, stands=stands, respond_by=alarm.respond_by, now=now, dose=alarm.dose, since=alarm.since
    )
    return alarm.state in QUIET_STATES, needed


def row_order(row: EnclosureMorning, now: int) -> tuple[int, float, tuple[bool, Need], float, str, int, int]:
    """Return what to sort enclosures by: rank, then how far it is too hot now, then its worst alarm, then the dose."""
    worst = alarm_order(row.alarms[0], now) if row.alarms else NOTHING
    return (RANKS.index(row.rank), -_too_hot(row), worst, -row.dose_percent_hours, row.rack, row.shelf, row.place)


def _too_hot(row: EnclosureMorning) -> float:
    """Return °C beyond tolerable now, to a degree: less is no reason to change places."""
    if row.now is None or row.now.stale:
        return 0.0
    return float(max(0, round(row.now.temperature_c - row.limits.temperature_high)))
