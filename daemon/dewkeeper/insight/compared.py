"""Open lids at which a probe was compared with its room, as each learning pass keeps them for the next one.

Plain Python. A pass reads six weeks anew, a drifting probe shows over many months: what is older stays as it was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from dewkeeper_config.plain import from_text, to_text

COMPARED: Final = "compared:"
"""Comparisons of an enclosure are stored under this and its name (`History.figures`)."""
A_WEEK: Final = 3
"""Kept of a week, its first ones: more are no better witnesses, and a year of them stays small."""
LONGEST_SECONDS: Final = 365 * 86400
_WEEK_SECONDS: Final = 7 * 86400


class Comparison(NamedTuple):
    """One lid off: UTC seconds, %RH the probe read above its room's vapour then, and before it, by how much the air was not
    at rest, %RH, and how far damp air had got the probe (0 to 1)."""

    at: int
    apart: float
    excess: float
    blur: float = 0.0
    exposure: float = 0.0


@dataclass(frozen=True, slots=True)
class Compared:
    """Comparisons of one enclosure's probe, oldest first. corrected: how both probes were corrected when they were made."""

    comparisons: tuple[Comparison, ...] = ()
    corrected: tuple[float, ...] = ()

    def text(self) -> str:
        """Return them as JSON text, `from_text` reads it."""
        return to_text(self)

    @classmethod
    def from_text(cls, text: str) -> Compared:
        """Return comparisons from their text, none for text that is none."""
        try:
            return from_text(Compared, text)
        except ValueError:
            return cls()

    def grown(
        self, found: Sequence[Comparison], since: int, zero: int, at: int, corrected: tuple[float, ...]
    ) -> Compared:
        """Return those known at a time: what was kept from before `since`, and what was found anew from then on.

        zero: before it the probe was another one, or corrected otherwise (UTC seconds).
        """
        # What was kept are %RH as they were read then: corrected otherwise they would have been others.
        old = self.comparisons if self.corrected == corrected else ()
        all_ = [*(one for one in old if one.at < since), *(one for one in found if one.at >= since)]
        weeks: dict[int, int] = {}
        kept = []
        for one in all_:
            if max(zero, at - LONGEST_SECONDS) <= one.at < at and weeks.setdefault(one.at // _WEEK_SECONDS, 0) < A_WEEK:
                weeks[one.at // _WEEK_SECONDS] += 1
                kept.append(one)
        return Compared(tuple(kept), corrected)
