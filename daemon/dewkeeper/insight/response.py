"""How an enclosure's vapour follows its room and its heat, learned from the hours in which nobody touched it.

    e[t] = a1·e[t-1] + a2·e[t-2] + a3·(mean of the last six e) + b0·r[t] + b1·r[t-1] + c0·s[t] + c1·s[t-1] + d[hour]

e: vapour pressure of the enclosure, r: of its room, s: saturation pressure at its temperature, all hourly, hPa. The air
itself follows within minutes; what the hours show is the substrate, which takes up and gives back. Three terms of
the past let it have a quick and a slow part. d differs from hour to hour of the day: plants give off in the light, a lamp
warms what no probe reads, and what comes every day at the same hour is not the room's or the heat's doing, though it
comes along with them. So the weights are learned from how hours differ from the same hours of other days (the "within"
estimator of fixed effects). An autoregression with exogenous inputs (ARX) by ridge regression; see
Ljung, System Identification (2nd ed.), section 4.2 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dewkeeper.insight.hours import Hours
from dewkeeper.insight.outlook import AFTER_OPEN_HOURS, AFTER_WET_HOURS, SLOW_HOURS
from dewkeeper.insight.series import Flags, Numbers

_FIRST: Final = SLOW_HOURS + 1
LEARNING_DAYS: Final = 42
"""Older hours say less: bowls, bedding and seasons change. Common practice for such fits, no source."""
NEEDED_HOURS: Final = 96
"""Untouched hours without which nothing is said: four days for eight coefficients, beside the hours of the day."""
_RIDGE: Final = 1e-3  # of the inputs' own spread: enough to keep nearly equal inputs from opposing each other


@dataclass(frozen=True, slots=True)
class Response:
    """What was learned of one enclosure.

    weights: of e[t-1], e[t-2], mean e, r[t], r[t-1], s[t], s[t-1]. constants: d in hPa, of the hours learned from: of
    their index modulo 24. spread: one sigma of an hour's
    residual, hPa. hours: how many were learned from. gain: by how many hPa the enclosure rises in the end when its
    room rises by one; 0 to 1 in physics. gain_error: one sigma of it.
    """

    weights: Numbers
    constants: Numbers
    spread: float
    hours: int
    gain: float
    gain_error: float

    def step(self, past: Numbers, room: Numbers, warm: Numbers, hour: NDArray[np.intp]) -> Numbers:
        """Return e[t], one for each row. past: the last six e, newest last; room, warm: [t-1] and [t] of r and s; hour: t."""
        w = self.weights
        value: Numbers = (
            w[0] * past[:, -1] + w[1] * past[:, -2] + w[2] * past.mean(axis=1)
            + w[3] * room[:, 1] + w[4] * room[:, 0] + w[5] * warm[:, 1] + w[6] * warm[:, 0]
            + self.constants[hour % 24]
        )  # fmt: skip
        return value

    def carried(self, room: Numbers) -> float:
        """Return how many hPa the room carried in (or out, below 0) by its own change since the first hour given.

        The room as it was, against the room held at its first hour: everything else being equal, the difference
        obeys the same equation without its other inputs.
        """
        return float(self.carrying(room)[-1])

    def carrying(self, room: Numbers) -> Numbers:
        """Return the same hour by hour, 0 for the first."""
        change = np.concatenate((np.zeros(1), room - room[0]))
        past, w = np.zeros(SLOW_HOURS), self.weights
        found = np.zeros(len(room))
        for hour, (before, now) in enumerate(pairwise(change)):
            value = w[0] * past[-1] + w[1] * past[-2] + w[2] * past.mean() + w[3] * now + w[4] * before
            past = np.append(past[1:], value)
            found[hour] = value
        return found


def settling(hours: Hours) -> Flags:
    """Return the hours in which a hand was at it, or what it did is still under way."""
    wet, opened = (flags & hours.handled for flags in (hours.wet, hours.opened))
    found: Flags = reached(wet, AFTER_WET_HOURS) | reached(opened, AFTER_OPEN_HOURS)
    return found


def reached(flags: Flags, after: int) -> Flags:
    """Return the hours marked, and so many after each."""
    reach = flags.copy()
    for place in np.flatnonzero(flags):
        reach[place : place + after + 1] = True
    return reach


def usable(hours: Hours) -> NDArray[np.intp]:
    """Return the indices t of hours that can be learned from: read, like those before them, and untouched for long enough."""
    bad = np.isnan(hours.vapour) | np.isnan(hours.saturation)
    if not np.isnan(hours.room).all():
        bad |= np.isnan(hours.room)
    reach = reached(hours.wet, AFTER_WET_HOURS) | reached(hours.opened, AFTER_OPEN_HOURS) | reached(bad, SLOW_HOURS)
    reach[:_FIRST] = True
    return np.flatnonzero(~reach)


def learn(hours: Hours, leave_out: tuple[int, int] = (0, 0)) -> Response | None:
    """Return what the hours teach, None for too few of them or for a fit that physics forbids.

    leave_out: indices [from, to) that are not learned from.
    """
    places = usable(hours)
    places = places[(places < leave_out[0]) | (places >= leave_out[1])]
    if len(places) < NEEDED_HOURS:
        return None
    e, s = hours.vapour, hours.saturation
    r = np.zeros(len(hours)) if np.isnan(hours.room).all() else hours.room
    slow = np.stack([e[places - k] for k in range(1, SLOW_HOURS + 1)]).mean(axis=0)
    inputs = np.column_stack(
        (e[places - 1], e[places - 2], slow, r[places], r[places - 1], s[places], s[places - 1])
    )  # fmt: skip
    target = e[places]
    clock = places % 24
    seen = np.bincount(clock, minlength=24)
    sums = np.stack([np.bincount(clock, column, 24) for column in (*inputs.T, target)], axis=1)
    usual: Numbers = sums / np.maximum(seen, 1)[:, None]
    inputs, apart = inputs - usual[clock, :-1], target - usual[clock, -1]
    scale = inputs.std(axis=0)
    scale[scale < 1e-9] = 1.0
    z = inputs / scale
    # What never moved teaches nothing, whatever its rounding does.
    z[:, np.ptp(inputs, axis=0) < 1e-9] = 0.0
    gram = z.T @ z + _RIDGE * len(places) * np.eye(z.shape[1])
    inverse = np.linalg.inv(gram)
    scaled = inverse @ (z.T @ apart)
    residual = apart - z @ scaled
    # Less what was fitted: the weights, and the 24 hours of the day.
    spread = float(np.sqrt(residual @ residual / max(1, len(places) - z.shape[1] - 24)))
    weights = scaled / scale
    read = np.flatnonzero(seen)  # hours at which it is always wetted lie between their neighbours
    constants: Numbers = np.interp(np.arange(24), read, (usual[:, -1] - usual[:, :-1] @ weights)[read], period=24)
    stays = 1 - weights[:3].sum()
    if stays <= 1e-3:
        return None  # it would run away: the hours say nothing of where it comes to rest
    covariance = spread**2 * inverse / np.outer(scale, scale)
    gain = float(weights[3:5].sum() / stays)
    # By the delta method: gain = (b0+b1)/(1-a1-a2-a3).
    slope = np.concatenate((np.full(3, gain / stays), np.full(2, 1 / stays), np.zeros(2)))
    error = float(np.sqrt(slope @ covariance @ slope))
    # 0 to 1 in physics, and some room for what a fit is off by.
    if not -0.3 <= gain <= 1.3:
        return None
    return Response(weights, constants, spread, len(places), gain, error)
