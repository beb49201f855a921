"""How commands speak: tables for people, JSON for programs, complaints on standard error.

What a command prints goes to the streams of its process, or into a `Printout` where the daemon answers for it.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextvars import ContextVar
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dewkeeper_config.models import Config

DONE, NOT_WELL, BAD_USE, INTERRUPTED = 0, 1, 2, 130
"""Exit codes: done; the thing asked about is not well or could not be done; bad usage or configuration; Ctrl-C, by
the shells' convention of 128 + SIGINT."""


OUT, ERROR = 1, 2
"""The two streams, by the numbers of their descriptors."""

_USUAL_COLUMNS = 80
LONGEST_PRINTOUT = 150_000
"""Characters; each takes six bytes of a reply at most, and a reply a megabyte."""


_CONTROLS = [code for code in (*range(0x20), *range(0x7F, 0xA0)) if chr(code) not in "\n\t"]
_HARMLESS = dict.fromkeys(_CONTROLS, "\N{REPLACEMENT CHARACTER}")
_ESCAPED = {code: f"\\u{code:04x}" for code in _CONTROLS}
"""What would steer a terminal: an imported journal may hold anything. In JSON, below 0x20, they are escaped already."""


class PrintoutTooLong(ValueError):
    """A command says more than a reply of the daemon holds."""


class Printout:
    """What a command says, written down in its order. width: columns of the reader's terminal. utf8: whether it is UTF-8."""

    def __init__(self, *, width: int, utf8: bool) -> None:
        self.width = width
        self.utf8 = utf8
        self.said: list[tuple[int, str]] = []
        self._length = 0

    def write(self, stream: int, text: str) -> None:
        """Add a line. Raises PrintoutTooLong."""
        self._length += len(text)
        if self._length > LONGEST_PRINTOUT:
            raise PrintoutTooLong(f"more than {LONGEST_PRINTOUT} characters")
        self.said.append((stream, text))


printout: ContextVar[Printout | None] = ContextVar("printout", default=None)
"""Where the command of this thread speaks; None: to the streams of the process."""


class Arguments(argparse.Namespace):
    """Parsed arguments, with what every command may want.

    reads: whether the command only reads, so that a running daemon may answer it. clock: UTC seconds.
    """

    config: Path
    format: str
    reads: bool = False
    loaded: Config | None = None
    clock: Callable[[], float] = time.time

    def load_config(self) -> Config:
        """Return the configuration named by `--config`, for what needs no secret of it; beside a running daemon, where the file
        is refused, the daemon's. Raises ConfigError.
        """
        from dewkeeper.cli.configured import in_force

        if self.loaded is None:
            self.loaded = in_force(self.config)
        return self.loaded

    def load_whole_config(self) -> Config:
        """Return the same with the secrets that stand in it. Raises ConfigError."""
        from dewkeeper.cli.configured import whole

        return whole(self.config)

    def now(self) -> int:
        """Return the UTC second as of which the command answers."""
        return int(self.clock())


def late(module: str, name: str) -> Callable[[argparse.Namespace], int]:
    """Return a function of a module of this package that is imported when it is called: not for a help text."""

    def run(args: argparse.Namespace) -> int:
        code: int = getattr(import_module(f"dewkeeper.cli.{module}"), name)(args)
        return code

    return run


def speak_anywhere() -> None:
    """Let every character be printed: as `?` where the terminal's encoding lacks it (Latin-1 has no dash and no arrow)."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    if isinstance(sys.stderr, io.TextIOWrapper):
        sys.stderr.reconfigure(errors="backslashreplace")  # as Python sets it up, and others may not


def give_up_output() -> None:
    """Print nothing more: nobody reads it, or it cannot be written. Python would try once more, and fail, at its end."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        with open(os.devnull, "wb") as nothing:  # noqa: PTH123  os.devnull is a name, not a path of ours
            os.dup2(nothing.fileno(), sys.stdout.fileno())


def say(text: str = "") -> None:
    """Print a line for the person; what would steer their terminal is shown, not done."""
    text = text.translate(_HARMLESS)
    if (written := printout.get()) is not None:
        written.write(OUT, text)
    else:
        print(text)


def complain(text: str) -> None:
    """Print what is wrong, and what to do, on standard error; as `say`."""
    text = text.translate(_HARMLESS)
    if (written := printout.get()) is not None:
        written.write(ERROR, text)
    elif sys.stderr is not None:  # closed by `2>&-`; print() would then take standard output
        print(text, file=sys.stderr)


def plain_error(error: OSError) -> str:
    """Return what the system says is wrong, and of which file, without its error number."""
    return f"{error.filename}: {error.strerror}" if error.filename and error.strerror else error.strerror or str(error)


def taken_in(reply: Mapping[str, Any]) -> int:
    """Return the exit code of what the daemon took in; say so if it is not recorded yet."""
    if reply.get("not_recorded"):
        complain(f"taken in, but not recorded yet: {reply['not_recorded']}")
        return NOT_WELL
    return DONE


def known_enclosure(config: Config, name: str | None) -> bool:
    """Return whether an enclosure (None: all of them) is configured; if not, say which are."""
    names = [enclosure.name for enclosure in config.enclosure]
    if name is None or name in names:
        return True
    complain(f"no enclosure {name!r}; there are: {', '.join(names)}")
    return False


def emit_json(value: object) -> None:
    """Print one JSON document."""
    say(as_json(value, indent=2))


def as_json(value: object, indent: int | None = None) -> str:
    """Return a JSON document; where the output is not UTF-8, letters beyond ASCII are escaped, so that none is lost."""
    import json

    return json.dumps(value, ensure_ascii=not speaks_utf8(), indent=indent, default=str).translate(_ESCAPED)


def speaks_utf8() -> bool:
    """Return whether the output is UTF-8."""
    if (written := printout.get()) is not None:
        return written.utf8
    return (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") == "utf8"


def terminal_width() -> int:
    """Return the columns of the terminal."""
    if (written := printout.get()) is not None:
        return written.width
    # As shutil.get_terminal_size, which brings every compression along that there is.
    if (given := os.environ.get("COLUMNS", "")).isdecimal() and int(given) > 0:
        return int(given)
    try:
        return os.get_terminal_size(sys.__stdout__.fileno()).columns or _USUAL_COLUMNS  # type: ignore[union-attr]  # as caught
    except (AttributeError, ValueError, OSError):
        return _USUAL_COLUMNS


def emit(args: argparse.Namespace, rows: Sequence[Mapping[str, object]], columns: Mapping[str, str]) -> None:
    """Print rows as a table with these columns (key: heading), or all of each row as JSON with `--format json`."""
    if args.format == "json":
        emit_json([dict(row) for row in rows])
        return
    cells = [list(columns.values())]
    cells += [["" if row.get(key) is None else str(row[key]) for key in columns] for row in rows]
    for line in aligned(cells):
        say(line)


_BEGINS_NUMBER = re.compile(r"[±+−-]?\d|–$")


def aligned(cells: Sequence[Sequence[str]]) -> list[str]:
    """Return rows of a table, the first its heads, as lines: columns of numbers to the right, of words to the left."""
    columns = []
    for column in zip(*cells, strict=True):
        width, body = max(map(len, column)), [cell for cell in column[1:] if cell]
        right = bool(body) and all(_BEGINS_NUMBER.match(cell) for cell in body)
        columns.append([cell.rjust(width) if right else cell.ljust(width) for cell in column])
    return ["  ".join(row).rstrip() for row in zip(*columns, strict=True)]
