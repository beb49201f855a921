"""`dewkeeper replay`: what the judge would tell of a readings file, or of the past, with these settings."""

from __future__ import annotations

import argparse
from pathlib import Path

from dewkeeper.cli.output import BAD_USE, Arguments, complain
from dewkeeper.cli.times import duration_seconds


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `replay`."""
    parser = commands.add_parser(
        "replay",
        help="judge a readings file, or the past, with these settings",
        description="One JSON line per event. Rows that cannot be judged are counted on standard error. The judge is"
        " new at the beginning: stages and what is out of service are known to it, but nothing stands yet.",
    )
    parser.add_argument(
        "readings", nargs="?", type=Path, metavar="READINGS.csv", help="readings file, in any order of time"
    )
    parser.add_argument("--journal", type=Path, metavar="JOURNAL.csv", help="journal file")
    parser.add_argument(
        "--since", type=duration_seconds, metavar="DURATION", help="judge the database from so long ago: 90d"
    )
    parser.add_argument("--compare", type=Path, metavar="OTHER.toml", help="what that configuration would have told")
    parser.add_argument(
        "--as-it-was",
        action="store_true",
        help="with --since: by the settings in force then, not by the configuration (readings as they are corrected now)",
    )
    parser.add_argument(
        "--unlearned", action="store_true",
        help="with a file: without what the daemon would have learned meanwhile, night by night; about twice as fast",
    )  # fmt: skip
    parser.set_defaults(run=replay)


def replay(args: Arguments) -> int:
    """Write one JSON line per event to standard output, or with `--compare` what differs."""
    if (args.readings is None) == (args.since is None):
        complain("give either a readings file or --since")
        return BAD_USE
    if args.since is not None and args.journal is not None:
        complain("--journal goes with a readings file; with --since the journal is the database's")
        return BAD_USE
    if args.as_it_was and args.since is None:
        complain("--as-it-was goes with --since: a readings file does not know what settings were in force")
        return BAD_USE
    if args.unlearned and args.readings is None:
        complain("--unlearned goes with a readings file; what the database holds was learned already")
        return BAD_USE
    from dewkeeper.cli.what_if import what_if  # the judge and all it needs: not for a help text

    return what_if(args)
