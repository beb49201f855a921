"""`dewkeeper changes`: what was changed of limits and settings, by whom and why."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, emit, emit_json, known_enclosure, say
from dewkeeper.cli.times import duration_seconds


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `changes`."""
    parser = commands.add_parser(
        "changes", help="every change of a limit or setting: when, what, old, new, who and why"
    )
    parser.add_argument(
        "--for",
        dest="span",
        type=duration_seconds,
        metavar="DURATION",
        default=duration_seconds("90d"),
        help="how far back (default 90d)",
    )
    parser.add_argument("--enclosure", help="only this enclosure")
    parser.set_defaults(run=_changes, reads=True)


def _changes(args: Arguments) -> int:
    from dewkeeper.interchange import format_time
    from dewkeeper.report.wording import Wording
    from dewkeeper.store.history import History

    config = args.load_config()
    if not known_enclosure(config, args.enclosure):
        return NOT_WELL
    wording, now = Wording.of(config.site), args.now()
    with History.open(config.storage.folder) as history:
        # A logged change is no alarm's event: it stands for itself.
        events = [e for e in history.events(now - args.span, args.enclosure) if e.kind == "system" and e.alarm == e.id]
    if args.format == "json":
        emit_json(
            [
                {
                    "time": format_time(e.time),
                    "enclosure": e.enclosure,
                    "who": e.who,
                    "why": e.why,
                    "changed": {
                        name: format_time(int(value)) if name == "review" else value for name, value in e.detail.items()
                    },
                }
                for e in events
            ]
        )
        return DONE
    rows = [
        {
            "when": wording.stamp(event.time),
            "where": event.enclosure or "",
            "what": name,
            "change": wording.stamp(int(value)) if name == "review" else value,
            "who": event.who,
            "why": event.why,
        }
        for event in events
        # One row a setting; a change without any keeps its one row, with who and why.
        for name, value in (dict(event.detail) or {"": ""}).items()
    ]
    if not rows:
        say("nothing was changed")
        return DONE
    emit(
        args,
        rows,
        {"when": "when", "where": "where", "what": "what", "change": "old -> new", "who": "who", "why": "why"},
    )
    return DONE
