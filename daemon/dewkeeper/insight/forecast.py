"""The hours ahead if nobody does anything: humidity, and how long until a limit is left, with 80 % intervals.

The learned response is run on with the temperature this enclosure usually has at those hours and with the room
returning slowly to its own mean. How far that goes wrong is not taken from the fit: the same forecast is made from
many past moments, each knowing only what was known then, and what it missed by, path by path, is laid around the new
one. The physical path is trusted only as far as it earned here: what is forecast is humidity now, moved towards that
path, along the enclosure's usual day, and back towards its usual mean, each by a weight learned from those past moments
hour by hour (ridge regression towards no change at all, so that where nothing helps, it stays as it is). Past moments
are missed with weights learned from the other half of the past. Intervals are those of the misses with the finite-sample correction of split conformal prediction (Lei et al.,
JASA 113, 2018, from memory). Where such past forecasts are not better than humidity staying as it is, than yesterday's
same hour, and than a straight line, nothing is shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dewkeeper.insight.hours import Hours
from dewkeeper.insight.outlook import COVERS, ROOM_KEPT, SLOW_HOURS, WARMTH_KEPT, OutlookFigures, Present
from dewkeeper.insight.response import Response, learn
from dewkeeper.insight.series import HOUR_SECONDS, Numbers, saturation

NEEDED_ORIGINS: Final = 20
_ORIGIN_EVERY: Final = 3
_ORIGIN_DAYS: Final = 28
USUAL_DAYS: Final = 5
_ROOM_DAYS: Final = 3
TESTED_HOURS: Final = 12
_PACE_KEPT_HOURS: Final = 8.0
_WEIGHT_SPREAD: Final = 0.5
"""How far from no change at all a weight is expected to be (one sigma), before the past is looked at. Tuned:
tests/bench/insight, seeds 1-9."""


@dataclass(frozen=True, slots=True)
class Study:
    """What is known of an enclosure's hours ahead from whatever moment.

    blend: weights, one row an hour ahead: of the physical path, the usual day, and the usual mean. misses: truth less
    forecast of past moments, one row each. skill: by how much they missed less at 12 h than the best plain guess.
    """

    response: Response
    blend: Numbers
    misses: Numbers
    skill: float
    origins: int


@dataclass(frozen=True, slots=True)
class Forecast:
    """The hours ahead, %RH by hour from the first: middle, and an interval that covers four of five.

    leaves: hours until the limit is left, middle of all futures, at most the horizon; None when hardly any does.
    earliest, latest: its interval; latest is the horizon where the latest paths do not leave. skill: by how much its
    past forecasts missed less than humidity staying as it is, 0 to 1. origins: how many past forecasts it rests on.
    """

    middle: Numbers
    low: Numbers
    high: Numbers
    leaves: float | None
    earliest: float
    latest: float
    skill: float
    origins: int


def study(hours: Hours, horizon: int) -> Study | str:
    """Return what the past teaches of the hours ahead, or in words why it can't be told. horizon: hours, 12 at least."""
    response = learn(hours)
    if response is None:
        return "this enclosure is not known well enough yet: it takes about a week of hours in which nobody touched it"
    origins, truth = _origins(hours, horizon)
    known = int((~np.isnan(truth[:, TESTED_HOURS - 1])).sum()) if len(origins) else 0
    if known < NEEDED_ORIGINS:
        return f"only {known} past forecasts can be checked yet, {NEEDED_ORIGINS} are needed"
    start = hours.humidity[origins]
    moved = truth - start[:, None]
    middle = int(np.median(origins))
    made = np.empty_like(truth)
    for early in (True, False):  # each half by what the other half teaches
        half = (origins < middle) == early
        apart = (int(origins.min()), middle) if early else (middle, len(hours))
        pulls = _pulls(hours, learn(hours, apart) or response, origins, horizon)
        made[half] = start[half, None] + (pulls[half] * _blend(pulls[~half], moved[~half])[None]).sum(axis=2)
    at = TESTED_HOURS - 1
    checked = ~np.isnan(truth[:, at])
    then, first, true = origins[checked], start[checked], truth[checked, at]
    line = first + (first - hours.humidity[then - 3]) / 3 * TESTED_HOURS
    guesses = (made[checked, at], first, hours.humidity[then + TESTED_HOURS - 24], line)
    own, *others = (_middle(np.abs(true - guess)) for guess in guesses)
    blend = _blend(_pulls(hours, response, origins, horizon), moved)
    return Study(response, blend, truth - made, 1 - own / max(1e-9, min(others)), known)


def forecast(hours: Hours, limit: float | None, horizon: int) -> Forecast | str:
    """Return the forecast from the end of the hours, or in words why there is none.

    limit: %RH; a value now above it is watched falling, one below it rising. horizon: hours, 12 at least are made.
    """
    horizon = max(horizon, TESTED_HOURS)
    known = study(hours, horizon)
    if isinstance(known, str):
        return known
    if known.skill <= 0:
        return "its past forecasts here were no better than a plain guess"
    now = len(hours) - 1
    recent = hours.vapour[max(0, now + 1 - SLOW_HOURS) :]
    if np.isnan(recent).any():
        return "the last hours were not read"
    room = hours.room[now]
    present = Present(
        hours.end, float(hours.temperature_c[now]), tuple(recent.tolist()), None if np.isnan(room) else float(room)
    )
    figures = outlook(hours, known)
    made = figures.ahead(present)
    if isinstance(made, str):
        return made
    leaves, earliest, latest = (None, float(horizon), float(horizon)) if limit is None else made.leaves(limit)
    low, middle, high = (np.array(line) for line in (made.low, made.middle, made.high))
    return Forecast(middle, low, high, leaves, earliest, latest, known.skill, known.origins)


def outlook(hours: Hours, known: Study) -> OutlookFigures:
    """Return the figures from which the hours ahead are run on."""
    now = np.array([len(hours) - 1])
    clock = (hours.end // HOUR_SECONDS + np.arange(24)) % 24
    tables = []
    for values in (hours.temperature_c, hours.humidity):
        usual, table = _usual(values, now, np.arange(24))[0], np.empty(24)
        table[clock] = np.where(np.isnan(usual), np.nanmean(values[-24 * USUAL_DAYS :]), usual)
        tables.append(tuple(table.tolist()))
    low, middle, high = around(known.misses)
    return OutlookFigures(
        made=hours.end,
        weights=tuple(known.response.weights.tolist()),
        constant=known.response.constant,
        usual_c=tables[0],
        usual_percent=tables[1],
        room_hpa=None if np.isnan(hours.room).all() else float(_room_ahead(hours, now, 1)[1][0]),
        blend=tuple((a, b, c) for a, b, c in known.blend.tolist()),
        low=low, middle=middle, high=high, misses=whole(known.misses), skill=known.skill, origins=known.origins,
    )  # fmt: skip


def _middle(errors: Numbers) -> float:
    known = errors[~np.isnan(errors)]
    return float(np.median(known)) if len(known) else math.inf


def _origins(hours: Hours, horizon: int) -> tuple[NDArray[np.intp], Numbers]:
    """Return past moments from which a forecast can be checked, and what came: %RH, one row each.

    A row ends (NaN) where a hand touched the enclosure, for the forecast is of nobody doing anything.
    """
    last = len(hours) - 1
    humidity, touched = hours.humidity, hours.touched
    first = max(SLOW_HOURS + 24, last - _ORIGIN_DAYS * 24)
    window = np.convolve(np.isnan(hours.vapour), np.ones(SLOW_HOURS), "full")[: len(hours)] > 0.5
    candidates = range(last - TESTED_HOURS, first, -_ORIGIN_EVERY)
    origins = np.array([o for o in candidates if not touched[o - 1 : o + 2].any() and not window[o]], dtype=np.intp)
    truth = np.full((len(origins), horizon), np.nan)
    for row, origin in enumerate(origins):
        have = humidity[origin + 1 : origin + 1 + horizon]
        hand = np.flatnonzero(touched[origin + 1 : origin + 1 + horizon])
        untouched = int(hand[0]) if len(hand) else len(have)
        truth[row, :untouched] = have[:untouched]
    return origins, truth


def _pulls(hours: Hours, response: Response, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return where humidity is drawn to from each origin, %RH away from what it is: by the physical path, the usual day, the usual mean."""
    humidity = hours.humidity
    now = humidity[origins][:, None]
    usual = _usual(humidity, origins, np.arange(horizon + 1))
    mean = np.nanmean(_usual(humidity, origins, np.arange(24)), axis=1)[:, None]
    return np.stack(
        (
            _paths(hours, response, origins, horizon) - now,
            usual[:, 1:] - usual[:, :1],
            np.broadcast_to(mean - now, (len(origins), horizon)),
        ),
        axis=2,
    )


def _blend(pulls: Numbers, moved: Numbers) -> Numbers:
    """Return the weights of the pulls that would have served best, one row an hour ahead."""
    horizon, many = pulls.shape[1:]
    blend = np.zeros((horizon, many))
    for hour in range(horizon):
        known = ~(np.isnan(moved[:, hour]) | np.isnan(pulls[:, hour]).any(axis=1))
        if known.sum() < NEEDED_ORIGINS // 2:
            blend[hour] = blend[hour - 1] if hour else 0.0  # too few reach so far: as the last hour known
            continue
        x, y = pulls[known, hour], moved[known, hour]
        gram = x.T @ x + 1e-6 * np.eye(many)
        left = y - x @ np.linalg.solve(gram, x.T @ y)
        # Moments a few hours apart saw the same hours: so many of them are one witness.
        shared = max(1.0, (hour + 1) / _ORIGIN_EVERY)
        stiff = float(left @ left) / len(y) * shared / _WEIGHT_SPREAD**2
        blend[hour] = np.linalg.solve(gram + stiff * np.eye(many), x.T @ y)
    return blend


def _paths(hours: Hours, response: Response, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return %RH for the hours after each origin, one row each, knowing nothing after it; NaN where it was not read."""
    window = origins[:, None] + np.arange(1 - SLOW_HOURS, 1)
    past = hours.vapour[window]
    warm = _warmth_ahead(hours, origins, horizon)
    room, _ = _room_ahead(hours, origins, horizon)
    paths = np.empty((len(origins), horizon))
    for ahead in range(1, horizon + 1):
        value = response.step(past, room[:, ahead - 1 : ahead + 1], warm[:, ahead - 1 : ahead + 1])
        value = np.clip(value, 0.3, warm[:, ahead])
        paths[:, ahead - 1] = 100 * value / warm[:, ahead]
        past = np.column_stack((past[:, 1:], value))
    return paths


def _usual(values: Numbers, origins: NDArray[np.intp], ahead: NDArray[np.intp]) -> Numbers:
    """Return what is usual so many hours after each origin: the mean of those hours of the last days before it; NaN for none."""
    whole_days = np.maximum(0, (ahead - 1) // 24)
    total, number = np.zeros((len(origins), len(ahead))), np.zeros((len(origins), len(ahead)))
    for day in range(1, USUAL_DAYS + 1):
        back = origins[:, None] + ahead - 24 * (day + whole_days)
        seen = np.where(back >= 0, values[np.maximum(back, 0)], np.nan)
        good = ~np.isnan(seen)
        total += np.where(good, seen, 0.0)
        number += good
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _warmth_ahead(hours: Hours, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return the saturation pressure expected, one row an origin: then, and every hour ahead."""
    ahead = np.arange(horizon + 1)
    now = hours.temperature_c[origins][:, None]
    usual = _usual(hours.temperature_c, origins, ahead)
    usual = np.where(np.isnan(usual), now, usual)
    return saturation(usual + (now - usual[:, :1]) * WARMTH_KEPT**ahead)


def _room_ahead(hours: Hours, origins: NDArray[np.intp], horizon: int) -> tuple[Numbers, Numbers]:
    """Return the room's vapour expected, one row an origin, returning to its mean of the last days; and that mean."""
    if np.isnan(hours.room).all():
        return np.zeros((len(origins), horizon + 1)), np.zeros(len(origins))
    back = origins[:, None] - np.arange(24 * _ROOM_DAYS)
    seen = np.where(back >= 0, hours.room[np.maximum(back, 0)], np.nan)
    good = ~np.isnan(seen)
    mean = np.where(good, seen, 0.0).sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    last = np.where(good[:, 0], seen[:, 0], mean)
    ahead: Numbers = mean[:, None] + (last - mean)[:, None] * ROOM_KEPT ** np.arange(horizon + 1)
    return ahead, mean


def around(misses: Numbers) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Return low, middle and high quantile of what was missed by, for every hour ahead."""
    found: list[tuple[float, float, float]] = []
    spread = (0.0, 0.0, 0.0)
    for hour in range(misses.shape[1]):
        known = misses[:, hour][~np.isnan(misses[:, hour])]
        if len(known) >= NEEDED_ORIGINS:
            outer = min(1.0, COVERS * (1 + 1 / _witnesses(len(known), hour)))
            low, middle, high = np.quantile(known, [(1 - outer) / 2, 0.5, (1 + outer) / 2]).tolist()
            spread = (low, middle, high)
        elif hour:  # too few reach so far: at least as wide as the last hour known
            spread = (spread[0] * 1.02, spread[1], spread[2] * 1.02)
        found.append(spread)
    lows, middles, highs = zip(*found, strict=True)
    return lows, middles, highs


def _witnesses(known: int, hour: int) -> float:
    """Return how many independent past moments are known an hour ahead: those a few hours apart saw the same hours."""
    return max(1.0, known * _ORIGIN_EVERY / max(_ORIGIN_EVERY, hour + 1))


def whole(misses: Numbers) -> tuple[tuple[float, ...], ...]:
    """Return what past forecasts missed by, each to the end of the horizon.

    A past that ended early, because somebody came with water, goes on missing at the pace it had: a forecast that was
    too moist by the hour stays so. Few independent pasts have not seen the worst: the fewer there are, the farther apart
    they are laid, as the spread of a new draw exceeds that of those it is judged by (1 + 1/n of its variance).
    """
    found = []
    hours = np.arange(1, misses.shape[1] + 1)
    many = (~np.isnan(misses)).sum(axis=0)
    wider = np.sqrt([1 + 1 / _witnesses(int(count), hour) for hour, count in enumerate(many)])
    for row in misses:
        known = np.flatnonzero(~np.isnan(row))
        if len(known) < TESTED_HOURS // 2:
            continue
        filled = np.interp(hours, hours[known], row[known])
        last = int(known[-1])
        tail = hours[last + 1 :] - hours[last]
        pace = row[last] / hours[last]
        filled[last + 1 :] = row[last] + pace * _PACE_KEPT_HOURS * (1 - np.exp(-tail / _PACE_KEPT_HOURS))
        found.append(tuple((filled * wider).tolist()))
    return tuple(found)
