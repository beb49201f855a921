"""The hours ahead if nobody does anything: humidity, and how long until a limit is left, with 80 % intervals.

The learned response is run on with the temperature and the room's vapour that these hours of the day usually have, to
which both return slowly from what they are. How far that goes wrong is not taken from the fit: the same forecast is
made from many past moments, each knowing only what was known then, and what it missed by, path by path, is laid around
the new one. The path is trusted as far as it earned here: what is forecast is humidity now, moved towards that path by a
weight learned from those past moments hour by hour (ridge regression towards the whole way, so that where the past says
little, physics counts). Past moments are missed with response and weights learned from the rest of the past. Intervals
are those of the misses, each run on to the end of the horizon (`whole`), with the finite-sample correction of split
conformal prediction (Lei et al., JASA 113, 2018, from memory). Where such past forecasts are not better than humidity
staying as it is, than yesterday's same hour, and than a straight line, nothing is shown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from dewkeeper.insight.hours import Hours
from dewkeeper.insight.outlook import COVERS, ROOM_KEPT, SLOW_HOURS, UNDER_WAY, WARMTH_KEPT, OutlookFigures, Present
from dewkeeper.insight.response import NEEDED_HOURS, Response, learn, settling
from dewkeeper.insight.series import HOUR_SECONDS, Numbers, saturation

NEEDED_ORIGINS: Final = 20
_ORIGIN_EVERY: Final = 3
_ORIGIN_DAYS: Final = 28
USUAL_DAYS: Final = 14
"""Of so many days the middle is what is usual at an hour: one heat wave or one opened window is not. Tuned:
tests/bench/insight, seeds 1-3."""
_FOLDS: Final = 4
_FOLD_APART_HOURS: Final = 12
TESTED_HOURS: Final = 12
_NEEDED_WETTINGS: Final = 3
_LIFT_HOURS: Final = 24
_PACE_KEPT_HOURS: Final = 8.0
_WEIGHT_SPREAD: Final = 0.5
"""How far from the whole way a weight is expected to be (one sigma), before the past is looked at. Tuned:
tests/bench/insight, seeds 1-9."""


@dataclass(frozen=True, slots=True)
class Study:
    """What is known of an enclosure's hours ahead from whatever moment.

    blend: how much of the physical path, hour by hour ahead. misses: truth less
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
    beside = _ahead(hours, origins, horizon)
    made = np.empty_like(truth)
    for first, last in pairwise(np.linspace(origins.min(), origins.max() + 1, _FOLDS + 1).astype(int).tolist()):
        own = (origins >= first) & (origins < last)  # by what all other times teach
        taught = learn(hours, (first, last + _FOLD_APART_HOURS)) or response
        pull = _paths(hours, taught, origins, beside) - start[:, None]
        made[own] = start[own, None] + pull[own] * _blend(pull[~own], moved[~own])
    at = TESTED_HOURS - 1
    checked = ~np.isnan(truth[:, at])
    then, first, true = origins[checked], start[checked], truth[checked, at]
    # A straight line through now and three hours ago.
    line = first + (first - hours.humidity[then - 3]) / 3 * TESTED_HOURS
    # Of the plain guesses: as it is, as at that hour yesterday, straight on.
    guesses = (made[checked, at], first, hours.humidity[then + TESTED_HOURS - 24], line)
    own, *others = (_middle(np.abs(true - guess)) for guess in guesses)
    blend = _blend(_paths(hours, response, origins, beside) - start[:, None], moved)
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
    if settling(hours)[now]:
        return UNDER_WAY
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
    misses = whole(known.misses)
    low, high = around(misses)
    # The constants go by an hour's place in the series, what is stored by the clock.
    places = len(hours) + np.arange(24)
    # Without a probe in the room its vapour is nowhere a number.
    known_room = not np.isnan(hours.room).all()
    return OutlookFigures(
        made=hours.end,
        weights=tuple(known.response.weights.tolist()),
        constants=_by_clock(hours, known.response.constants[places % 24]),
        usual_c=_by_clock(hours, _usual(_undisturbed_c(hours), now)[0]),
        usual_room_hpa=_by_clock(hours, _usual(hours.room, now)[0]) if known_room else (),
        blend=tuple(known.blend.tolist()),
        low=low, high=high, misses=misses, skill=known.skill, origins=known.origins,
        lift=lift(hours, known), jump=round(hours.jump, 3) if math.isfinite(hours.jump) else 0.0, daily_hours=_daily_hours(hours),
    )  # fmt: skip


def lift(hours: Hours, known: Study) -> tuple[float, ...]:
    """Return by how many %RH a wetting raised the hour it fell in and those after it, the middle of those seen.

    Each is what came less what would have come, run on from the hour before it. Empty for fewer than three; ends where
    fewer than three were left alone for so long.
    """
    # A jump is marked up to ten minutes early: of two wet hours in a row the second is the one it fell in.
    wet = np.flatnonzero(hours.wet & hours.handled & ~hours.opened & ~np.append(hours.wet[1:], False))
    calm = [
        w
        for w in wet[wet >= SLOW_HOURS]
        if not hours.handled[w - 3 : w - 1].any()
        and not hours.opened[w - 1]
        and not np.isnan(hours.vapour[w - SLOW_HOURS : w]).any()
    ]
    if len(calm) < _NEEDED_WETTINGS:
        return ()
    before = np.array(calm, dtype=np.intp) - 1
    longest = min(_LIFT_HOURS, len(known.blend))
    start = hours.humidity[before][:, None]
    paths = _paths(hours, known.response, before, _ahead(hours, before, longest))
    expected = start + known.blend[:longest] * (paths - start)
    found: list[float] = []
    for ahead in range(longest):
        raised = [
            hours.humidity[origin + 1 + ahead] - expected[row, ahead]
            for row, origin in enumerate(before)
            if origin + 1 + ahead < len(hours) and not hours.handled[origin + 2 : origin + 2 + ahead].any()
        ]
        raised = [value for value in raised if not math.isnan(value)]
        if len(raised) < _NEEDED_WETTINGS:
            break
        found.append(max(0.0, float(np.median(raised))))
    return tuple(found)


def _daily_hours(hours: Hours) -> tuple[int, ...]:
    """Return the hours of the day, UTC, whose jumps are the place's own: on most days of two weeks."""
    places = np.flatnonzero(hours.daily)
    places = places[places >= len(hours) - 24 * USUAL_DAYS]
    clock = (hours.end // HOUR_SECONDS - len(hours) + places) % 24
    return tuple(np.flatnonzero(np.bincount(clock, minlength=24) * 2 >= USUAL_DAYS).tolist())


def _by_clock(hours: Hours, ahead: Numbers) -> tuple[float, ...]:
    """Return values of the 24 hours after the end by the hour of the day, UTC, at which each is over."""
    table = np.empty(24)
    table[(hours.end // HOUR_SECONDS + np.arange(1, 25)) % 24] = ahead
    return tuple(table.tolist())


def _middle(errors: Numbers) -> float:
    known = errors[~np.isnan(errors)]
    return float(np.median(known)) if len(known) else math.inf


def _origins(hours: Hours, horizon: int) -> tuple[NDArray[np.intp], Numbers]:
    """Return past moments from which a forecast can be checked, and what came: %RH, one row each.

    None is taken while what a hand did is under way. Then none is forecast either (`forecast`), so that those checked are
    of the kind that is asked for.
    A row ends (NaN) where a hand touched the enclosure, for the forecast is of nobody doing anything.
    """
    last = len(hours) - 1
    humidity, touched, stirred = hours.humidity, hours.handled, settling(hours)
    read = np.flatnonzero(~np.isnan(hours.vapour))
    # Sooner than so many hours after the first one read, nothing would have been forecast.
    first = max(int(read[0]) + NEEDED_HOURS if len(read) else last, last - _ORIGIN_DAYS * 24)
    window = np.convolve(np.isnan(hours.vapour), np.ones(SLOW_HOURS), "full")[: len(hours)] > 0.5
    candidates = range(last - TESTED_HOURS, first, -_ORIGIN_EVERY)
    origins = np.array([o for o in candidates if not (stirred[o] or touched[o + 1] or window[o])], dtype=np.intp)
    truth = np.full((len(origins), horizon), np.nan)
    for row, origin in enumerate(origins):
        have = humidity[origin + 1 : origin + 1 + horizon]
        hand = np.flatnonzero(touched[origin + 1 : origin + 1 + horizon])
        untouched = int(hand[0]) if len(hand) else len(have)
        truth[row, :untouched] = have[:untouched]
    return origins, truth


def _blend(pull: Numbers, moved: Numbers) -> Numbers:
    """Return how much of the way to the physical path (%RH away from now) would have served best, hour by hour ahead."""
    blend = np.ones(pull.shape[1])
    for hour in range(len(blend)):
        known = ~np.isnan(moved[:, hour])
        if known.sum() < NEEDED_ORIGINS // 2:
            blend[hour:] = blend[max(0, hour - 1)]  # too few reach so far: as the last hour known
            break
        x, y = pull[known, hour], moved[known, hour]
        square = float(x @ x) + 1e-6
        left = y - x * float(x @ y) / square
        # Moments a few hours apart saw the same hours: so many of them are one witness.
        shared = max(1.0, (hour + 1) / _ORIGIN_EVERY)
        stiff = float(left @ left) / len(y) * shared / _WEIGHT_SPREAD**2
        blend[hour] = (float(x @ y) + stiff) / (square + stiff)
    return blend


def _paths(hours: Hours, response: Response, origins: NDArray[np.intp], beside: tuple[Numbers, Numbers]) -> Numbers:
    """Return %RH for the hours after each origin, one row each, knowing nothing after it; beside: as `_ahead` has it."""
    past = hours.vapour[origins[:, None] + np.arange(1 - SLOW_HOURS, 1)]
    warm, room = beside
    paths = np.empty((len(origins), warm.shape[1] - 1))
    for ahead in range(1, warm.shape[1]):
        two = slice(ahead - 1, ahead + 1)
        value = response.step(past, room[:, two], warm[:, two], origins + ahead)
        value = np.clip(value, 0.3, warm[:, ahead])
        paths[:, ahead - 1] = 100 * value / warm[:, ahead]
        past = np.column_stack((past[:, 1:], value))
    return paths


def _ahead(hours: Hours, origins: NDArray[np.intp], horizon: int) -> tuple[Numbers, Numbers]:
    """Return saturation pressure and the room's vapour expected, hPa, one row an origin: then, and every hour ahead."""
    # Hours with a hand in them do not say what temperature is usual.
    warm = saturation(_returning(hours.temperature_c, _undisturbed_c(hours), origins, horizon, WARMTH_KEPT))
    if np.isnan(hours.room).all():
        return warm, np.zeros_like(warm)
    return warm, _returning(hours.room, hours.room, origins, horizon, ROOM_KEPT)


def _undisturbed_c(hours: Hours) -> Numbers:
    return np.where(hours.handled, np.nan, hours.temperature_c)


def _returning(values: Numbers, calm: Numbers, origins: NDArray[np.intp], horizon: int, kept: float) -> Numbers:
    """Return values then and every hour ahead, one row an origin, on their way back to what is usual at those hours.

    calm: the values that count for what is usual. kept: how much of the distance is left an hour later.
    """
    usual = _usual(calm, origins)
    now = values[origins][:, None]
    # Not read just then: taken to be as usual.
    now = np.where(np.isnan(now), usual[:, -1:], now)
    ahead = np.arange(horizon + 1)
    found: Numbers = usual[:, (ahead - 1) % 24] + (now - usual[:, -1:]) * kept**ahead
    return found


def _usual(values: Numbers, origins: NDArray[np.intp]) -> Numbers:
    """Return what is usual in the 24 hours after each origin: the middle of those hours of the last days, the last one its own hour.

    An hour that was never read is as the others of its row.
    """
    back = origins[:, None] + np.arange(1 - 24 * USUAL_DAYS, 1)
    days = np.where(back >= 0, values[np.maximum(back, 0)], np.nan).reshape(len(origins), USUAL_DAYS, 24)
    days = np.sort(days, axis=1)  # what was not read comes last
    many = (~np.isnan(days)).sum(axis=1, keepdims=True)
    two = (np.take_along_axis(days, np.maximum(0, at), axis=1)[:, 0] for at in ((many - 1) // 2, many // 2))
    usual: Numbers = sum(two, start=np.zeros(())) / 2
    read = ~np.isnan(usual)
    level = np.where(read, usual, 0.0).sum(axis=1) / np.maximum(1, read.sum(axis=1))
    return np.where(read, usual, level[:, None])


def around(misses: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return low and high quantile of what whole past forecasts missed by, for every hour ahead."""
    outer = min(1.0, COVERS * (1 + 1 / len(misses)))
    low, high = np.quantile(np.array(misses), [(1 - outer) / 2, (1 + outer) / 2], axis=0).tolist()
    return tuple(low), tuple(high)


def whole(misses: Numbers) -> tuple[tuple[float, ...], ...]:
    """Return what past forecasts missed by, each to the end of the horizon.

    A past that ended early, because somebody came with water, goes on missing at the pace it had: a forecast that was
    too moist by the hour stays so.
    """
    found = []
    hours = np.arange(1, misses.shape[1] + 1)
    for row in misses:
        known = np.flatnonzero(~np.isnan(row))
        if len(known) < TESTED_HOURS // 2:
            continue
        filled = np.interp(hours, hours[known], row[known])
        last = int(known[-1])
        tail = hours[last + 1 :] - hours[last]
        pace = row[last] / hours[last]
        filled[last + 1 :] = row[last] + pace * _PACE_KEPT_HOURS * (1 - np.exp(-tail / _PACE_KEPT_HOURS))
        found.append(tuple(filled.tolist()))
    return tuple(found)
