"""From what pydantic found to problems a keeper can act on, without ever printing a secret."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic_core import ErrorDetails

from dewkeeper_config.errors import Problem
from dewkeeper_config.json_schema import allowed, is_secret, node_at, resolve
from dewkeeper_config.positions import KeyPath
from dewkeeper_config.tree import Tree, show, step

_TAGGED_BY = "kind"  # what tells the kinds of channel apart
_CHANNEL_TAG_AT = 2  # ("channel", 0, "mail", "port"): pydantic puts the tag third


def from_pydantic(tree: Tree, errors: Sequence[ErrorDetails]) -> list[Problem]:
    """Return one problem per error, in the file's own terms."""
    found: list[Problem] = []
    for error in errors:
        problem = _problem(tree, error)
        # A union reports once for every member that did not match: in the file's words they are the same.
        if problem not in found:
            found.append(problem)
    return found


def _problem(tree: Tree, error: ErrorDetails) -> Problem:
    path, tags = _path_and_tags(tree.raw, error["loc"])
    if error["type"] == "unexpected_keyword_argument":
        return _unknown_key(tree, path, tags)
    node = node_at(path, tags)
    if error["type"].startswith("union_tag"):
        path = (*path, _TAGGED_BY)
    given = tree.at(path)
    words = allowed(node) if node is not None else "nothing here"
    if error["type"] == "missing":
        return Problem(tree.key(path), "nothing", words)
    if error["type"] in ("value_error", "string_pattern_mismatch", "union_tag_broken"):
        words = str(error.get("ctx", {}).get("error", error["msg"]))
    if error["type"] == "finite_number":
        words += ", finite"
    return Problem(tree.key(path), show(given) if _public(path, tags) else "a secret, not shown", words)


def _unknown_key(tree: Tree, path: KeyPath, tags: Sequence[str]) -> Problem:
    """Name the key but never its value: a misspelt `password` holds one."""
    table = node_at(path[:-1], tags)
    known = _known_keys(table, tags) if table is not None else []
    key = str(path[-1])
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    hint = f"did you mean {near[0]}? " if near else ""
    return Problem(tree.key(path), "an unknown key", f"{hint}known keys: {', '.join(known)}")


def _known_keys(table: dict[str, Any], tags: Sequence[str]) -> list[str]:
    table = resolve(table)
    if "oneOf" in table:
        table = resolve({"$ref": table["discriminator"]["mapping"][tags[0]]})
    for option in [table, *table.get("anyOf", [])]:
        if "properties" in resolve(option):
            return list(resolve(option)["properties"])
    return []


def _path_and_tags(raw: Any, loc: Sequence[str | int]) -> tuple[KeyPath, list[str]]:
    """Split pydantic's location into the file's own keys and the union tags that pydantic puts between them."""
    path: KeyPath = ()
    tags: list[str] = []
    for position, part in enumerate(loc):
        if position == _CHANNEL_TAG_AT and loc[0] == "channel":
            tags.append(str(part))
            continue
        there = isinstance(raw, Mapping) and part in raw
        if not there and not isinstance(part, int) and node_at((*path, part), tags) is None:
            break  # pydantic's own additions: the name of a union member that did not match
        if isinstance(raw, str):
            break  # a secret written as text is checked as {value = ...}, a key that is not in the file
        path = (*path, part)
        raw = step(raw, part)
    return path, tags


def _public(path: KeyPath, tags: Sequence[str]) -> bool:
    """Whether nothing on the way to this value is meant to hold a secret."""
    nodes = (node_at(path[:length], tags) for length in range(1, len(path) + 1))
    return not any(node is not None and is_secret(node) for node in nodes)
