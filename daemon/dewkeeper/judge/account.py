"""A change of humidity as an account: what is temperature's, what the room's air, and what was added or lost by the enclosure.

ln(RH2/RH1) = ln(e2/e1) - ln(es2/es1) is exact. The room's part is what this enclosure's learned exchange with its room
would have carried in or out since then, against the room held as it was; so it takes what insight learned here, and
without that there is none. Logarithms become %RH by the logarithmic mean of both humidities, so that the parts add up
to exactly what was read. (Logarithmic mean Divisia index: Ang, Energy Policy 32, 2004, from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from dewkeeper.air import humidity_at, split
from dewkeeper.judge.rationale import HOUR
from dewkeeper.judge.view import ProbeView, View


@dataclass(frozen=True, slots=True)
class ChangeAccount:
    """Parts of a change of humidity, %RH; they add up to the change."""

    temperature: float
    room: float
    moisture: float

    def told(self) -> Mapping[str, float]:
        """Return the parts as an event's detail tells them."""
        return {
            "percent_by_temperature": round(self.temperature, 1),
            "percent_by_room": round(self.room, 1),
            "percent_by_moisture": round(self.moisture, 1),
        }


def account_of(view: View, since: int) -> ChangeAccount | None:
    """Return the account of what changed since the hours before an elapsed time, None where the room's part is not known."""
    probe, room, share = view.probe, view.room, view.learned("room_share")
    before = probe.past.before(since)
    room_before = room.past.before(since) if room is not None else None
    if share is None or room is None or room_before is None or before is None or before[1] <= 0 or probe.air.e <= 0:
        return None
    lag_hours = view.learned("room_hours")
    carried = share * _followed(room, room_before[1], since, lag_hours or 0.0)
    t1, e1 = before
    h1, h2 = humidity_at(e1, t1), max(probe.air.h, 0.5)
    _, heat = split(t1, h1, probe.air.t, h2)
    e2 = probe.air.e
    log = math.log(h2 / h1)
    mean = h1 if abs(log) < 1e-9 else (h2 - h1) / log
    by_room = mean * math.log(e2 / max(e2 - carried, 0.05 * e2))
    return ChangeAccount(mean * heat, by_room, h2 - h1 - mean * heat - by_room)


def _followed(room: ProbeView, rest: float, since: int, lag_hours: float) -> float:
    """Return by how much an enclosure that follows its room fully, with this lag, has followed it since a time, hPa."""
    keeps = math.exp(-1 / lag_hours) if lag_hours > 0 else 0.0
    followed = 0.0
    for hour in room.past.hours:
        if hour[0] >= since // HOUR:
            followed += (1 - keeps) * (hour[2] - rest - followed)
    return followed + (1 - keeps) * (room.air.slow_e - rest - followed)
