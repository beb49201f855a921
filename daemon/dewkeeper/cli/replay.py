"""`dewkeeper replay`: what the judge would have told, from a file or from the database."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

from dewkeeper.cli.output import BAD_USE, DONE, NOT_WELL, Arguments, complain
from dewkeeper.judge.types import Settings
from dewkeeper.report.readings_file import Refusals, read_journal, read_readings, usual_interval
from dewkeeper.report.replaying import TOLD, replay_rows, told
from dewkeeper.service.settings import judge_settings


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `replay`."""
    parser = commands.add_parser(
        "replay", help="judge a readings file, or the past, with these settings"
    )
    parser.add_argument(
        "readings", nargs="?", type=Path, metavar="READINGS.csv", help="readings file"
    )
    parser.add_argument("--journal", type=Path, metavar="JOURNAL.csv", help="journal file")
    parser.set_defaults(run=replay)


def replay(args: Arguments) -> int:
    """Write one JSON line per event to standard output."""
    settings = judge_settings(args.load_config(), 0)
    if args.readings is None:
        complain("name a readings file")
        return BAD_USE
    refused, journal_refused = Refusals(), Refusals()
    try:
        settings = at_file_pace(settings, args.readings)
        journal = (
            read_journal(args.journal, settings.enclosures, journal_refused) if args.journal else []
        )
        rows = read_readings(args.readings, settings.probes, refused)
        write = sys.stdout.write
        for event in replay_rows(settings, rows, journal):
            if event.event in TOLD:
                write(json.dumps(told(event), ensure_ascii=False) + "\n")
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            raise
        complain(f"stopped: {error}")
        return NOT_WELL
    for refusals, path in ((refused, args.readings), (journal_refused, args.journal)):
        for sentence in refusals.sentences(str(path)):
            complain(sentence)
    return DONE


def at_file_pace(settings: Settings, path: Path) -> Settings:
    """Return settings with the file's own interval, and say so, when it is far slower than the configured one."""
    interval = usual_interval(path, settings.probes)
    if interval is None or interval <= settings.poll_seconds * 3 // 2:
        return settings
    complain(
        f"{path}: readings are {interval} s apart; judged at that pace instead of {settings.poll_seconds} s"
    )
    return replace(settings, poll_seconds=interval)
