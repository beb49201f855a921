"""What one table cannot know of another: the checks across the file.

They run on every entry, even when others were refused or some of its own values, so that all problems come at once. Names are
taken from the raw file: an entry refused for its port still exists for those who refer to it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any

from dewkeeper_config.check_limits import limit_problems
from dewkeeper_config.check_people import people_problems, site_problems
from dewkeeper_config.check_wiring import place_problems, wiring_problems
from dewkeeper_config.entries import FileEntries
from dewkeeper_config.errors import Problem
from dewkeeper_config.tree import Tree, show

_BREAKING = ("Cc", "Zl", "Zp")  # Unicode's control characters, line and paragraph separators


def cross_problems(tree: Tree, names_known: bool) -> list[Problem]:
    """Return every problem between the tables of a parsed file, in the order of the checks.

    names_known: False when not every tub and bus could be named; whether a probe's exist is then left open.
    """
    entries = FileEntries.of(tree)
    return [
        *_control_characters(tree, tree.raw, ()),
        *_same_names(entries),
        *site_problems(entries),
        *limit_problems(entries),
        *place_problems(entries),
        *(wiring_problems(entries) if names_known else ()),
        *people_problems(entries),
    ]


def _same_names(entries: FileEntries) -> Iterator[Problem]:
    """Refuse one name twice in a table, capitals aside: whoever types `b4` at night must not get another tub."""
    for names in entries.names.values():
        first: dict[str, str] = {}
        for name, key in names:
            if first.setdefault(name.casefold(), key) != key:
                taken = first[name.casefold()]
                yield Problem(f"{key} .name", show(name), f"each name once, capitals aside; {taken} has it")


def _control_characters(tree: Tree, value: Any, path: tuple[str | int, ...]) -> Iterator[Problem]:
    """Refuse them everywhere but in a template: in a header or an address they forge the lines that follow."""
    if isinstance(value, str):
        fine = "\n\t" if path[-1:] == ("template",) else ""
        if any(unicodedata.category(c) in _BREAKING and c not in fine for c in value):
            yield Problem(tree.key(path), "text with control characters", "printable text on one line")
    elif isinstance(value, Mapping):
        for key, child in value.items():
            yield from _control_characters(tree, child, (*path, key))
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield from _control_characters(tree, child, (*path, index))
