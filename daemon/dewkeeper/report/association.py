"""Whether dryness goes with bad sheds here: a permutation test within each animal, and a shrunken estimate of how much.

Within each animal, because some shed badly in any air: only its own drier and moister cycles are compared. That it is
associated says nothing of the cause; illness and mites look the same.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

NEEDED_BAD: Final = 10
"""Bad sheds a question needs before it is answered: ten events for each predictor, the usual rule of thumb."""
DRAWS: Final = 1999
LEVEL: Final = 0.05
DRIER_BY: Final = 5.0
"""The odds are told for so many %RH drier, on average, below the target band."""


@dataclass(frozen=True, slots=True)
class ShedCase:
    """One graded shed: whose, how dry it was before (mean %RH below the target band), and whether it was bad."""

    animal: str
    dryness: float
    bad: bool


@dataclass(frozen=True, slots=True)
class Association:
    """The answer to one question. p: of the permutation test; odds: shrunken, for `DRIER_BY` drier; None: can't tell yet."""

    question: str
    graded: int
    bad: int
    p: float | None = None
    odds: float | None = None

    @property
    def associated(self) -> bool:
        """Whether dryness goes with bad sheds, by more than chance and in that direction."""
        return self.p is not None and self.p < LEVEL and self.odds is not None and self.odds > 1

    def sentence(self) -> str:
        """Return the answer in a sentence."""
        if self.p is None or self.odds is None:
            missing = (
                f"{self.bad} of {NEEDED_BAD} bad sheds" if self.bad < NEEDED_BAD else "no animal has both kinds of shed"
            )
            return f"{self.question}: can't tell yet: {missing}."
        if not self.associated:
            return f"{self.question}: not seen to be associated (p = {self.p:.2g}, {self.bad} bad of {self.graded})."
        return (
            f"{self.question}: associated (p = {self.p:.2g}, {self.bad} bad of {self.graded}; odds × {self.odds:.1f} for "
            f"{DRIER_BY:.0f} % drier, shrunken towards 1). That is no proof of the cause: illness and mites do the same."
        )


def association(question: str, cases: Sequence[ShedCase]) -> Association:
    """Return the answer for these graded sheds."""
    bad = sum(case.bad for case in cases)
    strata = _strata(cases)
    if bad < NEEDED_BAD or not strata:
        return Association(question, len(cases), bad)
    return Association(question, len(cases), bad, permutation_p(strata), _odds(strata))


Stratum = tuple[list[float], list[float]]


def _strata(cases: Sequence[ShedCase]) -> list[Stratum]:
    """Return dryness before the bad and before the good sheds of each animal that had both."""
    found: dict[str, Stratum] = {}
    for case in cases:
        found.setdefault(case.animal, ([], []))[0 if case.bad else 1].append(case.dryness)
    return [both for both in found.values() if both[0] and both[1]]


def permutation_p(strata: Sequence[Stratum], draws: int = DRAWS) -> float:
    """Return the two-sided p of the sum of dryness before bad sheds, grades permuted within each animal.

    Twice the smaller tail, the observed one counted among the draws (Phipson and Smyth 2010†). The same data draw the same.
    """
    observed = sum(sum(bad) for bad, _ in strata)
    # The same numbers summed in another order differ in their last digits, and are a tie all the same.
    slack = 1e-9 * (1 + abs(observed))
    chance = random.Random(f"{len(strata)} {observed:.6f}")  # noqa: S311  a permutation test keeps no secret
    pools = [([*bad, *good], len(bad)) for bad, good in strata]
    below = above = 1
    for _ in range(draws):
        drawn = sum(sum(chance.sample(pool, count)) for pool, count in pools)
        below += drawn <= observed + slack
        above += drawn >= observed - slack
    return min(1.0, 2 * min(below, above) / (draws + 1))


def _odds(strata: Sequence[Stratum]) -> float:
    """Return the odds of a bad shed for `DRIER_BY` drier: logistic, each animal its own mean, slope's prior normal(0, 1).

    The prior, on one standard deviation of dryness, pulls what few sheds say towards no effect (maximum a posteriori).
    """
    points = []
    for bad, good in strata:
        middle = sum([*bad, *good]) / (len(bad) + len(good))
        points += [(x - middle, 1.0) for x in bad] + [(x - middle, 0.0) for x in good]
    spread = math.sqrt(sum(x * x for x, _ in points) / len(points))
    if spread < 1e-9:
        return 1.0
    base = slope = 0.0
    for _ in range(30):  # Newton on two parameters; the penalty keeps it from running away
        # The prior is in g1 and h11. The base has none: 1e-9 keeps the determinant from nought where all is certain.
        g0, g1, h00, h01, h11 = 0.0, -slope, 1e-9, 0.0, 1.0
        for x, y in points:
            z = x / spread
            # Beyond 30 it is as good as certain, and far beyond it overflows.
            p = 1 / (1 + math.exp(-max(-30.0, min(30.0, base + slope * z))))
            g0, g1 = g0 + y - p, g1 + (y - p) * z
            h00, h01, h11 = h00 + p * (1 - p), h01 + p * (1 - p) * z, h11 + p * (1 - p) * z * z
        det = h00 * h11 - h01 * h01
        step0, step1 = (h11 * g0 - h01 * g1) / det, (h00 * g1 - h01 * g0) / det
        # Where almost all sheds are alike, a whole step of Newton's leaps past the answer.
        base, slope = base + max(-2.0, min(2.0, step0)), slope + max(-2.0, min(2.0, step1))
    return math.exp(slope * DRIER_BY / spread)
