"""What the keeper's changes did, one finding for each, as it is stored by the learning pass and read by the page.

Plain Python: the comparison itself is `effect`, which needs numpy and scipy.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from pydantic import TypeAdapter

CHANGED: Final = "changed:"
"""Findings of an enclosure are stored under this and its name (`History.figures`)."""
LOOK_AGAIN_DAYS: Final = 16
"""A day of the change, fourteen whole ones, and the night in which they are learned from."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What one change did. at: UTC seconds. what: the journal's word. hpa, low, high: how the vapour rose, with its 95 %
    interval; None while it can't be told, and `why` says why. before, after: whole days. beside: untouched enclosures."""

    at: int
    what: str
    hpa: float | None = None
    low: float | None = None
    high: float | None = None
    before: int = 0
    after: int = 0
    beside: int = 0
    why: str = ""


@lru_cache
def _adapter() -> TypeAdapter[list[Finding]]:
    return TypeAdapter(list[Finding])


def as_text(findings: list[Finding]) -> str:
    """Return findings as JSON text."""
    return _adapter().dump_json(findings).decode()


def from_text(text: str) -> list[Finding]:
    """Return findings from their text, none for text that is none."""
    try:
        return _adapter().validate_json(text)
    except ValueError:
        return []
