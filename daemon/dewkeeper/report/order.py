"""The one order of need in which alarms are told and shown: urgent, then overdue, then by dose per band, then the older."""

from __future__ import annotations

from collections.abc import Mapping

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.report.model import NEEDS_LOOK, RANKS, EnclosureMorning, Standing

ROOMS: frozenset[str] = frozenset({"room_heat", "room_heat_soon", "room_frost"})
"""Kinds that are about a room and not about an enclosure in it."""
THERMAL: frozenset[str] = frozenset({"hot", "cold", "heat_stuck_on", "heat_lost"}) | ROOMS
"""Kinds that are about temperature."""
QUIET_STATES = WITHHELD | {"normal"}
"""States in which an alarm asks nothing of anybody just now."""

Need = tuple[bool, bool, bool, float, int]


def need(*, urgent: bool, stands: bool, respond_by: int | None, now: int, dose: float, since: int) -> Need:
    """Return what to sort by, the most needed first.

    stands: whether it asks for something now; what is over or withheld comes after what does. respond_by: until when it
    is to be answered, None where there is no hurry. dose: in widths of the band, times hours. Times: UTC seconds.
    """
    overdue = stands and respond_by is not None and respond_by < now
    return not urgent, not stands, not overdue, -dose, since


def dose_of(detail: Mapping[str, str | float | int]) -> float:
    """Return how far beyond its limit times how long an excursion was, from the detail of its alarm; 0 for any other."""
    return sum(
        float(value) for name, value in detail.items() if name.startswith("dose_") and not isinstance(value, str)
    )


BAND_PERCENT, BAND_CELSIUS = 25.0, 10.0
"""Widths of an adult's tolerable bands, %RH and °C (DESIGN.md, Limits): in them a dose of heat and one of dryness compare."""


def dose_in_bands(dose: float, kind: str) -> float:
    """Return a dose (%RH or °C times hours, whichever the kind is measured in) in widths of the tolerable band."""
    return dose / (BAND_CELSIUS if kind in THERMAL else BAND_PERCENT)


NOTHING: tuple[bool, Need] = (True, (True, True, True, 0.0, 0))
"""In place of `alarm_order` where no alarm is."""


def alarm_order(alarm: Standing, now: int) -> tuple[bool, Need]:
    """Return what to sort alarms by: those that ask nothing just now last, the others by need. now: UTC seconds.

    That somebody has seen an alarm changes nothing about its place: what is still so is still first.
    """
    stands = alarm.state != "returned_unacknowledged"
    urgent = alarm.priority == "urgent" and stands
    needed = need(
        urgent=urgent,
        stands=stands,
        respond_by=alarm.respond_by,
        now=now,
        dose=dose_in_bands(alarm.dose, alarm.kind),
        since=alarm.since,
    )
    return alarm.state in QUIET_STATES, needed


def row_order(
    row: EnclosureMorning, now: int
) -> tuple[bool, bool, int, float, tuple[bool, Need], float, str, int, int]:
    """Return what to sort enclosures by: urgent, overdue, rank, how far too hot now, the worst alarm, then the dose.

    Among urgent ones none is moved up for being overdue: there the hotter one dies first.
    """
    worst = alarm_order(row.alarms[0], now) if row.alarms else NOTHING
    urgent = row.rank == "urgent"
    late = not urgent and row.rank in NEEDS_LOOK and any(overdue(alarm, now) for alarm in row.alarms)
    dose = -row.dose_percent_hours
    return (not urgent, not late, RANKS.index(row.rank), -_too_hot(row), worst, dose, row.rack, row.shelf, row.place)


def overdue(alarm: Standing, now: int) -> bool:
    """Return whether it asks for something, and should have been answered by now."""
    waits = alarm.state not in QUIET_STATES and alarm.state != "returned_unacknowledged"
    return waits and alarm.respond_by is not None and alarm.respond_by < now


def _too_hot(row: EnclosureMorning) -> float:
    """Return °C beyond tolerable now, to a degree: less is no reason to change places."""
    if row.now is None or row.now.stale:
        return 0.0
    return float(max(0, round(row.now.temperature_c - row.limits.temperature_high)))
