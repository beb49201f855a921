"""`dewkeeper learn`: what history teaches of every enclosure, now instead of at night."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import late


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `learn`."""
    parser = commands.add_parser(
        "learn",
        help="learn from the last six weeks, as the daemon does every night",
        description="Learns how each enclosure dries, follows its room and heats, and what its hours ahead are run on"
        " with, and hands it to the daemon. What cannot be told honestly is withheld, with the reason.",
    )
    parser.add_argument("enclosure", nargs="?", metavar="ENCLOSURE", help="only this one")
    parser.add_argument("--at", type=int, default=None, help=argparse.SUPPRESS)  # what the daemon takes for now
    parser.set_defaults(run=late("learning", "learn"))
