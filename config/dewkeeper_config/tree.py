"""A parsed file, and how a problem names a place in it: the key path as a person reads it, and the line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, time
from typing import Any

from dewkeeper_config.errors import Problem
from dewkeeper_config.positions import KeyPath

_LONGEST_SHOWN = 60
# The last step of a key path in words: `.address`, `[3]` or ` "b4"`.
_LAST_PART = re.compile(r"(\s?\.[^.]*|\[\d+\]|\s\"[^\"]*\")$")


@dataclass(frozen=True, slots=True)
class Tree:
    """What a file says, list entries as in `Config`.

    labels: the words for entries that no entry of the file stands for alone, by table and position.
    lines: key path in words -> line of the file.
    """

    raw: Mapping[str, Any]
    labels: Mapping[KeyPath, str] = field(default_factory=dict)
    lines: Mapping[str, int] = field(default_factory=dict)

    def key(self, path: Sequence[str | int]) -> str:
        """Return a path as a person reads it: `probe[3] "b4" .address`. Entries are counted from 1."""
        here: Any = self.raw
        words, start = "", 0
        label = self.labels.get(tuple(path[:2]))
        if label is not None:
            here, words, start = step(step(here, path[0]), path[1]), label + " ", 2
        for part in path[start:]:
            here = step(here, part)
            if isinstance(part, int):
                name = here.get("name") if isinstance(here, Mapping) else None
                words += f"[{part + 1}]"
                words += f' "{name}" ' if isinstance(name, str) and showable(name) else ""
            else:
                words += f".{part}" if words else part
        return words.strip() or "the file"

    def at(self, path: Sequence[str | int]) -> Any:
        """Return the value at a path, None where there is none."""
        here: Any = self.raw
        for part in path:
            here = step(here, part)
        return here

    def located(self, problem: Problem) -> Problem:
        """Return the problem with its line, or with that of the table it should stand in."""
        key = problem.key
        while key not in self.lines:
            shorter = _LAST_PART.sub("", key).strip()
            if shorter == key:
                return problem
            key = shorter
        return Problem(problem.key, problem.given, problem.allowed, self.lines[key])


def step(raw: Any, part: str | int) -> Any:
    """Return the child, None where there is none."""
    if isinstance(raw, Mapping):
        return raw.get(str(part))
    if isinstance(raw, list) and isinstance(part, int) and 0 <= part < len(raw):
        return raw[part]
    return None


def show(value: Any) -> str:
    """Return a value as the file might have it; tables by their size, text that looks like a secret not at all."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return f'"{value}"' if showable(value) else f"text of {len(value)} characters, not shown"
    if isinstance(value, int) and abs(value) >= 10**18:  # str() of a huge one is refused by Python itself
        return "a very large number"
    return str(value) if isinstance(value, int | float | date | time) else type(value).__name__


def showable(text: str) -> bool:
    """Return whether a text may be printed: short, printable, and no address or key of a service."""
    # Addresses of webhooks carry their key in the path; whsec_ marks a signing key.
    return len(text) <= _LONGEST_SHOWN and text.isprintable() and "://" not in text and not text.startswith("whsec_")
