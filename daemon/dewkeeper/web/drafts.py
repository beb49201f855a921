"""What somebody typed is kept: through a login that ran out, a form that grew old, and a refusal."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Final
from urllib.parse import urlsplit

Pairs = Sequence[tuple[str, str]]

TYPED: Final[Mapping[str, str]] = {
    "detail": "In words",
    "at": "When",
    "why": "Why",
    "hours": "Hours",
    "until": "Until",
    "name": "Name",
}
"""Fields somebody types into, by what they are called; all else of a form was chosen."""
_SECRET: Final = frozenset({"csrf", "password", "again", "old", "code"})
_LONGEST: Final = 20_000


def local_path(given: str) -> str:
    """Return an address within the page, "/" for anything else: nobody is sent to another site."""
    parts = urlsplit(given) if given.isprintable() else None
    # Browsers take "//host" and "/\host" for another site as well.
    if parts is None or parts.scheme or parts.netloc or not given.startswith("/") or given[1:2] in ("/", "\\"):
        return "/"
    return given


def packed(pairs: Pairs) -> str:
    """Return a form's fields as text, without what must not be written into a page; "" when it is too much to keep."""
    text = json.dumps([pair for pair in pairs if pair[0] not in _SECRET])
    return text if len(text) <= _LONGEST else ""


def unpacked(text: str) -> list[tuple[str, str]]:
    """Return what `packed` gave; nothing for anything else."""
    try:
        found = json.loads(text[:_LONGEST]) if text else []
        return [(str(name), str(value)) for name, value in found if str(name) not in _SECRET]
    except (ValueError, TypeError, RecursionError):  # the last of "[[[[": whoever is not logged in may send it
        return []
