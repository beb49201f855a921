"""`round`: everything that is due today and why, in the order of service. It only reads."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import DONE, Arguments, emit_json, say


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `round`."""
    due = commands.add_parser(
        "round",
        help="what is due today and why, in the order of service; a sheet to print",
        description="`dewkeeper journal add B4 refilled` does a thing; `dewkeeper journal add B4 not_today bowl "
        "--until 2026-03-04` puts it off, by its key: bowl, spot-clean, deep-clean, eyes ... (`--format json` has them).",
    )
    due.set_defaults(run=_round, reads=True)


def _round(args: Arguments) -> int:
    from dewkeeper.notify.evening import round_now
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.round_words import sheet_lines

    config = args.load_config()
    with StoredPast.open(config) as past:
        made = round_now(past, config, args.now())
    if args.format == "json":
        emit_json(made.to_json())
        return DONE
    for line in sheet_lines(made):
        say(line)
    return DONE
