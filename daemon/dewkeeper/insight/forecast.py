"""The hours ahead if nobody does anything: humidity, and how long until a limit is left, with 80 % intervals.

The learned response is run on with the temperature this enclosure usually has at those hours and with the room
returning slowly to its own mean. How far that goes wrong is not taken from the fit: the same forecast is made from
many past moments, each knowing only what was known then, and what it missed by, path by path, is laid around the new
one. Intervals are those of the misses with the finite-sample correction of split conformal prediction (Lei et al.,
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
from dewkeeper.insight.response import SLOW_HOURS, Response, learn
from dewkeeper.insight.series import Numbers, saturation

COVERS: Final = 0.8
NEEDED_ORIGINS: Final = 20
_ORIGIN_EVERY: Final = 3
_ORIGIN_DAYS: Final = 28
USUAL_DAYS: Final = 5
_WARMTH_KEPT: Final = 0.8
_ROOM_KEPT: Final = 0.97
"""How much of its distance from the usual temperature, and of the room's from its mean, is left an hour later. Tuned:
tests/bench/insight, seeds 1-9."""
_ROOM_DAYS: Final = 3
TESTED_HOURS: Final = 12
_PACE_KEPT_HOURS: Final = 24.0
_UNLIKELY: Final = 0.12
"""Fewer possible futures than this leave the limit: then it is said that it holds. Tuned: tests/bench/insight, seeds 1-9."""


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


def forecast(hours: Hours, limit: float | None, horizon: int) -> Forecast | str:
    """Return the forecast from the end of the hours, or in words why there is none.

    limit: %RH; a value now above it is watched falling, one below it rising. horizon: hours, 12 at least are made.
    """
    horizon = max(horizon, TESTED_HOURS)
    response = learn(hours)
    if response is None:
        return "this enclosure is not known well enough yet: it takes about a week of hours in which nobody touched it"
    now = len(hours) - 1
    if now < SLOW_HOURS:
        return "the last hours were not read"
    path = _paths(hours, response, np.array([now]), horizon)[0]
    if np.isnan(path).any():
        return "the last hours were not read"
    misses, skill = _misses(hours, response, horizon)
    known = (~np.isnan(misses[:, TESTED_HOURS - 1])).sum() if len(misses) else 0
    if known < NEEDED_ORIGINS:
        return f"only {known} past forecasts can be checked yet, {NEEDED_ORIGINS} are needed"
    if skill <= 0:
        return "its past forecasts here were no better than a plain guess"
    low, middle, high = _around(path, misses)
    futures = _futures(path, misses)
    leaves, earliest, latest = _leaving(futures, float(hours.humidity[now]), limit, horizon)
    return Forecast(middle, low, high, leaves, earliest, latest, skill, int(known))


def _paths(hours: Hours, response: Response, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return %RH for the hours after each origin, one row each, knowing nothing after it; NaN where it was not read."""
    window = origins[:, None] + np.arange(1 - SLOW_HOURS, 1)
    past = hours.vapour[window]
    warm = _warmth_ahead(hours, origins, horizon)
    room = _room_ahead(hours, origins, horizon)
    paths = np.empty((len(origins), horizon))
    for ahead in range(1, horizon + 1):
        value = response.step(past, room[:, ahead - 1 : ahead + 1], warm[:, ahead - 1 : ahead + 1])
        value = np.clip(value, 0.3, warm[:, ahead])
        paths[:, ahead - 1] = 100 * value / warm[:, ahead]
        past = np.column_stack((past[:, 1:], value))
    return paths


def _warmth_ahead(hours: Hours, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return the saturation pressure expected, one row an origin: then, and every hour ahead."""
    ahead = np.arange(horizon + 1)
    whole_days = np.maximum(0, (ahead - 1) // 24)
    total, number = np.zeros((len(origins), horizon + 1)), np.zeros((len(origins), horizon + 1))
    for day in range(1, USUAL_DAYS + 1):
        back = origins[:, None] + ahead - 24 * (day + whole_days)
        seen = np.where(back >= 0, hours.temperature_c[np.maximum(back, 0)], np.nan)
        good = ~np.isnan(seen)
        total += np.where(good, seen, 0.0)
        number += good
    now = hours.temperature_c[origins][:, None]
    usual = np.where(number > 0, total / np.maximum(number, 1), now)
    return saturation(usual + (now - usual[:, :1]) * _WARMTH_KEPT**ahead)


def _room_ahead(hours: Hours, origins: NDArray[np.intp], horizon: int) -> Numbers:
    """Return the room's vapour expected, one row an origin, returning to its mean of the last days."""
    if np.isnan(hours.room).all():
        return np.zeros((len(origins), horizon + 1))
    back = origins[:, None] - np.arange(24 * _ROOM_DAYS)
    seen = np.where(back >= 0, hours.room[np.maximum(back, 0)], np.nan)
    good = ~np.isnan(seen)
    mean = np.where(good, seen, 0.0).sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    last = np.where(good[:, 0], seen[:, 0], mean)
    ahead: Numbers = mean[:, None] + (last - mean)[:, None] * _ROOM_KEPT ** np.arange(horizon + 1)
    return ahead


def _misses(hours: Hours, response: Response, horizon: int) -> tuple[Numbers, float]:
    """Return what past forecasts missed by (truth less forecast, one row each), and their skill.

    A row ends (NaN) where a hand touched the enclosure, for the forecast is of nobody doing anything. The response is
    the one learned from all hours, so only temperature and room are forecast blindly; eight coefficients from some
    hundred hours fit the past by little more than they fit the future.
    """
    last = len(hours) - 1
    humidity, touched = hours.humidity, hours.touched
    candidates = range(last - TESTED_HOURS, max(SLOW_HOURS + 24, last - _ORIGIN_DAYS * 24), -_ORIGIN_EVERY)
    origins = np.array([o for o in candidates if not touched[o - 1 : o + 2].any()], dtype=np.intp)
    if not len(origins):
        return np.empty((0, horizon)), 0.0
    paths = _paths(hours, response, origins, horizon)
    readable = ~np.isnan(paths).any(axis=1)
    origins, paths = origins[readable], paths[readable]
    truth = np.full(paths.shape, np.nan)
    for row, origin in enumerate(origins):
        have = humidity[origin + 1 : origin + 1 + horizon]
        hand = np.flatnonzero(touched[origin + 1 : origin + 1 + horizon])
        untouched = int(hand[0]) if len(hand) else len(have)
        truth[row, :untouched] = have[:untouched]
    at = TESTED_HOURS - 1
    known = ~np.isnan(truth[:, at])
    then, start, true = origins[known], humidity[origins[known]], truth[known, at]
    line = start + (start - humidity[then - 3]) / 3 * TESTED_HOURS
    errors = [np.abs(true - guess) for guess in (paths[known, at], start, humidity[then + TESTED_HOURS - 24], line)]
    if not len(true):
        return truth - paths, 0.0
    own, *others = (float(np.nanmedian(error)) if (~np.isnan(error)).any() else math.inf for error in errors)
    return truth - paths, 1 - own / max(1e-9, min(others))


def _around(path: Numbers, misses: Numbers) -> tuple[Numbers, Numbers, Numbers]:
    """Return low, middle and high of every hour: the path and the quantiles of what was missed by."""
    low, middle, high = np.empty(len(path)), np.empty(len(path)), np.empty(len(path))
    spread = (0.0, 0.0, 0.0)
    for hour in range(len(path)):
        known = misses[:, hour][~np.isnan(misses[:, hour])]
        if len(known) >= NEEDED_ORIGINS:
            outer = min(1.0, COVERS * (1 + 1 / len(known)))
            q = np.quantile(known, [(1 - outer) / 2, 0.5, (1 + outer) / 2])
            spread = (float(q[0]), float(q[1]), float(q[2]))
        elif hour:  # too few reach so far: at least as wide as the last hour known
            spread = (spread[0] * 1.02, spread[1], spread[2] * 1.02)
        low[hour], middle[hour], high[hour] = (path[hour] + by for by in spread)
    return low.clip(0, 100), middle.clip(0, 100), high.clip(0, 100)


def _futures(path: Numbers, misses: Numbers) -> Numbers:
    """Return whole possible futures: the path with every past miss laid on.

    A past that ended early, because somebody came with water, goes on missing at the pace it had: a forecast that was
    too moist by the hour stays so.
    """
    futures = []
    hours = np.arange(1, len(path) + 1)
    for row in misses:
        known = np.flatnonzero(~np.isnan(row))
        if len(known) < TESTED_HOURS // 2:
            continue
        filled = np.interp(hours, hours[known], row[known])
        last = int(known[-1])
        tail = hours[last + 1 :] - hours[last]
        pace = row[last] / hours[last]
        filled[last + 1 :] = row[last] + pace * _PACE_KEPT_HOURS * (1 - np.exp(-tail / _PACE_KEPT_HOURS))
        futures.append((path + filled).clip(0, 100))
    return np.array(futures)


def _leaving(futures: Numbers, now: float, limit: float | None, horizon: int) -> tuple[float | None, float, float]:
    """Return the hours until a limit is crossed: middle (None for not within the horizon), earliest, latest."""
    if limit is None or not len(futures):
        return None, float(horizon), float(horizon)
    sign = 1.0 if now >= limit else -1.0
    room = sign * (np.column_stack((np.full(len(futures), now), futures)) - limit)
    times = np.full(len(futures), math.inf)
    for row, above in enumerate(room):
        crossed = np.flatnonzero(above[1:] < 0)
        if len(crossed):
            k = int(crossed[0])  # between the ends of hours k and k+1
            fall = above[k] - above[k + 1]
            times[row] = k + (above[k] / fall if fall > 1e-9 else 1.0)
    low, middle, high = np.quantile(times, [(1 - COVERS) / 2, 0.5, (1 + COVERS) / 2], method="nearest")
    holds = np.isfinite(times).mean() < _UNLIKELY
    return (
        None if holds else min(float(middle), float(horizon)),
        min(float(low), float(horizon)), min(float(high), float(horizon)),
    )  # fmt: skip
