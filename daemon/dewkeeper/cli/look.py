"""`now`, `morning`, `history`, `alarms` and `animals`: they only read, and need no daemon, though one may answer for them.

Exit code 1 when what was asked about is not well: a reading that is not believed, a tub that needs a look, an alarm.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, complain, emit, emit_json, printout, say, terminal_width
from dewkeeper.cli.times import duration_seconds, local_date
from dewkeeper.errors import CommandRefused, DaemonDown

if TYPE_CHECKING:
    from dewkeeper_config.models import Config

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `now`, `morning`, `history`, `alarms` and `animals`."""
    now = commands.add_parser("now", help="the newest reading of every probe")
    now.set_defaults(run=_now, reads=True)

    morning = commands.add_parser("morning", help="the night at a glance, worst enclosure first")
    morning.add_argument("--all", action="store_true", help="list the calm enclosures too")
    morning.add_argument(
        "--night", type=local_date, metavar="DATE", help="an earlier night, by the date it ended on: 2026-11-25"
    )
    morning.set_defaults(run=_morning, reads=True)

    history = commands.add_parser("history", help="humidity and temperature over time, drawn in the terminal")
    history.add_argument("enclosure", help="name of the enclosure, or of a probe")
    history.add_argument(
        "--for", dest="seconds", type=duration_seconds, metavar="DURATION", default="24h",
        help="how far back: 12h, 7d, 8w (default 24h)",
    )  # fmt: skip
    history.set_defaults(run=_history, reads=True)

    alarms = commands.add_parser("alarms", help="alarms that stand: since when, why and what to do")
    alarms.set_defaults(run=_alarms, reads=True)

    animals = commands.add_parser("animals", help="who lives where; with a name, where it lived and what was noted")
    animals.add_argument("name", nargs="?", help="name of an animal, as `journal add B4 moved_in NAME` gave it")
    animals.set_defaults(run=_animals, reads=True)


def _now(args: Arguments) -> int:
    from dewkeeper.cli.glance import alarm_lines, silence_line
    from dewkeeper.report.alarm_words import headline
    from dewkeeper.report.now import now
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), args.now()
    with StoredPast.open(config) as past:
        glance = now(past, config, at)
    if args.format == "json":
        emit_json(glance.to_json())
    else:
        if glance.nothing_watched:
            say("Nothing is watched.")
        elif glance.unwatched:
            say(f"Not watched: {', '.join(glance.unwatched)}")
        if (
            silent := silence_line(glance.silent_since, wording, at, alive=_alive(config, glance.silent_since))
        ) is not None:
            say(silent)
        for line in (line for alarm in glance.to_act_on for line in alarm_lines(alarm, wording, at)):
            say(line)
        if glance.to_act_on:
            say()
        rows = [
            {
                "where": row.enclosure or row.room or "",
                "probe": row.probe if row.probe != row.enclosure else "",
                "role": row.role if row.role != "substrate" else "",
                "humidity": wording.humidity(row.humidity_percent),
                "temperature": wording.temperature(row.temperature_c),
                "at": wording.clock(row.at, at) if row.at is not None else "–",
                "trust": ", ".join([row.trust, *(test for test in row.tests if test != row.trust)]),
                "alarms": "; ".join(
                    [
                        *(["out of service"] if row.out_of_service else []),
                        # The row says already where it is.
                        *(headline(a, wording).partition(": ")[2] or headline(a) for a in row.alarms),
                    ]
                ),
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
    # Alarms do not decide here: `now` is asked about readings, `alarms` about what stands.
    return DONE if all(row.trust == "measured" or row.out_of_service for row in glance.probes) else NOT_WELL


def _alive(config: Config, silent_since: int | None) -> bool | None:
    """Return whether the daemon answers; asked only where nothing new is stored, for then it matters."""
    if silent_since is None:
        return None
    if printout.get() is not None:  # it is the daemon that writes this
        return True
    from dewkeeper.service.client import request

    try:
        # Whatever it answers, a refusal too, it lives.
        request(config.storage.folder, {"do": "alive"})
    except DaemonDown:
        return False
    except CommandRefused:
        pass  # an answer all the same
    return True


def _earlier(args: Arguments) -> int:
    from dewkeeper.cli.glance import night_lines
    from dewkeeper.report.earlier import earlier_night
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    try:
        with StoredPast.open(config) as past:
            night = earlier_night(past, config, args.night, args.now())
    except ValueError as error:
        complain(f"{args.night}: {error}")
        return NOT_WELL
    if args.format == "json":
        emit_json(night.to_json())
    else:
        for line in night_lines(night, Wording.of(config.site), everything=args.all, width=terminal_width()):
            say(line)
    return DONE


def _morning(args: Arguments) -> int:
    if args.night is not None:
        return _earlier(args)
    from dewkeeper.cli.glance import morning_lines
    from dewkeeper.report.morning import morning
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    with StoredPast.open(config) as past:
        glance = morning(past, config, args.now())
    if args.format == "json":
        emit_json(glance.to_json())
    else:
        width = terminal_width()
        alive = _alive(config, glance.silent_since)
        for line in morning_lines(glance, Wording.of(config.site), everything=args.all, width=width, alive=alive):
            say(line)
    return NOT_WELL if glance.needs_look or glance.general or glance.nothing_watched else DONE


def _alarms(args: Arguments) -> int:
    from dewkeeper.cli.glance import alarm_lines
    from dewkeeper.judge.words import STALE_SECONDS
    from dewkeeper.report.alarm_words import shelf_words, state_words
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.standing import standing_now
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), args.now()
    with StoredPast.open(config) as past:
        alarms = standing_now(past, config, at)
        resting = past.in_force().resting(e.name for e in config.enclosure)
    if args.format == "json":
        emit_json(to_plain(alarms))
    elif not alarms:
        say("no alarm stands")
    else:
        for alarm in alarms:
            until = shelf_words(alarm, wording, at)
            stale = alarm.state in ("unacknowledged", "acknowledged") and at - alarm.raised > STALE_SECONDS
            day = ", stands for over a day: does it still tell you anything?" if stale else ""
            say(f"{alarm.alarm[:8]}  {alarm.priority}, {state_words(alarm, wording, at)}{until}{day}")
            for line in alarm_lines(alarm, wording, at):
                say(f"    {line}")
            say(f"        if left: {alarm.consequence}")
        say("`dewkeeper ack ID` says that you have seen one, `dewkeeper shelve ID --for 8h --why …` puts it aside.")
    if args.format != "json":
        for command in resting:
            review = wording.day(command.until) if command.until is not None else "in a week"
            say(
                f"out of service: {command.enclosure} ({command.why}; {command.who}), to be looked at again by {review}"
            )
    return NOT_WELL if alarms else DONE


def _history(args: Arguments) -> int:
    from dewkeeper.cli.plot import plot
    from dewkeeper.report.contract import moist
    from dewkeeper.report.enclosure import judged_probes
    from dewkeeper.report.gaps import gaps_of
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.watching import stale_after
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    probes = judged_probes(config, args.enclosure)
    if not probes:
        known = ", ".join(e.name for e in config.enclosure)
        complain(f"no enclosure or probe {args.enclosure!r}; enclosures: {known}")
        return NOT_WELL
    end, wording = args.now(), Wording.of(config.site)
    start = end - args.seconds
    # The axis takes eight columns. Each other one is a slice asked of the store, so the widest terminal is not filled.
    width = max(40, min(terminal_width() - 10, 160))
    with StoredPast.open(config) as past:
        points = past.series(args.enclosure, start, end, width)
        in_force = past.in_force()
        latest = past.latest()
    if args.format == "json":
        emit_json(to_plain(points))
        return DONE
    for line in plot(args.enclosure, points, start, end, width, wording, in_force.limits(args.enclosure, end)):
        say(line)
    believed = [latest[probe].reading.time for probe in probes if probe in latest and latest[probe].quality.counts]
    for gap in gaps_of(moist(points), start, end, (), in_force, max(believed, default=None), stale_after(config)):
        say(
            f"not measured: {wording.clock(gap.start, end)}–{wording.clock(gap.end, gap.start)}, {wording.lasting(gap.end - gap.start)}"
        )
    return DONE


def _animals(args: Arguments) -> int:
    from shlex import quote

    from dewkeeper.judge.words import JOURNAL
    from dewkeeper.report.animals import animals, stays
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.sheds import shed_cycles, ungraded
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), args.now()
    with StoredPast.open(config) as past:
        known = animals(past.journal(0))
        one = next((a for a in known if args.name is not None and a.name.casefold() == args.name.casefold()), None)
        lived = stays(past, one, at, ungraded(shed_cycles(one))) if one is not None else []
    if args.name is not None and one is None:
        typed = quote(args.name)
        complain(f"no animal {args.name!r}; `dewkeeper journal add B4 moved_in {typed}` says that it lives in B4")
        return NOT_WELL
    if args.format == "json":
        emit_json(one.to_json() if one is not None else [animal.to_json() for animal in known])
    elif one is None:
        rows = [
            {"name": a.name, "home": a.home or "moved out", "since": wording.date(a.stays[-1].end or a.stays[-1].start)}
            for a in known
        ]
        if rows:
            emit(args, rows, {"name": "animal", "home": "lives in", "since": "since"})
        else:
            say("the journal names no animal; `dewkeeper journal add B4 moved_in NAME` says who lives in B4")
    else:
        for line in filter(None, (one.facts.words(), one.facts.notes)):
            say(line)
        for stay in lived:
            air = "its air is shown once the shed is graded" if stay.withheld else "nothing measured"
            if stay.lowest is not None:
                air = f"{wording.humidity_range(stay.lowest, stay.highest)}, mean {wording.humidity(stay.mean)}"
            until = wording.date(stay.stay.end) if stay.stay.end is not None else "now"
            say(f"{stay.stay.enclosure}: {wording.date(stay.stay.start)} to {until}: {air}")
        for entry in reversed(one.entries):
            label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
            detail = f": {entry.detail}" if entry.detail else ""
            say(f"  {wording.stamp(entry.time)}  {label}{detail}  ({entry.enclosure}, {entry.who})")
    return DONE
