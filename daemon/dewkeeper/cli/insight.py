"""`dewkeeper insight`: questions about a readings file, answered as JSON lines: why, how long, what a change did."""

from __future__ import annotations

import argparse
from pathlib import Path

from dewkeeper.cli.output import late


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `insight`."""
    parser = commands.add_parser(
        "insight",
        help="why the air changed, how long the water lasts, what a change did, from a readings file",
        description="Answers one JSON line per question of QUESTIONS.jsonl, in order, each with only what it may know;"
        " what cannot be told honestly is withheld, with the reason. Readings that the judge does not believe are left out.",
    )
    parser.add_argument("readings", type=Path, metavar="READINGS.csv", help="readings file")
    parser.add_argument("--journal", type=Path, metavar="JOURNAL.csv", help="journal file")
    parser.add_argument(
        "--ask", type=Path, required=True, metavar="QUESTIONS.jsonl",
        help='questions, one a line: {"id": 1, "ask": "cause", "enclosure": "A2", "to": "2026-05-01T06:00:00Z"};'
        " ask is cause, forecast, time_constant or effect",
    )  # fmt: skip
    parser.set_defaults(run=late("answering", "insight"))
