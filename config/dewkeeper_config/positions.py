"""On which line of a TOML file each of its values stands.

The standard library's parser is asked first and says what the file means; it keeps no positions, so this walks the
same text once more, only to count. It may therefore trust that the text is TOML, nested no deeper than the loader
allows.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

KeyPath = tuple[str | int, ...]
"""Keys, and positions in lists from 0: `("probe", 2, "address")`."""

# Up to two quotes may stand right before the three that end a long text (TOML 1.0, String).
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\[\s\S])*?"""(?:"{0,2})'
    r"|'''[\s\S]*?'''(?:'{0,2})"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*|\n|[\[\]{}=,.]|[^\s\[\]{}=,.#\"']+"
)
_KEY_ENDS = {"=", "]", ""}
_VALUE_ENDS = {",", "]", "}", "\n", ""}  # nothing: the end of the text


def lines_of(text: str) -> Mapping[KeyPath, int]:
    """Return path -> line, from 1, of every table, key and list entry in a text that is valid TOML."""
    return _Walk(text).lines


class _Walk:
    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._tokens: list[tuple[str, int]] = []
        line = 1
        for match in _TOKEN.finditer(text):
            token = match.group()
            if not token.startswith("#"):
                self._tokens.append((token, line))
            line += token.count("\n")
        self._at = 0
        self._newest: dict[KeyPath, int] = {}  # list of tables -> position of the last one begun
        table: KeyPath = ()
        while self._at < len(self._tokens):
            if self._peek() == "\n":
                self._at += 1
            elif self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)

    def _peek(self) -> str:
        return self._tokens[self._at][0] if self._at < len(self._tokens) else ""

    def _next(self) -> str:
        self._at += 1
        return self._tokens[self._at - 1][0]

    def _here(self) -> int:
        return self._tokens[min(self._at, len(self._tokens) - 1)][1]

    def _note(self, path: KeyPath, line: int) -> None:
        # The first place counts: a table may go on elsewhere by dotted keys, and where it begins is where to look.
        self.lines.setdefault(path, line)

    def _header(self) -> KeyPath:
        line = self._here()
        self._at += 1
        many = self._peek() == "["
        self._at += many
        parts = self._key()
        self._at += 1 + many
        path: KeyPath = ()
        for position, part in enumerate(parts):
            path = (*path, part)
            self._note(path, line)
            if many and position == len(parts) - 1:
                self._newest[path] = self._newest.get(path, -1) + 1
            # A table below a list of tables belongs to its newest entry (TOML 1.0, Array of Tables).
            if path in self._newest:
                path = (*path, self._newest[path])
                self._note(path, line)
        return path

    def _key(self) -> list[str]:
        parts = []
        while self._peek() not in _KEY_ENDS:
            word = self._next()
            if word != ".":
                # A quoted key may have escapes, and TOML's own parser knows them.
                parts.append(str(tomllib.loads(f"key = {word}")["key"]) if word[0] in "\"'" else word)
        return parts

    def _pair(self, table: KeyPath) -> None:
        line = self._here()
        path = table
        for part in self._key():
            path = (*path, part)
            self._note(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._peek() == "[":
            self._items(path)
        elif self._peek() == "{":
            self._inside(path)
        while self._peek() not in _VALUE_ENDS:
            self._at += 1

    def _items(self, path: KeyPath) -> None:
        self._at += 1
        position = 0
        while self._peek() not in ("]", ""):
            if self._peek() in ("\n", ","):
                self._at += 1
                continue
            self._note((*path, position), self._here())
            self._value((*path, position))
            position += 1
        self._at += 1

    def _inside(self, path: KeyPath) -> None:
        self._at += 1
        while self._peek() not in ("}", ""):
            if self._peek() in ("\n", ","):
                self._at += 1
            else:
                self._pair(path)
        self._at += 1
