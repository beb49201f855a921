"""Whether dryness goes with bad sheds: chance is not called an effect, a strong effect is found, and SciPy agrees."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from dewkeeper.report.association import NEEDED_BAD, ShedCase, association, permutation_p


def herd(seed: int, effect: float, animals: int = 30, each: int = 6, bad_share: float = 0.15) -> list[ShedCase]:
    """Return simulated sheds: each animal in air and with luck of its own; effect: log odds for one %RH drier."""
    chance = random.Random(seed)
    found = []
    for number in range(animals):
        home, luck = chance.uniform(0, 6), chance.gauss(0, 0.8)
        for _ in range(each):
            dry = max(0.0, home + chance.gauss(0, 2.5))
            odds = math.log(bad_share / (1 - bad_share)) + luck + effect * (dry - 3)
            found.append(ShedCase(f"Snake {number}", dry, chance.random() < 1 / (1 + math.exp(-odds))))
    return found


def _one_stratum(bad: Sequence[float], good: Sequence[float]) -> float:
    drawn = stats.permutation_test(
        (np.array(bad), np.array(good)), lambda a, b: np.mean(a) - np.mean(b), n_resamples=np.inf, vectorized=False
    )
    return float(drawn.pvalue)


@pytest.mark.parametrize("seed", range(4))
def test_one_animal_is_tested_as_scipy_tests_two_samples(seed: int) -> None:
    """For one animal p is that of SciPy's exact permutation test of two means, but for the chance of the draws."""
    chance = random.Random(seed)
    bad = [chance.gauss(2 + seed * 0.6, 1) for _ in range(4)]
    good = [chance.gauss(2, 1) for _ in range(6)]
    expected = _one_stratum(bad, good)
    draws = 3999
    error = 4 * math.sqrt(expected * (1 - expected / 2) * 2 / draws) + 2 / draws
    assert permutation_p([(bad, good)], draws) == pytest.approx(expected, abs=error)


def test_chance_is_rarely_called_an_effect() -> None:
    """Without an effect, "associated" comes in no more runs than one in twenty allows, though animals differ in luck and air."""
    runs = 60
    called = sum(association("q", herd(seed, 0.0, animals=16)).associated for seed in range(runs))
    assert called <= stats.binom.ppf(0.999, runs, 0.05)


def test_a_strong_effect_is_found() -> None:
    """Of ten herds of thirty in which 5 % drier makes bad sheds six times as likely, nine at least are called associated, with odds above 1.5."""
    answers = [association("q", herd(seed, math.log(6) / 5)) for seed in range(10)]
    assert sum(answer.associated for answer in answers) >= 9
    assert all(answer.odds is not None and answer.odds > 1.5 for answer in answers)


def test_too_few_bad_sheds_answer_nothing() -> None:
    """With three bad sheds it says so; with ten it answers; where no animal had both kinds it can't tell either."""
    few = [ShedCase("A", float(n), n < 3) for n in range(20)]
    assert association("Dry air", few).sentence() == "Dry air: can't tell yet: 3 of 10 bad sheds."
    enough = [ShedCase("A", float(n), n < NEEDED_BAD) for n in range(20)]
    assert association("Dry air", enough).p is not None
    apart = [ShedCase("A" if n < 10 else "B", float(n), n < 10) for n in range(20)]
    assert "no animal has both" in association("Dry air", apart).sentence()


def test_the_estimate_is_shrunken() -> None:
    """What separates perfectly would have endless odds; the prior keeps them finite, and few sheds keep them nearer to 1."""
    many = association("q", [ShedCase("A", float(n), n >= 20) for n in range(40)])
    few = association("q", [ShedCase("A", float(2 * n), n >= 10) for n in range(20)])
    assert many.odds is not None
    assert few.odds is not None
    assert 1 < few.odds < many.odds < 1000
