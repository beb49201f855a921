"""`dewkeeper commands`: every command with its options, as the Markdown that is in the documentation.

Written from the parser's own entries, not from its help text, whose layout differs between Python versions.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from dewkeeper.cli.output import DONE, say

Parser = argparse.ArgumentParser

_SHARED = ("config", "format")


def add_commands(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `commands`."""
    parser = commands.add_parser("commands", help="print this reference of every command, as Markdown")
    parser.set_defaults(run=_commands)


def _commands(args: argparse.Namespace) -> int:
    from dewkeeper.cli import build_parser  # the parser of every command is only known once all topics are

    say(reference(build_parser()).rstrip("\n"))
    return DONE


def reference(parser: Parser) -> str:
    """Return the Markdown reference of a parser and of every command in it."""
    lines = [
        "# Commands",
        "",
        "Made from the commands themselves by `dewkeeper commands`; edit those, not this file.",
        "",
        f"{parser.description} {parser.epilog}",
        "",
        "Every command also takes `--config FILE` (default: `$DEWKEEPER_CONFIG`, else",
        "`/etc/dewkeeper/dewkeeper.toml`) and `--format table|json`.",
    ]
    for name, about, command in _leaves(parser, ""):
        lines += ["", f"## `dewkeeper {name}`", "", _sentence(about)]
        if command.description and command.description != about:
            lines += ["", _sentence(command.description)]
        rows = [_row(action) for action in command._actions if _own(action)]
        if rows:
            lines += ["", "| argument | meaning |", "| --- | --- |", *rows]
    return "\n".join(lines) + "\n"


def _leaves(parser: Parser, prefix: str) -> Iterator[tuple[str, str, Parser]]:
    """Yield name, help and parser of every command that does something, in the order they were added."""
    for action in parser._actions:
        if not isinstance(action, argparse._SubParsersAction):
            continue
        helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
        for name, child in action.choices.items():
            nested = list(_leaves(child, f"{prefix}{name} "))
            if nested:
                yield from nested
            else:
                yield f"{prefix}{name}", helps.get(name, ""), child


def _own(action: argparse.Action) -> bool:
    hidden = action.dest in _SHARED or action.help == argparse.SUPPRESS
    return not hidden and not isinstance(action, argparse._HelpAction)


def _row(action: argparse.Action) -> str:
    value = action.metavar or action.dest.upper()
    if isinstance(value, tuple):
        value = " ".join(value)
    if action.choices is not None:
        value = "\\|".join(str(choice) for choice in action.choices)
    name = ", ".join(action.option_strings) or value
    # A switch takes no value.
    if action.option_strings and action.nargs != 0:
        name += f" {value}"
    meaning = (action.help or "").replace("%%", "%").replace("|", "\\|")
    if action.required and action.option_strings:
        meaning += " (required)"
    elif action.choices is not None and not action.option_strings and value != name:
        meaning += f": {value}"
    return f"| `{name}` | {_sentence(meaning)} |"


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", ")", ":", "?")) or not text else ".")
