"""What one table cannot know of another: the checks across the file.

They run on every entry that was read, even when others were refused, so that all problems come at once. Names are
taken from the raw file: an entry refused for its port still exists for those who refer to it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from dewkeeper_config.check_limits import limit_problems
from dewkeeper_config.check_people import people_problems, site_problems
from dewkeeper_config.check_wiring import wiring_problems
from dewkeeper_config.draft import Draft
from dewkeeper_config.errors import Problem
from dewkeeper_config.problems import key_path, show

_BREAKING = ("Cc", "Zl", "Zp")  # Unicode's control characters, line and paragraph separators


def cross_problems(raw: Mapping[str, Any]) -> list[Problem]:
    """Return every problem between the tables of a parsed file, in the order of the checks."""
    draft = Draft.of(raw)
    return [
        *_control_characters(raw, raw, ()),
        *_same_names(draft),
        *site_problems(draft),
        *limit_problems(draft),
        *wiring_problems(draft),
        *people_problems(draft),
    ]


def _same_names(draft: Draft) -> Iterator[Problem]:
    """Refuse one name twice in a table, capitals aside: whoever types `b4` at night must not get another tub."""
    for names in draft.names.values():
        first: dict[str, str] = {}
        for name, key in names:
            if first.setdefault(name.casefold(), key) != key:
                taken = first[name.casefold()]
                yield Problem(f"{key} .name", show(name), f"each name once, capitals aside; {taken} has it")


def _control_characters(raw: Mapping[str, Any], value: Any, path: tuple[str | int, ...]) -> Iterator[Problem]:
    """Refuse them everywhere but in a template: in a header or an address they forge the lines that follow."""
    if isinstance(value, str):
        fine = "\n\t" if path[-1:] == ("template",) else ""
        if any(unicodedata.category(c) in _BREAKING and c not in fine for c in value):
            yield Problem(key_path(raw, path), "text with control characters", "printable text on one line")
    elif isinstance(value, Mapping):
        for key, child in value.items():
            yield from _control_characters(raw, child, (*path, key))
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield from _control_characters(raw, child, (*path, index))
