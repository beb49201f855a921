"""`dewkeeper report alarms`: the alarms themselves, by month and enclosure, and what would make the worst quieter."""

from __future__ import annotations

import argparse
import sys
import time
from typing import TYPE_CHECKING

from dewkeeper.cli.output import DONE, Arguments, complain, emit, emit_json, say
from dewkeeper.cli.times import duration_seconds

if TYPE_CHECKING:
    from dewkeeper.report.alarm_report import MonthLine, Offender, Proposal

_BEFORE_SECONDS = 366 * 86400
"""Events are read from so much earlier, for what stood when the report begins."""


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `report`."""
    report = commands.add_parser("report", help="reports on what was").add_subparsers(metavar="WHAT", required=True)
    alarms = report.add_parser(
        "alarms",
        help="the alarms by month and enclosure, with proposals for the worst",
        description="Proposals judge the stored readings again, once for each of the worst: minutes for a year.",
    )
    alarms.add_argument(
        "--since", type=duration_seconds, default=90 * 86400, metavar="DURATION", help="how far back (default 90d)"
    )
    alarms.add_argument("--counts-only", action="store_true", help="leave out the proposals")
    alarms.set_defaults(run=report_alarms)

    away = report.add_parser(
        "away", help="what happened while you were away: alarms, deeds and by whom, what was unwatched"
    )
    away.add_argument(
        "--since", type=duration_seconds, default=14 * 86400, metavar="DURATION", help="how far back (default 14d)"
    )
    away.set_defaults(run=report_away, reads=True)


def report_away(args: Arguments) -> int:
    """Print what happened meanwhile."""
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.sitter import away_lines, while_away
    from dewkeeper.report.wording import Wording

    config = args.load_config()
    now = args.now()
    with StoredPast.open(config) as past:
        made = while_away(past, config, now - args.since, now)
    if args.format == "json":
        emit_json(made.to_json())
        return DONE
    for line in away_lines(made, Wording.of(config.site)):
        say(line)
    return DONE


def report_alarms(args: Arguments) -> int:
    """Print the alarms by month and enclosure, and what other settings would have changed for the worst."""
    from dataclasses import asdict

    from dewkeeper.interchange import format_time
    from dewkeeper.report.alarm_report import by_month, offenders, proposal
    from dewkeeper.report.replaying import LASTING
    from dewkeeper.report.wording import Wording
    from dewkeeper.service.settings import judge_settings
    from dewkeeper.store.history import History

    config = args.load_config()
    until = int(time.time())
    since = until - args.since
    settings = judge_settings(config, 0)
    with History.open(config.storage.folder) as history:
        events = history.events(since - _BEFORE_SECONDS)
        lines = by_month(events, since, until, Wording.of(config.site).zone)
        worst = offenders(events, since, until)
        # A year of events need not stay in memory while the readings are judged again.
        del events
        proposed: list[tuple[Offender, Proposal | None]] = []
        if not args.counts_only:
            # Minutes without a word look like a hang; a program reads no such line.
            if worst and sys.stderr.isatty():
                complain("Judging the worst of them again for proposals; --counts-only leaves that out ...")
            earlier = history.items_before(since, LASTING)
            for offender in worst:
                found = proposal(settings, offender, lambda probes: history.stream(since, probes), earlier)
                proposed.append((offender, found))
    if args.format == "json":
        plain = [
            {**asdict(o), "proposal": None if p is None else {**asdict(p), "says": p.sentence()}} for o, p in proposed
        ]
        emit_json(
            {
                "since": format_time(since),
                "until": format_time(until),
                "months": [line.row() for line in lines],
                "worst": plain,
            }
        )
        return DONE
    if not lines:
        say("no alarm was told in that time")
        return DONE
    _table(args, lines)
    if proposed:
        say()
        say("Most often:")
        for offender, found in proposed:
            say(f"  {_offence(offender)}")
            say(f"    {_advice(offender, found)}")
    return DONE


def _table(args: Arguments, lines: list[MonthLine]) -> None:
    from datetime import date

    rows = [
        {name: value or "" for name, value in line.row().items()}
        | {"month": f"{date.fromisoformat(f'{line.month}-01'):%b %Y}", "enclosure": line.enclosure or "all of it"}
        | {"standing_hours": f"{line.standing_seconds / 3600:.1f}"}
        for line in lines
    ]
    emit(
        args,
        rows,
        {
            "month": "month", "enclosure": "enclosure", "raised": "alarms", "urgent": "urgent", "medium": "medium",
            "low": "low", "standing_hours": "hours standing", "chattering": "chattering", "fleeting": "fleeting",
            "stale": "over a day", "never_acknowledged": "never seen",
        },
    )  # fmt: skip


def _offence(offender: Offender) -> str:
    said = f"{offender.enclosure or 'all of it'}: `{offender.kind}` {offender.raised} times"
    said += f", {offender.standing_seconds / 3600:.0f} h standing"
    if offender.chattering:
        said += f", {offender.chattering} within three hours of the one before"
    if offender.fleeting:
        said += f", {offender.fleeting} over within 20 minutes"
    return said


def _advice(offender: Offender, found: Proposal | None) -> str:
    if found is not None:
        return found.sentence().removeprefix(f"{found.enclosure}: ")
    if offender.kind in ("dry", "damp", "hot", "cold"):
        return "no deadband or delay tried would have made them fewer: it is the air, not the setting"
    return "this kind has no deadband or delay: see what causes it"
