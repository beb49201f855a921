"""Lines of values in TOML, against texts whose lines are known because they were put there."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewkeeper_config.positions import KeyPath, lines_of

TEXT = """\
# a comment with [brackets] and = signs
title = "a # in quotes"          # line 2
"quoted key" = 'x = 1'
[site]
night . start = 21:00:00
[[bus]]
name = "one"
list = [
  1,   # a comment, with "quotes"
  { a = 1, "b" = [2,
    3] },
]
[[bus]]
text = \"\"\"
[not.a.table]
name = 1
\"\"\"
after = 1.5
[bus.inner]
deep = { x = { y = "}" } }
[[bus.many]]
z = 1
"""
KNOWN: dict[KeyPath, int] = {
    ("title",): 2, ("quoted key",): 3, ("site",): 4, ("site", "night"): 5, ("site", "night", "start"): 5,
    ("bus",): 6, ("bus", 0): 6, ("bus", 0, "name"): 7, ("bus", 0, "list"): 8, ("bus", 0, "list", 0): 9,
    ("bus", 0, "list", 1): 10, ("bus", 0, "list", 1, "a"): 10, ("bus", 0, "list", 1, "b"): 10,
    ("bus", 0, "list", 1, "b", 0): 10, ("bus", 0, "list", 1, "b", 1): 11, ("bus", 1): 13, ("bus", 1, "text"): 14,
    ("bus", 1, "after"): 18, ("bus", 1, "inner"): 19, ("bus", 1, "inner", "deep"): 20,
    ("bus", 1, "inner", "deep", "x"): 20, ("bus", 1, "inner", "deep", "x", "y"): 20, ("bus", 1, "many"): 21,
    ("bus", 1, "many", 0): 21, ("bus", 1, "many", 0, "z"): 22,
}  # fmt: skip


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_value_of_a_text_has_its_line(end: str) -> None:
    """Comments, quotes, texts of several lines, dotted keys, lists and tables in lists: each is on its line."""
    assert lines_of(TEXT.replace("\n", end)) == KNOWN


SCALARS = st.integers() | st.booleans() | st.text(alphabet="ab[]{}=,.#\"'\\ \n", max_size=8)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text('ab .=]"#', max_size=3), inner, max_size=3),
)


def written(value: Any) -> str:
    """Write a value as TOML, spread over lines wherever TOML allows it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
    if isinstance(value, list):
        return "[\n" + ",\n".join(map(written, value)) + "\n]" if value else "[]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{written(key)} = {written(inner)}" for key, inner in value.items()) + "}"
    return str(value)


def paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    """Return every path in a parsed file."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path} - {()} | {below for key, inner in items for below in paths(inner, (*path, key))}


@settings(max_examples=100)
@given(st.dictionaries(st.text('ab .=]"#', max_size=3), VALUES, max_size=4))
def test_every_value_of_any_text_has_a_line_that_has_it(tree: dict[str, Any]) -> None:
    """All that the parser finds is found, nothing else, and a key's line has the key on it."""
    text = "".join(f"{written(key)} = {written(value)}\n" for key, value in tree.items())
    lines = lines_of(text)
    assert set(lines) == paths(tomllib.loads(text))
    for path, line in lines.items():
        if isinstance(path[-1], str):
            assert written(path[-1]) in text.splitlines()[line - 1]
