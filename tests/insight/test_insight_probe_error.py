"""What a probe reads wrong by, from open lids: which openings are compared, and what is made of them."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest

from dewkeeper.air import humidity_at
from dewkeeper.insight.compared import A_WEEK, Compared, Comparison
from dewkeeper.insight.facts import probe_fact
from dewkeeper.insight.hours import Deed
from dewkeeper.insight.learning import WasRead, lessons, probes
from dewkeeper.insight.probe_error import Misreading, comparisons, errors
from dewkeeper.insight.series import DAY_SECONDS, Gathering, Series
from dewkeeper.judge.checks.drift import drifted
from dewkeeper.judge.types import Fact

START = 1_767_225_600
ROOM_HPA = 11.0


def _rack(minutes: int, openings: dict[int, int], too_much: float = 0.0) -> tuple[Series, Series]:
    """Return a tub of 24 hPa whose lid is off from a minute on for so many, read `too_much` %RH too high, and its room."""
    dice, tub, room, vapour = Random(5), Gathering(), Gathering(), 24.0
    opened = {m for begin, lasts in openings.items() for m in range(begin, begin + lasts)}
    for minute in range(minutes):
        goal, pace = (ROOM_HPA + 0.5, 3) if minute in opened else (24.0, 25)
        vapour += (goal - vapour) / pace
        at = START + 60 * minute
        tub.add(at, 28.0, humidity_at(vapour, 28.0) + too_much + dice.gauss(0, 0.05))
        room.add(at, 22.0, humidity_at(ROOM_HPA, 22.0) + dice.gauss(0, 0.05))
    return tub.series(), room.series()


def _tubs(
    count: int, days: int, error: dict[int, float], seed: int = 1, room: float = 0.0
) -> dict[str, list[Comparison]]:
    """Return an opening every third day of each tub; error: %RH a day by tub from day 30 on, room: of the room's probe."""
    dice = Random(seed)
    found: dict[str, list[Comparison]] = {}
    for tub in range(count):
        place, share = dice.gauss(0, 2), dice.uniform(0.03, 0.1)
        own = []
        for day in range(tub % 3, days, 3):
            excess = dice.uniform(30, 45)
            wrong = (error.get(tub, 0.0) - room) * max(0, day - 30)
            own.append(
                Comparison(START + day * DAY_SECONDS, place + wrong + share * excess + dice.gauss(0, 0.5), excess)
            )
        found[str(tub)] = own
    return found


def _known(tubs: dict[str, list[Comparison]], days: int) -> dict[str, Misreading]:
    found = errors(tubs, START + days * DAY_SECONDS).tubs
    assert not any(isinstance(error, str) for error in found.values()), found
    return {name: error for name, error in found.items() if isinstance(error, Misreading)}


def test_an_open_lid_is_a_comparison_whether_it_was_noted_or_not() -> None:
    """Half an hour off, noted or not: what is left then is the probe's own error, and what the floor gives off."""
    tub, room = _rack(1440, {600: 30, 1000: 30}, too_much=2.0)
    found = comparisons(tub, room, [Deed(START + 610 * 60, "cleaned")])
    assert [(one.at - START) // 60 // 30 for one in found] == [20, 34]
    left = 100 * 0.5 / (24.0 / humidity_at(24.0, 28.0) * 100)
    assert all(one.apart == pytest.approx(left + 2.0, abs=0.3) for one in found)
    assert all(one.excess == pytest.approx(humidity_at(13.0, 28.0) + 2.0, abs=0.5) for one in found)


def test_a_short_opening_and_a_probe_that_fell_out_are_none() -> None:
    """Three minutes show the way to the room's air and not the room's air; who stays there is not in its tub."""
    tub, room = _rack(1440, {600: 3})
    assert comparisons(tub, room, [Deed(START + 600 * 60, "opened")]) == []
    tub, room = _rack(1440, {600: 840})
    assert comparisons(tub, room, [Deed(START + 600 * 60, "opened")]) == []


def test_a_probe_that_drifts_is_found_and_no_other_blamed() -> None:
    """One of six reads 0.15 %RH a day too much for 30 days: known to within its interval, the others are near 0."""
    found = _known(_tubs(6, 60, {2: 0.15}), 60)
    drifted = found.pop("2")
    assert drifted.percent == pytest.approx(4.5, abs=1.96 * drifted.spread)
    assert drifted.percent > 2.5
    assert all(abs(other.percent) < 1.2 for other in found.values())


def test_what_all_show_together_is_the_rooms_probe() -> None:
    """When the room's probe drifts every tub seems to, the other way: none of them is blamed."""
    assert all(abs(error.percent) < 1.2 for error in _known(_tubs(6, 60, {}, room=0.15), 60).values())


def test_the_rooms_probe_is_told_by_what_all_show_together() -> None:
    """0.15 %RH a day for 30 days, beside six: known to within its interval, and drift; beside two nobody can say whose it is."""
    tubs, at = _tubs(6, 60, {}, room=0.15), START + 60 * DAY_SECONDS
    found = errors(tubs, at).room
    assert isinstance(found, Misreading)
    assert found.percent == pytest.approx(4.5, abs=1.96 * found.spread)
    assert drifted(probe_fact(found, at))
    calm = errors(_tubs(6, 60, {2: 0.15}), at).room
    assert isinstance(calm, Misreading)
    assert not drifted(probe_fact(calm, at))
    assert errors({name: tubs[name] for name in "01"}, at).room == (
        "2 enclosures could be compared with it often enough to tell its error from theirs, 3 are needed"
    )


def test_creep_after_damp_weeks_is_no_drift() -> None:
    """3 %RH too much in the days after damp air, none before and none after: told as creep, and the error stays small."""
    tubs = _tubs(4, 75, {})
    damp = [max(0.0, 1 - abs(one.at - START - 50 * DAY_SECONDS) / (20 * DAY_SECONDS)) for one in tubs["1"]]
    tubs["1"] = [
        one._replace(apart=one.apart + 3 * wet, exposure=wet) for one, wet in zip(tubs["1"], damp, strict=True)
    ]
    then = {name: [one for one in own if one.at <= START + 52 * DAY_SECONDS] for name, own in tubs.items()}
    error = _known(then, 52)["1"]
    assert error.creep > 1.0
    assert abs(error.percent) < error.creep
    assert "goes back by itself" in probe_fact(error, START).why
    assert abs(_known(tubs, 75)["1"].percent) < 1.2


def test_the_filter_is_the_exact_gaussian_solution() -> None:
    """Where nothing is doubted, mean and spread are those of conditioning the joint normal distribution, solved by numpy."""
    tubs = _tubs(3, 40, {0: 0.05})
    found = _known(tubs, 41)
    rows = [(int(name), one) for name, own in tubs.items() for one in own]
    first = {int(name): own[0].at for name, own in tubs.items()}
    begun, now = min(first.values()), START + 41 * DAY_SECONDS

    def walked(one: int, other: int, since: int) -> float:
        return 0.09 * max(0, min(one, other) - since) / DAY_SECONDS

    apart = np.array([one.apart - 0.08 * one.excess for _, one in rows])
    joint = np.empty((len(rows), len(rows)))
    for i, (a, one) in enumerate(rows):
        for j, (b, other) in enumerate(rows):
            same = 36 + 0.0064 * one.excess * other.excess + walked(one.at, other.at, first[a]) if a == b else 0.0
            joint[i, j] = same + walked(one.at, other.at, begun)
        joint[i, i] += 0.36 + (0.15 * one.apart) ** 2
    for name, error in found.items():
        tub = int(name)
        toward = np.array([walked(one.at, now, first[tub]) if a == tub else 0.0 for a, one in rows])
        weights = np.linalg.solve(joint, toward)
        assert error.percent == pytest.approx(float(weights @ apart), abs=1e-6)
        assert error.spread == pytest.approx(
            math.sqrt(walked(now, now, first[tub]) - float(weights @ toward)), abs=1e-6
        )


def test_few_openings_are_withheld_in_words() -> None:
    """Four openings, or all within a week, or no room's probe: no error is told, and the reason is a sentence."""
    tubs = _tubs(1, 20, {})
    assert errors({"0": tubs["0"][:4]}, START + 20 * DAY_SECONDS).tubs == {
        "0": "4 openings within 9 days could be compared with the room, 5 within 14 are needed"
    }
    tub, _ = _rack(600, {})
    fact = lessons(WasRead({"B1": tub}, {}, {}, {}), tub.end).tubs["B1"].facts[-1]
    assert fact == Fact("probe_error_percent", why="no probe reads its room, with which it could be compared")


def test_what_is_kept_of_earlier_passes_counts_on() -> None:
    """Read anew it is found anew; older stays as it was; three a week, a year; a correction or another probe begins anew."""
    week = 7 * DAY_SECONDS
    old = Compared(tuple(Comparison(START + n * 20_000, 2.0, 40.0) for n in range(40)))
    at = START + 2 * week
    kept = old.grown([Comparison(START + week + 5, 1.0, 30.0)], START + week, 0, at, ())
    weeks = [one.at // week for one in kept.comparisons]
    assert max(weeks.count(one) for one in weeks) == A_WEEK
    assert kept.comparisons[-1].apart == 1.0
    assert Compared.from_text(kept.text()) == kept
    assert Compared.from_text("{") == Compared()
    assert old.grown([], START + week, START + 20_001, at, ()).comparisons[0].at == START + 40_000
    assert old.grown([], START + week, 0, at, (0.0, -2.0, 1.0)).comparisons == ()
    assert old.grown([], at, 0, START + 366 * DAY_SECONDS, ()).comparisons[0].at >= START + DAY_SECONDS


def test_a_pass_knows_nothing_later() -> None:
    """What a pass finds at noon is the same whether the afternoon's openings are there or not."""
    tub, room = _rack(3000, {600: 30, 2000: 30})
    read = WasRead({"B1": tub}, {"air": room}, {"B1": "air"}, {})
    early = WasRead({"B1": tub.until(START + 90_000)}, {"air": room.until(START + 90_000)}, {"B1": "air"}, {})
    assert probes(read, START + 90_000) == probes(early, START + 90_000)
    assert len(probes(read, START + 90_000)[0]["B1"].comparisons) == 1
