"""Why humidity changed: how many %RH of it are heat, how many the room's air, how many moisture added or lost.

ln(RH2/RH1) = ln(e2/e1) - ln(es2/es1) is exact, so heat and vapour part without a model. Of the vapour's part the room
owns what this enclosure's learned response would have carried in or out since then, against the room held as it was;
the rest was added or lost by the enclosure itself. Logarithms become %RH by the logarithmic mean of both humidities,
so the parts add up to exactly what was read. (Logarithmic mean Divisia index: Ang, Energy Policy 32, 2004, from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from dewkeeper.insight.hours import Deed, hours_of
from dewkeeper.insight.response import LEARNING_DAYS, Response, learn
from dewkeeper.insight.series import DAY_SECONDS, GRID_SECONDS, HOUR_SECONDS, Numbers, Series, saturation
from dewkeeper.judge import turning
from dewkeeper.judge.turning import SMALL_PERCENT

Cause = Literal["temperature", "room", "added", "moisture"]

CLEAR_SHARE: Final = 0.6
"""A cause is named when it made so much of what pulled in the change's direction. Tuned: tests/bench/insight, seeds 1-9."""
LOOK_BACK_SECONDS: Final = 3 * DAY_SECONDS
_MEAN_SECONDS: Final = HOUR_SECONDS  # about a thermostat's cycle
_FEWEST: Final = 4
_JUMP_SECONDS: Final = 3 * HOUR_SECONDS

UNLEARNED: Final = Response(
    np.array([math.exp(-1 / 3), 0, 0, 0.4 * (1 - math.exp(-1 / 3)), 0, 0, 0]), np.zeros(24), 0.0, 0, 0.4, 0.25
)
"""Of an enclosure not known yet: two fifths of the room's change within hours, give or take a quarter (assumed, no source)."""


@dataclass(frozen=True, slots=True)
class Account:
    """A change of humidity and its parts, all in %RH; `parts` add up to `after` - `before`.

    since, at: UTC seconds. cause: None when none stands out, with `why`. learned: whether the room's part rests on
    this enclosure's own hours.
    """

    since: int
    at: int
    before: float
    after: float
    temperature: float
    room: float
    moisture: float
    cause: Cause | None
    why: str
    learned: bool

    @property
    def change(self) -> float:
        """Return by how many %RH humidity changed."""
        return self.after - self.before


def account(
    tub: Series, room: Series | None, deeds: Sequence[Deed], to: int, since: int | None = None
) -> Account | str:
    """Return the account of a change up to a time, or in words why there is none.

    since: from when; None finds it in the curve. Nothing after `to` is looked at.
    """
    tub = tub.until(to)
    if since is None:
        since = turned(tub, to)
        if since is None:
            return "too little was read before it"
    # Of a change younger than two hours its second half: a whole hour would hold what was before it.
    length = min(_MEAN_SECONDS, max(GRID_SECONDS, (to - since) // 2))
    first = tub.mean(since - _MEAN_SECONDS, since) or tub.mean(since, since + GRID_SECONDS)
    last = tub.mean(to - length, to)
    if first is None or last is None:
        return "too little was read at its begin or end"
    response, room_change = UNLEARNED, 0.0
    learned = False
    if room is not None:
        count = max(2, math.ceil((to - since) / HOUR_SECONDS) + 1)
        beside = hours_of(tub, room, deeds, to, count).room
        if np.isnan(beside).any():
            return "the room was not read all that time"
        # Up to where the change begins: it must not be explained by what was learned from it.
        known = learn(hours_of(tub, room, deeds, since, LEARNING_DAYS * 24))
        if known is not None:
            response, learned = known, True
        room_change = response.carried(beside)
    return _split(first, last, (since, to), room_change, response, learned)


def _split(
    first: tuple[float, float],
    last: tuple[float, float],
    span: tuple[int, int],
    carried: float,
    response: Response,
    learned: bool,
) -> Account:
    (t1, e1), (t2, e2) = first, last
    s1, s2 = (float(saturation(np.array(t))) for t in (t1, t2))
    before, after = 100 * e1 / s1, 100 * e2 / s2
    log = math.log(after / before)
    mean = before if abs(log) < 1e-9 else (after - before) / log
    heat = -mean * math.log(s2 / s1)
    vapour = after - before - heat
    share = response.gain_error / max(abs(response.gain), 0.05)
    rooms = [
        # Not below a twentieth: more than all of the vapour cannot be the room's, and has no logarithm.
        mean * math.log(e2 / max(e2 - carried * f, 0.05 * e2))
        for f in (1.0, 1 - min(1.0, share), 1 + min(1.0, share))
    ]
    # A cause is named only where it is the same at both ends of what is known of the room's share.
    causes = {_name(after - before, heat, part, vapour - part) for part in rooms}
    cause = causes.pop() if len(causes) == 1 else None
    why = ""
    if abs(after - before) < SMALL_PERCENT:
        cause, why = None, f"the change is small ({after - before:+.1f} %RH)"
    elif cause is None:
        why = "no single cause stands out"
    return Account(span[0], span[1], before, after, heat, rooms[0], vapour - rooms[0], cause, why, learned)


def _name(change: float, heat: float, room: float, moisture: float) -> Cause | None:
    """Return the cause that made most of what pulled in the change's direction, None where none clearly did."""
    sign = math.copysign(1.0, change)
    pulls: dict[Cause, float] = {
        "temperature": sign * heat, "room": sign * room, ("added" if sign > 0 else "moisture"): sign * moisture,
    }  # fmt: skip
    together = sum(max(0.0, pull) for pull in pulls.values())
    cause = max(pulls, key=lambda name: pulls[name])
    return cause if together > 0 and pulls[cause] >= CLEAR_SHARE * together else None


def turned(tub: Series, to: int) -> int | None:
    """Return since when humidity has been going where it went, UTC seconds; None where too little was read.

    Found in hourly means of every five minutes (`judge.turning`).
    """
    curve = _trailing(tub, to)
    good = np.flatnonzero(~np.isnan(curve))
    if len(good) < _FEWEST:
        return None
    place = turning.turned(curve[good].tolist(), _JUMP_SECONDS // GRID_SECONDS)
    return None if place is None else to - (len(curve) - 1 - int(good[place])) * GRID_SECONDS


def _trailing(tub: Series, to: int) -> Numbers:
    """Return humidity as means of the hour before each five minutes, oldest first, ending at `to`."""
    count = (LOOK_BACK_SECONDS + _MEAN_SECONDS) // GRID_SECONDS
    window = _MEAN_SECONDS // GRID_SECONDS
    last = (to - tub.start) // GRID_SECONDS
    first = max(0, last - count)
    warm, moist = tub.temperature_c[first:last], tub.vapour_hpa[first:last]
    if len(warm) < window:
        return np.empty(0)
    humidity = 100 * moist / saturation(warm)
    good = ~np.isnan(humidity)
    sums = np.concatenate(([0.0], np.cumsum(np.where(good, humidity, 0.0))))
    number = np.concatenate(([0], np.cumsum(good)))
    many = number[window:] - number[:-window]
    means: Numbers = np.where(many >= window // 2, (sums[window:] - sums[:-window]) / np.maximum(many, 1), np.nan)
    return means
