"""What can still be said of a file that is not TOML: where, and what is wrong in the tables that can be read.

A file is cut at its headings and every table read by itself. One that cannot be read keeps its heading and its name,
so that the entries after it are counted as before and what refers to it finds it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass

from dewkeeper_config.errors import Problem

_HEADING = re.compile(r"\s*\[\[?[^\[\]]+\]\]?\s*(#.*)?")
_NAME = re.compile(r"\s*name\s*=")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_QUOTES = re.compile(r"\"\"\"|'''")


@dataclass(frozen=True, slots=True)
class Recovered:
    """What is left of a file that is not TOML, and what is wrong with the rest.

    text: as many lines as the file, empty where they could not be read; None when that is no TOML either.
    lost: lines of the tables that could not be read. named: whether each of them still has its name.
    """

    text: str | None
    problems: list[Problem]
    lost: frozenset[int]
    named: bool


def recover(text: str, said: str) -> Recovered:
    """Return what can be read of a text that tomllib refused with the words `said`."""
    kept: list[str] = []
    problems: list[Problem] = []
    lost: set[int] = set()
    named = True
    for block in _blocks(text.splitlines()):
        start = len(kept) + 1
        wrong = _wrong("\n".join(block))
        if wrong is None:
            kept += block
            continue
        problems.append(_not_toml(wrong, start, len(block)))
        left = [line if index == 0 and _HEADING.fullmatch(line) else "" for index, line in enumerate(block)]
        name = next((i for i, line in enumerate(block) if _NAME.match(line) and _wrong(line) is None), None)
        if name is not None:
            left[name] = block[name]
        # Only entries of lists are referred to by their names.
        named &= name is not None or not block[0].lstrip().startswith("[[")
        lost |= set(range(start, start + len(block)))
        kept += left
    whole = "\n".join(kept)
    if not problems or _wrong(whole) is not None:  # nothing is wrong with any table alone: one stands twice
        return Recovered(None, problems or [_not_toml(said, 1, len(kept))], frozenset(), named)
    return Recovered(whole, problems, frozenset(lost), named)


def _blocks(lines: list[str]) -> Iterator[list[str]]:
    """Yield the lines of each table with its heading; one that a text of several lines goes through is one table."""
    block: list[str] = []
    for line in lines:
        if _HEADING.fullmatch(line) and len(_QUOTES.findall("\n".join(block))) % 2 == 0:
            if block:
                yield block
            block = []
        block.append(line)
    if block:
        yield block


def _wrong(text: str) -> str | None:
    try:
        tomllib.loads(text)
    except RecursionError:
        return "brackets nested without end"
    except ValueError as error:
        return str(error)
    return None


def _not_toml(said: str, start: int, length: int) -> Problem:
    at = _AT_LINE.search(said)
    # "(at end of document)" names no line: it is the table's last.
    line = start + (int(at.group(1)) if at else length) - 1
    return Problem("the file", "not TOML: " + _AT_LINE.sub("", said).strip(), "TOML 1.0, each key once", line)
