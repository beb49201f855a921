"""Weights as the journal tells of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from dewkeeper.judge.types import JournalEntry

_WEIGHT: Final = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(kg|kilo(?:gram)?s?|g|gr|grams?)?\b(?![.,]\d|\s*(?:lb|pound|oz|ounce))", re.IGNORECASE
)
HEAVIEST_GRAMS: Final = 250_000
"""No snake weighs as much (common knowledge, no source): a number above it is a slip of the keys, no weight."""
LOSS_SHARE: Final = 0.1
"""A tenth lost within `LOSS_SECONDS` is for a vet (common practice, no source)."""
LOSS_SECONDS: Final = 90 * 86400


@dataclass(frozen=True, slots=True)
class Weighing:
    """When (UTC seconds) and how much (grams)."""

    at: int
    grams: float


def grams_of(detail: str) -> float | None:
    """Return the grams that words give: "1450", "1,450 g", "1.45 kg"; None for none, in pounds, and for more than any snake weighs.

    A number with a unit comes before one without.
    """
    every = list(_WEIGHT.finditer(detail))
    found = next((one for one in every if one[2]), every[0] if every else None)
    if found is None:
        return None
    kilos = (found[2] or "").casefold().startswith("k")
    # Nobody weighs a snake to the milligram: three figures behind a separator are thousands.
    thousands = not kilos and re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", found[1]) is not None
    value = float(re.sub("[.,]", "" if thousands else ".", found[1])) * (1000 if kilos else 1)
    return value if 0 < value <= HEAVIEST_GRAMS else None


def weighings(entries: Sequence[JournalEntry]) -> list[Weighing]:
    """Return what was weighed, oldest first; entries without a number are left out."""
    found = [(entry.time, grams_of(entry.detail)) for entry in entries if entry.what == "weighed"]
    return [Weighing(at, grams) for at, grams in found if grams is not None]


def loss(weights: Sequence[Weighing]) -> float | None:
    """Return which share the last weight lies below the heaviest of the 90 days before it, if that is a tenth or more."""
    if not weights:
        return None
    last = weights[-1]
    heaviest = max(w.grams for w in weights if last.at - w.at <= LOSS_SECONDS)
    share = 1 - last.grams / heaviest
    return share if share >= LOSS_SHARE else None
