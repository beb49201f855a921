"""What the keeper's changes did, one finding for each, as it is stored by the learning pass and read by the page.

Plain Python: the comparison itself is `effect`, which needs numpy and scipy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from dewkeeper_config import plain

CHANGED: Final = "changed:"
"""Findings of an enclosure are stored under this and its name (`History.figures`)."""
LOOK_AGAIN_DAYS: Final = 16
"""A day of the change, fourteen whole ones, and the night in which they are learned from."""


class ChangedDay(NamedTuple):
    """One whole day of a comparison: UTC seconds, mean vapour and what it would have been without the change, hPa."""

    at: int
    hpa: float
    without_hpa: float


@dataclass(frozen=True, slots=True)
class Finding:
    """What one change did. at: UTC seconds. what, detail: the journal's word, and what was written beside it. hpa, low, high: how the vapour rose, with its 95 %
    interval; None while it can't be told, and `why` says why. before, after: whole days. beside: untouched enclosures.

    days: for the picture, day by day: UTC seconds, its mean vapour, and what it would have had without the change by the course
    of the untouched ones and the room, hPa.
    """

    at: int
    what: str
    hpa: float | None = None
    low: float | None = None
    high: float | None = None
    before: int = 0
    after: int = 0
    beside: int = 0
    why: str = ""
    days: tuple[ChangedDay, ...] = ()
    detail: str = ""


_PICTURES: Final = 6
_KEPT_SECONDS: Final = 366 * 86400
_MOST: Final = 24


def carried(found: list[Finding], before: list[Finding], at: int) -> list[Finding]:
    """Return what a pass found, and behind it what earlier ones told of changes that lie further back than it looks.

    The newest first, at most a year and two dozen of them; only the newest keep the days of their picture.
    """
    oldest = min((one.at for one in found), default=at)
    # So far back nothing is read again: what could not be told then never will be.
    told = [one for one in before if one.at < oldest and one.hpa is not None and at - one.at < _KEPT_SECONDS]
    all_ = sorted([*found, *told], key=lambda one: -one.at)[:_MOST]
    return [one if n < _PICTURES else replace(one, days=()) for n, one in enumerate(all_)]


def as_text(findings: list[Finding]) -> str:
    """Return findings as JSON text."""
    return plain.to_text(findings)


def from_text(text: str) -> list[Finding]:
    """Return findings from their text, none for text that is none."""
    try:
        return plain.from_text(list[Finding], text)
    except ValueError:
        return []
