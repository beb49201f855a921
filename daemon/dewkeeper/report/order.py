"""The one order of need in which alarms are told and shown, by consequence and time left: what is urgent; a heat that is
over and that nobody has seen; what is overdue; where nobody knows the air, for heat kills within the hour; then by dose per band; then the older."""

from __future__ import annotations

from collections.abc import Mapping

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.rationale import HIGHEST
from dewkeeper.judge.said import BELIEVED
from dewkeeper.report.model import NEEDS_LOOK, RANKS, EnclosureMorning, Standing
from dewkeeper.report.wording import harmed, heat_unseen

ROOMS: frozenset[str] = frozenset({"room_heat", "room_heat_soon", "room_frost"})
"""Kinds that are about a room and not about an enclosure in it."""
THERMAL: frozenset[str] = frozenset({"hot", "cold", "heat_stuck_on", "heat_lost"}) | ROOMS
"""Kinds that are about temperature."""
BLINDING = BELIEVED | {"missing", "crc"}
"""Faults of a judged probe under which nobody knows the air of its enclosure. The others leave its readings believed."""
QUIET_STATES = WITHHELD | {"normal"}
"""States in which an alarm asks nothing of anybody just now."""

Need = tuple[bool, bool, bool, bool, bool, float, int]


def need(
    *,
    urgent: bool,
    harmed: bool,
    stands: bool,
    respond_by: int | None,
    now: int,
    blind: bool,
    dose: float,
    since: int,
) -> Need:
    """Return what to sort by, the most needed first.

    harmed: whether it was a heat that is over and that nobody has seen: a snake may lie there hurt. stands: whether it asks for
    something now; what is over or withheld otherwise comes after what does. respond_by: until when it
    is to be answered, None where there is no hurry. blind: whether nobody knows the air of its enclosure now: what is not
    known may be a heat, which kills within the hour, and a look is all that it takes. dose: in widths of the band, times
    hours. Times: UTC seconds.
    """
    overdue = stands and respond_by is not None and respond_by < now
    # Each turned round, for False and the smaller number sort first.
    return not urgent, not harmed, not stands, not overdue, not (stands and blind), -dose, since


def dose_of(detail: Mapping[str, str | float | int]) -> float:
    """Return how far beyond its limit times how long an excursion was, from the detail of its alarm; 0 for any other."""
    return sum(
        float(value) for name, value in detail.items() if name.startswith("dose_") and not isinstance(value, str)
    )


def highest_of(detail: Mapping[str, str | float | int]) -> float | None:
    """Return how hot it was at most, °C, of a heat that is over; None of any other alarm."""
    value = detail.get(HIGHEST)
    return None if value is None or isinstance(value, str) else float(value)


BAND_PERCENT, BAND_CELSIUS = 25.0, 10.0
"""Widths of an adult's tolerable bands, %RH and °C (the profile `adult`): in them a dose of heat and one of dryness compare."""


def dose_in_bands(dose: float, kind: str) -> float:
    """Return a dose (%RH or °C times hours, whichever the kind is measured in) in widths of the tolerable band."""
    return dose / (BAND_CELSIUS if kind in THERMAL else BAND_PERCENT)


NOTHING: tuple[bool, Need] = (True, (True, True, True, True, True, 0.0, 0))
"""In place of `alarm_order` where no alarm is."""


def alarm_order(alarm: Standing, now: int) -> tuple[bool, Need]:
    """Return what to sort alarms by: those that ask nothing just now last, the others by need. now: UTC seconds.

    That somebody has seen an alarm changes nothing about its place: what is still so is still first.
    """
    stands = alarm.state != "returned_unacknowledged"
    urgent = alarm.priority == "urgent" and stands
    needed = need(
        urgent=urgent,
        harmed=heat_unseen(alarm.kind, alarm.state),
        stands=stands,
        respond_by=alarm.respond_by,
        now=now,
        blind=alarm.blind,
        dose=dose_in_bands(alarm.dose, alarm.kind),
        since=alarm.since,
    )
    return alarm.state in QUIET_STATES, needed


def blinds(kind: str, enclosure: str | None) -> bool:
    """Return whether an alarm says that nobody knows the air of an enclosure."""
    return enclosure is not None and kind in BLINDING


def row_order(
    row: EnclosureMorning, now: int
) -> tuple[bool, bool, bool, bool, int, float, tuple[bool, Need], float, str, int, int]:
    """Return what to sort enclosures by: urgent, a heat that nobody has seen and is over, overdue, not watched now, rank, how far too hot now, the worst alarm, then the dose.

    Among urgent ones none is moved up for being overdue: there the hotter one dies first.
    """
    worst = alarm_order(row.alarms[0], now) if row.alarms else NOTHING
    urgent = row.rank == "urgent"
    late = not urgent and row.rank in NEEDS_LOOK and any(overdue(alarm, now) for alarm in row.alarms)
    blind = not urgent and row.rank in NEEDS_LOOK and row.unwatched.now
    dose, hot = -row.dose_percent_hours, -_too_hot(row)
    rank = (
        -1 if blind and row.rank == "alarm" else rank_place(row)
    )  # of two that are not watched, the one with an alarm besides
    return (not urgent, not harmed(row), not late, not blind, rank, hot, worst, dose, row.rack, row.shelf, row.place)


def rank_place(row: EnclosureMorning) -> int:
    """Return the place of its rank, the worst 0; what is watched again asks for less than what stands."""
    back = row.rank == "unwatched" and not row.unwatched.now
    return RANKS.index("outside" if back else row.rank)


def overdue(alarm: Standing, now: int) -> bool:
    """Return whether it asks for something, and should have been answered by now."""
    waits = alarm.state not in QUIET_STATES and alarm.state != "returned_unacknowledged"
    return waits and alarm.respond_by is not None and alarm.respond_by < now


def _too_hot(row: EnclosureMorning) -> float:
    """Return °C beyond tolerable now, to a degree: less is no reason to change places."""
    if row.now is None or row.now.stale:
        return 0.0
    return float(max(0, round(row.now.temperature_c - row.limits.temperature_high)))
