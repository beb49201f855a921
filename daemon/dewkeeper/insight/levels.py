"""Where an enclosure's humidity lies if nobody adds water, and where it would lie if more or less air passed.

At rest what its water gives off is what its air carries out (KEEPER, C2): e - r = x (s - r), where x = B / (B + V) is the
share that water has beside air. With the f-fold air it becomes x / (x + f (1 - x)), which is as well what a bowl of the
1/f-fold surface does. Reckoned hour by hour; it takes all its water to be as warm as its air, and says nothing of how soon.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from dewkeeper.insight.hours import Hours
from dewkeeper.insight.outlook import VENT_STEPS
from dewkeeper.insight.response import reached, settling

_DAYS: Final = 14
"""As many as an effect is judged by: what lasts is not changed for the weather of a few days."""
_AFTER_WET_HOURS: Final = 18
"""Bedding holds a misting longer than the air does: sooner the level is that of whoever mists. Tuned: tests/bench/insight, seed 1."""
_NEEDED_HOURS: Final = 60
_QUANTILES: Final = (np.arange(20) + 0.5) / 20


def levels(hours: Hours) -> tuple[tuple[float, ...], ...]:
    """Return %RH of the untouched hours of two weeks, twenty quantiles for each of `VENT_STEPS`.

    Empty where two weeks are not known since it last became another one to learn, or no probe reads its room.
    """
    wetted = reached(hours.wet & hours.handled, _AFTER_WET_HOURS)
    calm = ~settling(hours) & ~wetted & ~np.isnan(hours.vapour) & ~np.isnan(hours.room)
    known = np.flatnonzero(calm)
    known = known[known >= len(hours) - _DAYS * 24]
    # The oldest of them must be of the first day: else it is the level of fewer days than two weeks.
    if len(known) < _NEEDED_HOURS or known[0] > len(hours) - (_DAYS - 1) * 24:
        return ()
    e, r, s = hours.vapour[known], hours.room[known], hours.saturation[known]
    water = np.clip((e - r) / np.maximum(s - r, 0.1), 0.0, 1.0)
    found = []
    for step in VENT_STEPS:
        vapour = e if step == 1 else r + (s - r) * water / (water + step * (1 - water))
        found.append(tuple(np.quantile(100 * vapour / s, _QUANTILES).round(1).tolist()))
    return tuple(found)
