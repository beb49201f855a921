"""Whether humidity falls as air dries, or as a probe fails.

Air that dries towards its room slows down on the way, by two thirds in every time constant, and its swings with the
thermostat shrink with it. A failing element knows nothing of the room: it lets the humidity slide, in a line or towards nothing, and the swings stay.
Both are fitted to the looks since a little before the limit was passed, by least squares, each with its own answer to
the temperature and to its change, so that a thermostat's swing is no misfit of either.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from typing import Final, NamedTuple

from dewkeeper.air import humidity_at
from dewkeeper.judge.probe_past import Look
from dewkeeper.judge.view import ProbeView

_LEAD_SECONDS: Final = 1200
_LONGEST_SECONDS: Final = 6600
_FEWEST_LOOKS: Final = 9
"""A fall is looked at from 20 min before the limit was passed, over 110 min at most, by so many looks at least. Tuned on bench, seeds 1-9."""
_NEXT_SECONDS: Final = 400
"""Looks (one in 300 s) no further apart than this show how fast the temperature changes."""
LEAST_FALL_PERCENT: Final = 4.0
"""Twice the tolerance of a probe: less is no proof of anything."""
SOON_MINUTES: Final = 200
"""A fall that will not soon be where no air can go need not wait for it. Tuned on bench, seeds 1-9."""
STRAIGHTER: Final = 14.0
"""A thousand to one: by so much, in variances of what the line leaves, drying must fit worse than the line (likelihood ratio, e^(14/2))."""
NOT_SOON: Final = 1e9
_LEAST_VARIANCE: Final = 0.04
"""0.2 %RH: what a good probe and the air before it never come below from look to look, in (%RH)²."""
_TIME_CONSTANTS: Final = tuple(16 * 1.35**n for n in range(16))
"""16 min to 24 h."""


class _Shape(NamedTuple):
    """A fall, look by look: minutes from now, °C from the mean, °C since the look before, %RH."""

    minutes: list[float]
    warmer: list[float]
    warming: list[float]
    percent: list[float]


def falls_past(probe: ProbeView, now: int, since: int, bottom_hpa: float) -> bool:
    """Return whether humidity, beyond its limit since `since`, falls as if it knew nothing of where any drying ends.

    In a line, or in a decay towards nothing, while the best drying towards `bottom_hpa` would have bent more; and it must be
    heading below that within hours.
    """
    fall = _fall(probe.past.looks, now, since)
    if fall is None:
        return False
    x, percent = fall.minutes, fall.percent
    n = len(x)
    swings = (fall.warmer, fall.warming)
    mean = sum(percent) / n
    left, rate = _left(percent, ([1.0] * n, *swings, x))
    end = mean - rate * sum(x) / n
    mean_c = sum(look[1] for look in probe.past.looks[-n:]) / n
    bottom = humidity_at(bottom_hpa, mean_c)
    # Both lie below nought: this is the fall so far.
    if rate * x[0] < LEAST_FALL_PERCENT:
        return False
    failing = _squares(left) if end - bottom <= -rate * SOON_MINUTES else NOT_SOON
    for minutes in _TIME_CONSTANTS:
        left, top = _left(percent, (*swings, _decay(x, minutes)))
        if top * exp(x[0] / minutes) <= bottom * exp(SOON_MINUTES / minutes):
            failing = min(failing, _squares(left))
    # What temperature does to the humidity of air goes with how much of it there is.
    share = [max(0.1, (end + rate * at) / mean) for at in x]
    scaled = [[s * t for s, t in zip(share, column, strict=True)] for column in swings]
    above = [value - bottom for value in percent]
    drying = min(_squares(_left(above, (*scaled, _decay(x, minutes)))[0]) for minutes in _TIME_CONSTANTS)
    # Four figures were fitted to the looks.
    return drying - failing >= STRAIGHTER * max(failing / (n - 4), _LEAST_VARIANCE)


def _decay(minutes: Sequence[float], time_constant: float) -> list[float]:
    """Return a decay from 1 at the first of the times."""
    return [exp((minutes[0] - at) / time_constant) for at in minutes]


def _squares(values: Sequence[float]) -> float:
    return sum(value * value for value in values)


def _fall(looks: Sequence[Look], now: int, since: int) -> _Shape | None:
    """Return the looks of a fall from its top on, None when they are too few."""
    begin = max(since - _LEAD_SECONDS, now - _LONGEST_SECONDS)
    first = next((i for i, look in enumerate(looks) if look[0] >= begin), len(looks))
    percent = [humidity_at(e, t) for _, t, e in looks[first:]]
    first += max(range(len(percent) // 2), key=percent.__getitem__, default=0)
    falling = looks[first:]
    if len(falling) < _FEWEST_LOOKS:
        return None
    mean_c = sum(t for _, t, _ in falling) / len(falling)
    earlier = [looks[first - 1] if first else looks[0], *falling]
    return _Shape(
        [(at - now) / 60 for at, _, _ in falling],
        [t - mean_c for _, t, _ in falling],
        [t - t0 if at - at0 <= _NEXT_SECONDS else 0.0 for (at0, t0, _), (at, t, _) in zip(earlier, falling, strict=False)],
        percent[-len(falling):],
    )  # fmt: skip


def _left(values: Sequence[float], columns: Sequence[Sequence[float]]) -> tuple[list[float], float]:
    """Return what a least-squares fit of the columns leaves of the values, and the last column's coefficient."""
    left, last = list(values), 0.0
    basis: list[list[float]] = []
    for column in columns:
        # Modified Gram-Schmidt; what a column shares with those before it is theirs.
        rest = list(column)
        for unit in basis:
            common = sum(a * b for a, b in zip(unit, rest, strict=True))
            rest = [a - common * b for a, b in zip(rest, unit, strict=True)]
        size = sum(a * a for a in rest) ** 0.5
        if size * size <= 1e-9 * sum(a * a for a in column):
            continue
        unit = [a / size for a in rest]
        basis.append(unit)
        part = sum(a * b for a, b in zip(unit, left, strict=True))
        left = [a - part * b for a, b in zip(left, unit, strict=True)]
        last = part / size
    return left, last
