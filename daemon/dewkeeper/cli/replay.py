"""`dewkeeper replay` and `dewkeeper report alarms`: what the judge told, or would have told, of the past."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from dewkeeper.cli.output import BAD_USE, DONE, NOT_WELL, Arguments, complain, emit, emit_json, say
from dewkeeper.cli.times import duration_seconds
from dewkeeper.judge.types import Event, Settings
from dewkeeper.report.alarm_report import by_month, proposals
from dewkeeper.report.readings_file import Refusals, format_time, read_journal, read_readings, usual_interval
from dewkeeper.report.replaying import TOLD, Difference, compare, excursions, replay_items, replay_rows, told
from dewkeeper.service.settings import judge_settings
from dewkeeper.store.history import History
from dewkeeper_config import ReplayConfig, load

WEEK_SECONDS = 7 * 86400


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `replay` and `report`."""
    parser = commands.add_parser(
        "replay",
        help="judge a readings file, or the past, with these settings",
        description="One JSON line per event. Rows that cannot be judged are counted on standard error.",
    )
    parser.add_argument("readings", nargs="?", type=Path, metavar="READINGS.csv", help="readings file")
    parser.add_argument("--journal", type=Path, metavar="JOURNAL.csv", help="journal file")
    parser.add_argument("--since", type=duration_seconds, metavar="90d", help="judge the database from so long ago")
    parser.add_argument("--compare", type=Path, metavar="OTHER.toml", help="what that configuration would have told")
    parser.set_defaults(run=replay)
    report = commands.add_parser("report", help="reports on what was").add_subparsers(metavar="WHAT", required=True)
    alarms = report.add_parser("alarms", help="the alarms by month and enclosure, with proposals for the worst")
    alarms.add_argument("--since", type=duration_seconds, default=90 * 86400, metavar="90d", help="how far back")
    alarms.set_defaults(run=report_alarms)


class Source:
    """Where a replay reads from, and what it refused."""

    def __init__(self, args: Arguments, settings: Settings) -> None:
        self.readings: Path | None = args.readings
        self.journal: Path | None = args.journal
        self.folder: Path = load(args.config, ReplayConfig).storage.folder
        self.since = int(time.time()) - args.since if args.since is not None else 0
        self.first: int | None = None
        self.last = 0
        self.refused: dict[str, Refusals] = {}
        self.pace = None if self.readings is None else _file_pace(self.readings, settings)

    def events(self, settings: Settings) -> Iterator[Event]:
        """Yield the events of everything there is, under some settings."""
        if self.readings is None:
            with History.open(self.folder) as history:
                yield from self._spanned(replay_items(settings, history.stream(self.since)))
            return
        if self.pace is not None:
            settings = replace(settings, poll_seconds=self.pace)
        refused = self.refused[str(self.readings)] = Refusals()
        journal = []
        if self.journal is not None:
            slips = self.refused[str(self.journal)] = Refusals()
            journal = read_journal(self.journal, settings.enclosures, slips)
        rows = read_readings(self.readings, settings.probes, refused)
        yield from self._spanned(replay_rows(settings, rows, journal))

    def _spanned(self, events: Iterator[Event]) -> Iterator[Event]:
        for event in events:
            self.first = event.time if self.first is None else self.first
            self.last = event.time
            yield event


def _file_pace(path: Path, settings: Settings) -> int | None:
    """Return the file's own interval, and say so, when it is far slower than the configured one."""
    interval = usual_interval(path, settings.probes)
    if interval is None or interval <= settings.poll_seconds * 3 // 2:
        return None
    complain(f"{path}: readings are {interval} s apart; judged at that pace instead of {settings.poll_seconds} s")
    return interval


def replay(args: Arguments) -> int:
    """Write one JSON line per event to standard output, or with `--compare` what differs."""
    if (args.readings is None) == (args.since is None):
        complain("give either a readings file or --since")
        return BAD_USE
    settings = judge_settings(load(args.config, ReplayConfig), 0)
    try:
        source = Source(args, settings)
        if args.compare is not None:
            _compare(args, source, settings)
        else:
            for event in source.events(settings):
                if event.event in TOLD:
                    sys.stdout.write(json.dumps(told(event), ensure_ascii=False) + "\n")
    except BrokenPipeError:
        raise
    except OSError as error:
        complain(f"stopped: {error}")
        return NOT_WELL
    finally:
        sys.stdout.flush()
    for name, refusals in source.refused.items():
        for sentence in refusals.sentences(name):
            complain(sentence)
    return DONE


def _compare(args: Arguments, source: Source, settings: Settings) -> None:
    other = judge_settings(load(args.compare, ReplayConfig), 0)
    here = excursions(source.events(settings))
    there = excursions(source.events(other))
    weeks = max(1.0, (source.last - (source.first or source.last)) / WEEK_SECONDS)
    rows = [_row(difference) for difference in compare(here, there, weeks)]
    emit(
        args,
        rows,
        {
            "enclosure": "enclosure", "here_per_week": "alarms a week", "there_per_week": "with the other",
            "disappears": "disappears", "appears": "appears", "earlier_minutes": "told earlier by (min)",
        },
    )  # fmt: skip


def _row(difference: Difference) -> dict[str, object]:
    early = sorted(difference.earlier_seconds)
    return {
        "enclosure": difference.enclosure,
        "here_per_week": round(difference.here_per_week, 2),
        "there_per_week": round(difference.there_per_week, 2),
        "disappears": "; ".join(f"{a.kind} {format_time(a.raised)}" for a in difference.disappeared),
        "appears": "; ".join(f"{a.kind} {format_time(a.raised)}" for a in difference.appeared),
        "earlier_minutes": round(early[len(early) // 2] / 60) if early else None,
    }


def report_alarms(args: Arguments) -> int:
    """Print the alarms by month and enclosure, and what other settings would have changed for the worst."""
    config = args.load_config()
    until = int(time.time())
    since = until - args.since
    with History.open(config.storage.folder) as history:
        lines = by_month(history.events(since), until)
        proposed = proposals(judge_settings(config, 0), lambda: history.stream(since))
    if args.format == "json":
        emit_json({"months": [line.row() for line in lines], "proposals": [p.sentence() for p in proposed]})
        return DONE
    rows = [{**line.row(), "standing_hours": round(line.standing_seconds / 3600, 1)} for line in lines]
    emit(
        args,
        rows,
        {
            "month": "month", "enclosure": "enclosure", "raised": "alarms", "urgent": "urgent", "medium": "medium",
            "low": "low", "standing_hours": "hours standing", "chattering": "chattering", "fleeting": "fleeting",
            "stale": "stale", "never_acknowledged": "never acknowledged",
        },
    )  # fmt: skip
    for proposal in proposed:
        say(proposal.sentence())
    return DONE
