"""`now`, `morning`, `history` and `alarms`: they only read, and need no daemon."""

from __future__ import annotations

import argparse
import shutil
import time
from collections.abc import Sequence

from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, emit_json, say
from dewkeeper.report.model import EnclosureMorning, Mark, MorningGlance, Standing
from dewkeeper.report.wording import RANK_WORDS, STATE_WORDS, Wording, duration, headline
from dewkeeper_config.models import Config

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `now`, `morning`, `history` and `alarms`."""
    now = commands.add_parser("now", help="the newest reading of every probe")
    now.set_defaults(run=_now)

    morning = commands.add_parser("morning", help="the night at a glance, worst enclosure first")
    morning.add_argument("--all", action="store_true", help="list the calm enclosures too")
    morning.set_defaults(run=_morning)

    history = commands.add_parser("history", help="humidity and temperature over time, drawn in the terminal")
    history.add_argument("enclosure", help="name of the enclosure, or of a probe")
    history.add_argument("--for", dest="span", default="24h", help="how far back: 12h, 7d, 8w (default 24h)")
    history.set_defaults(run=_history)

    alarms = commands.add_parser("alarms", help="alarms that stand: since when, why and what to do")
    alarms.set_defaults(run=_alarms)


def _now(args: argparse.Namespace) -> int:
    from dewkeeper.report.now import now
    from dewkeeper.report.past import StoredPast

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), int(time.time())
    with StoredPast.open(config) as past:
        glance = now(past, config, at)
    if args.format == "json":
        emit_json(glance.to_json())
    else:
        rows = [
            {
                "where": row.enclosure or row.room or "",
                "probe": row.probe if row.probe != row.enclosure else "",
                "role": row.role if row.role != "substrate" else "",
                "humidity": wording.humidity(row.humidity_percent),
                "temperature": wording.temperature(row.temperature_c),
                "at": wording.clock(row.at, at) if row.at is not None else "–",
                "trust": ", ".join([row.trust, *row.tests]),
                "alarms": "; ".join(headline(a).partition(": ")[2] or headline(a) for a in row.alarms),
            }
            for row in glance.probes
        ]
        emit(
            args,
            rows,
            {
                "where": "where",
                "probe": "probe",
                "role": "role",
                "humidity": "humidity",
                "temperature": "temp.",
                "at": "at",
                "trust": "reading",
                "alarms": "alarms",
            },
        )
    return DONE


def _morning(args: argparse.Namespace) -> int:
    from dewkeeper.report.morning import morning
    from dewkeeper.report.past import StoredPast

    config: Config = args.load_config()
    with StoredPast.open(config) as past:
        glance = morning(past, config, int(time.time()))
    if args.format == "json":
        emit_json(glance.to_json())
    else:
        for line in morning_lines(glance, Wording.of(config.site), everything=args.all):
            say(line)
    return DONE


def morning_lines(glance: MorningGlance, wording: Wording, *, everything: bool = False) -> list[str]:
    """Return the glance as lines for a terminal: what is wrong first, then the table, calm enclosures folded."""
    span = f"{wording.clock(glance.night_start)}–{wording.clock(glance.night_end)}"
    running = "" if glance.night_over else ", still running"
    lines = [f"{glance.site}: the night to {wording.day(glance.night_end)}, {span}{running}", ""]
    for alarm in glance.general:
        lines += _alarm_lines(alarm, wording, glance.made_at)
    for row in glance.not_calm:
        lines += _row_lines(row, wording, glance.made_at)
    if not glance.not_calm and not glance.general:
        lines.append("All calm.")
    shown = glance.enclosures if everything else glance.not_calm
    if shown:
        lines += ["", *_table(shown, wording)]
    if glance.calm and not everything:
        names = ", ".join(row.enclosure for row in glance.calm)
        lines += ["", f"calm ({len(glance.calm)}): {names}"]
    return lines


def _row_lines(row: EnclosureMorning, wording: Wording, now: int) -> list[str]:
    lines = []
    for alarm in row.alarms:
        lines += _alarm_lines(alarm, wording, now)
    if row.unwatched.now and not row.alarms:
        began = f" {wording.since(row.unwatched.since, now)}" if row.unwatched.since is not None else ""
        lines.append(f"{row.enclosure}: unwatched{began}: {row.unwatched.reason}")
    elif not row.alarms:
        lines.append(f"{row.enclosure}: {RANK_WORDS[row.rank]}")
    return lines


def _alarm_lines(alarm: Standing, wording: Wording, now: int) -> list[str]:
    until = "" if alarm.shelved_until is None else f" until {wording.clock(alarm.shelved_until, now)}"
    state = "" if alarm.state == "unacknowledged" else f" [{STATE_WORDS[alarm.state]}{until}]"
    lines = [f"{headline(alarm)}, {wording.since(alarm.since, now)}{state}"]
    if alarm.response:
        lines.append(f"    → {alarm.response}")
    if alarm.cause:
        lines.append(f"    why: {alarm.cause}")
    return lines


def _table(rows: Sequence[EnclosureMorning], wording: Wording) -> list[str]:
    heading = ["", "", "lowest", "at", "as at day temp.", "highest", "at", "beyond target", "beyond tolerable"]
    heading += ["dose %·h", "coldest", "now", "unwatched"]
    cells = [heading]
    for row in rows:
        low, high, cold = row.humidity_min, row.humidity_max, row.temperature_min
        referred = row.humidity_min_at_day_percent
        at_day = f"{wording.humidity(referred)} at {wording.temperature(row.limits.day_temperature)}" if referred else "–"
        present = "–"
        if row.now is not None:
            present = f"{wording.humidity(row.now.humidity_percent)}" + (" stale" if row.now.stale else "")
        cells.append(
            [row.enclosure, RANK_WORDS[row.rank], *_mark(low, wording), at_day, *_mark(high, wording), duration(row.minutes_beyond_target * 60), duration(row.minutes_beyond_tolerable * 60), f"{row.dose_percent_hours:.1f}", wording.temperature(cold.value if cold else None), present, _unwatched(row)]
        )
    widths = [max(len(line[i]) for line in cells) for i in range(len(heading))]
    return ["  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in cells]


def _mark(mark: Mark | None, wording: Wording) -> tuple[str, str]:
    return (wording.humidity(mark.value), wording.clock(mark.at)) if mark else ("–", "")


def _unwatched(row: EnclosureMorning) -> str:
    if not row.unwatched.now and row.unwatched.minutes < 1:
        return ""
    reason = f" ({row.unwatched.reason})" if row.unwatched.reason else ""
    return duration(row.unwatched.minutes * 60) + reason


def _alarms(args: argparse.Namespace) -> int:
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.morning import standing, worst_alarm_first
    from dewkeeper.report.past import StoredPast

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), int(time.time())
    with StoredPast.open(config) as past:
        alarms = [standing(alarm) for alarm in past.standing() if alarm.state != "normal"]
    alarms.sort(key=worst_alarm_first)
    if args.format == "json":
        emit_json(to_plain(alarms))
        return DONE
    if not alarms:
        say("no alarm stands")
    for alarm in alarms:
        say(f"{alarm.alarm[:8]}  {alarm.priority}")
        for line in _alarm_lines(alarm, wording, at):
            say(f"    {line}")
        say(f"    if left: {alarm.consequence}")
    return DONE


def _history(args: argparse.Namespace) -> int:
    from dewkeeper.cli.plot import plot
    from dewkeeper.cli.times import duration_seconds
    from dewkeeper.report.enclosure import judged_probe
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast

    config: Config = args.load_config()
    probe = judged_probe(config, args.enclosure)
    if probe is None:
        known = ", ".join(e.name for e in config.enclosure)
        complain(f"no enclosure or probe {args.enclosure!r}; enclosures: {known}")
        return NOT_WELL
    end = int(time.time())
    start = end - duration_seconds(args.span)
    width = max(40, min(shutil.get_terminal_size().columns - 10, 160))
    with StoredPast.open(config) as past:
        points = past.series(args.enclosure, start, end, width)
    if args.format == "json":
        emit_json(to_plain(points))
        return DONE
    for line in plot(points, start, end, width, Wording.of(config.site)):
        say(line)
    return DONE
