"""A change of humidity as an account: what is temperature's, what the room's air, and what was added or lost by the enclosure.

ln(RH2/RH1) = ln(e2/e1) - ln(es2/es1) is exact. The room's part is what this enclosure's learned exchange with its room
would have carried in or out since then, against the room held as it was; so it takes what insight learned here, and
without that there is none. "Since then" is found in the curve itself (`turning`): the alarm's own beginning lies where a limit
was passed, and most of the change may lie before it. Logarithms become %RH by the logarithmic mean of both humidities, so that the parts add up
to exactly what was read. (Logarithmic mean Divisia index: Ang, Energy Policy 32, 2004, from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dewkeeper.air import humidity_at, split
from dewkeeper.judge.rationale import HOUR
from dewkeeper.judge.turning import turned
from dewkeeper.judge.view import ProbeView, View

_LONGEST_JUMP: Final = 3
_FEWEST: Final = 4
"""Hours a jump may take, and without which a curve has no beginning; as `insight.attribution`."""


@dataclass(frozen=True, slots=True)
class ChangeAccount:
    """Parts of a change of humidity, %RH; they add up to the change. since: elapsed seconds. before: %RH then."""

    since: int
    before: float
    temperature: float
    room: float
    moisture: float

    def told(self, view: View) -> Mapping[str, float]:
        """Return the parts as an event's detail tells them."""
        return {
            "changed_since": view.wall(self.since),
            "percent_before": round(self.before, 1),
            "percent_by_temperature": round(self.temperature, 1),
            "percent_by_room": round(self.room, 1),
            "percent_by_moisture": round(self.moisture, 1),
        }


def account_of(view: View, since: int, wanted: int) -> ChangeAccount | None:
    """Return the account of a change that led to an excursion, None where the room's part is not known.

    since: elapsed time at which a limit was passed; wanted: -1 for what is too dry, 1 for what is too damp.
    """
    probe, room, share = view.probe, view.room, view.learned("room_share")
    if share is None or room is None or probe.air.e <= 0:
        return None
    begun = _begun(view, since, wanted)
    hour = since // HOUR if begun is None else begun[0]
    before = probe.past.before(since) if begun is None else begun[1:]
    room_before = next(((h[1], h[2]) for h in room.past.hours if h[0] == hour), None) or room.past.before(hour * HOUR)
    if room_before is None or before is None or before[1] <= 0:
        return None
    # The hour itself is what was before; the change is counted from its end.
    at = since if begun is None else min(since, (hour + 1) * HOUR)
    carried = share * _followed(room, room_before[1], at, view.learned("room_hours") or 0.0)
    t1, e1 = before
    # Nought has no logarithm.
    h1, h2 = humidity_at(e1, t1), max(probe.air.h, 0.5)
    _, heat = split(t1, h1, probe.air.t, h2)
    e2 = probe.air.e
    log = math.log(h2 / h1)
    # The logarithmic mean: with it parts that multiply add up to the change.
    mean = h1 if abs(log) < 1e-9 else (h2 - h1) / log
    # As in `insight.attribution`: not below a twentieth, which has a logarithm still.
    by_room = mean * math.log(e2 / max(e2 - carried, 0.05 * e2))
    return ChangeAccount(at, h1, mean * heat, by_room, h2 - h1 - mean * heat - by_room)


def _begun(view: View, since: int, wanted: int) -> tuple[int, float, float] | None:
    """Return the hour in which the change began, with its mean t and e; None where the curve does not say, or says otherwise."""
    hours = view.probe.past.hours
    if len(hours) < _FEWEST:
        return None
    curve = [*(humidity_at(e, t) for _, t, e, *_ in hours), view.probe.air.h]
    place = turned(curve, _LONGEST_JUMP)
    if (
        place is None
        or place >= len(hours)
        or wanted * (curve[-1] - curve[place]) <= 0
        or hours[place][0] > since // HOUR
    ):
        return None
    return hours[place][0], hours[place][1], hours[place][2]


def _followed(room: ProbeView, rest: float, since: int, lag_hours: float) -> float:
    """Return by how much an enclosure that follows its room fully, with this lag, has followed it since a time, hPa."""
    keeps = math.exp(-1 / lag_hours) if lag_hours > 0 else 0.0
    followed = 0.0
    for hour in room.past.hours:
        if hour[0] >= since // HOUR:
            followed += (1 - keeps) * (hour[2] - rest - followed)
    return followed + (1 - keeps) * (room.air.slow_e - rest - followed)
