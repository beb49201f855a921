"""The command line.

Each topic is a module with `add_commands`; it is imported only when its command, or the whole help, is asked for,
so `dewkeeper now` does not wait for what only `replay` needs.
"""

from __future__ import annotations

import argparse
import atexit
import gc
import importlib
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dewkeeper.cli.delegate import answered
from dewkeeper.cli.output import (
    BAD_USE,
    INTERRUPTED,
    NOT_WELL,
    Arguments,
    complain,
    give_up_output,
    plain_error,
    speak_anywhere,
    terminal_width,
)

TOPICS: dict[str, tuple[str, ...]] = {
    "run": ("run", "selftest"),
    "replay": ("replay",),
    "insight": ("insight",),
    "known": ("known",),
    "learn": ("learn",),
    "report": ("report",),
    "look": ("now", "morning", "history", "alarms", "animals"),
    "book": ("round", "sheds", "vet-sheet", "eggs"),
    "journal": ("journal",),
    "act": ("ack", "shelve", "unshelve", "service", "suppress", "away"),
    "changes": ("changes",),
    "config_commands": ("config",),
    "probe_verbs": ("probes",),
    "notify": ("notify",),
    "page": ("page",),
    "storage": ("backup", "restore", "repair", "export", "import"),
    "collect": ("collect",),
    "command_list": ("commands",),
    "completion": ("completion",),
}
"""Module of this package -> the commands it adds."""


class _Help(argparse.HelpFormatter):
    """As argparse's own, which asks a library with every compression there is how wide the terminal is."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=terminal_width() - 2)


class _Parser(argparse.ArgumentParser):
    """With that help; what is added to it is of the same class."""

    def __init__(self, **given: Any) -> None:
        super().__init__(formatter_class=_Help, **given)


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser of every command, or of the topic that has the command `only`."""
    parser = _Parser(
        prog="dewkeeper",
        description="Watches the air of racks and enclosures, and says when it is wrong. It switches nothing.",
        epilog="Exit codes: 0 done; 1 not well, or could not be done; 2 bad usage or configuration; 130 interrupted.",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for topic, names in TOPICS.items():
        # A topic brings its libraries along, so of a known command only its own is imported.
        if only is None or only in names:
            importlib.import_module(f"dewkeeper.cli.{topic}").add_commands(commands)
    # Last, when all commands of all topics are there to be given them.
    _add_common(commands)
    return parser


def _add_common(commands: argparse._SubParsersAction[Any]) -> None:
    """Give every command, at the end of its own options, the options all commands share."""
    for parser in commands.choices.values():
        nested = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
        if nested:
            for action in nested:
                _add_common(action)
            continue
        parser.add_argument(
            "--config",
            type=Path,
            default=Path(os.environ.get("DEWKEEPER_CONFIG", "/etc/dewkeeper/dewkeeper.toml")),
            metavar="FILE",
            help="configuration (default: $DEWKEEPER_CONFIG, else /etc/dewkeeper/dewkeeper.toml)",
        )
        parser.add_argument("--format", choices=("table", "json"), default="table", help="for people or for programs")


def main(argv: Sequence[str] | None = None, clock: Callable[[], float] = time.time) -> int:
    """Run one command and return its exit code; what is wrong is said in words, never by a traceback.

    clock: UTC seconds; what is read is told as of then.
    """
    return _main(list(sys.argv[1:] if argv is None else argv), Arguments(clock=clock))


def script() -> int:
    """Run the command line of this process, as `main`. What only reads ends without Python taking apart what it loaded.

    That takes two bare Pythons' starts and serves nobody: its files are closed, and the rest goes with the process.
    """
    args = Arguments(clock=time.time)
    code = _main(sys.argv[1:], args)
    if args.reads:
        atexit._run_exitfuncs()
        # `os._exit` calls nothing that was to run at the end; these are called just before it.
        os._exit(code)  # the output is flushed, or given up
    return code


def _main(given: Sequence[str], args: Arguments) -> int:
    speak_anywhere()
    # No plugin of another package takes part in reading a configuration, nor is one looked for in all that is installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        try:
            return _run(given, args)
        finally:  # also behind a help text, which ends by SystemExit
            if sys.stdout is not None:
                sys.stdout.flush()
    except KeyboardInterrupt:
        give_up_output()
        return INTERRUPTED
    except BrokenPipeError:  # `dewkeeper history | head` is no error
        give_up_output()
        return NOT_WELL
    except OSError as error:  # the output itself: a full disk behind `> file`
        give_up_output()
        complain(plain_error(error))
        return NOT_WELL


def parsed(given: Sequence[str], into: Arguments) -> Arguments:
    """Return the arguments of a command line, put into what is given. Raises SystemExit, as argparse does."""
    # Every option but --help belongs to a command and stands behind it, so the first bare word is the command.
    first = next((word for word in given if not word.startswith("-")), None)
    known = {name for names in TOPICS.values() for name in names}
    return build_parser(first if first in known else None).parse_args(given, namespace=into)


def _run(given: Sequence[str], args: Arguments) -> int:
    parsed(given, args)
    if not args.reads:
        return _done(args)
    told = answered(args, given)
    if told is not None:
        return told
    with _fewer_collections():
        return _done(args)


@contextmanager
def _fewer_collections() -> Iterator[None]:
    """While this lasts, Python looks for cycles rarely: importing makes sixty thousand objects, and none of them garbage."""
    before = gc.get_threshold()
    gc.set_threshold(200_000, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _done(args: Arguments) -> int:
    try:
        code: int = args.run(args)
    except BrokenPipeError:
        raise
    except Exception as error:
        found = _in_words(error)
        if found is None:
            raise
        complain(found[1])
        return found[0]
    return code


def _in_words(error: Exception) -> tuple[int, str] | None:
    """Return exit code and words for an error that is no bug, None for one that is."""
    # Only here: these rooms bring libraries along that a help text does not need.
    from dewkeeper.errors import DewkeeperError
    from dewkeeper_config.errors import ConfigError
    from dewkeeper_drivers.errors import DriverError

    if isinstance(error, ConfigError):
        return BAD_USE, str(error)
    if isinstance(error, (DewkeeperError, DriverError)):
        return NOT_WELL, str(error)
    return (NOT_WELL, plain_error(error)) if isinstance(error, OSError) else None
