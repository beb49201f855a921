"""The one order of need in which alarms are told and shown: urgent, then overdue, then by dose, then the older."""

from __future__ import annotations

from collections.abc import Mapping

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
    return sum(float(value) for name, value in detail.items() if name.startswith("dose_") and not isinstance(value, str))
