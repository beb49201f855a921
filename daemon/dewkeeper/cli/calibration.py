"""`probes calibrate` and `probes calibrations`: correct a probe that was checked, and say which are due for a check."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

from dewkeeper.cli.output import BAD_USE, DONE, NOT_WELL, complain, emit, emit_json, say, taken_in
from dewkeeper.cli.times import moment

if TYPE_CHECKING:
    from dewkeeper.judge.types import Calibration
    from dewkeeper_config.models import Config

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_verbs(verbs: Commands[argparse.ArgumentParser]) -> None:
    """Add `calibrate` and `calibrations` to `probes`."""
    from dewkeeper.sampling.salts import CAUTION, SALTS

    calibrate = verbs.add_parser(
        "calibrate",
        help="correct a probe from a time on, by a check over salts or by offsets; the raw readings stay",
        description=f"Let the probe lie for hours over a saturated salt in a closed jar, read it with `dewkeeper probes check`,"
        f" and say what it read; two salts correct slope and offset, one the offset. Salts: {', '.join(SALTS)}. {CAUTION}"
        " A later calibration with the same start replaces an earlier one; both are kept.",
    )
    calibrate.add_argument("probe", help="name of the probe")
    calibrate.add_argument(
        "--salt", nargs=3, action="append", default=[], metavar=("SALT", "READ", "CELSIUS"),
        help="a jar: the salt, %%RH as `probes check` reads it (uncorrected), and °C; once or twice",
    )  # fmt: skip
    calibrate.add_argument("--humidity-offset", type=float, metavar="PERCENT", help="instead: %%RH to be added")
    calibrate.add_argument(
        "--temperature-offset", type=float, metavar="CELSIUS", help="°C to be added (default: as it is)"
    )
    calibrate.add_argument(
        "--uncertainty", type=float, metavar="PERCENT", help="%%RH, k = 2 (default: from the salts, never below 1)"
    )
    calibrate.add_argument(
        "--from", dest="start", metavar="TIME",
        help="from when on: 07:30, 2026-03-01 07:30, or `2d ago` (default: now); what was read since then reads corrected",
    )  # fmt: skip
    calibrate.add_argument("--why", default="", help="a note to be kept with it")
    calibrate.set_defaults(run=_calibrate)

    listing = verbs.add_parser(
        "calibrations",
        help="how every probe is corrected, since when, and when its next check is due, after half a year",
    )
    listing.add_argument("probe", nargs="?", help="only this one, with everything that was ever recorded of it")
    listing.set_defaults(run=_calibrations)


def _calibrate(args: argparse.Namespace) -> int:
    from getpass import getuser
    from zoneinfo import ZoneInfo

    from dewkeeper.service.client import request as ask

    config: Config = args.load_config()
    if not args.salt and args.humidity_offset is None and args.temperature_offset is None:
        complain(
            "say what was read over a salt, or an offset: --salt NaCl 73.9 24.8, --humidity-offset 1.5, --temperature-offset -0.2"
        )
        return BAD_USE
    request: dict[str, Any] = {
        "do": "calibrate",
        "probe": args.probe,
        "humidity_offset_percent": args.humidity_offset,
        "temperature_offset_c": args.temperature_offset,
        "uncertainty_percent": args.uncertainty,
        "why": args.why,
        "who": getuser(),
    }
    try:
        request["jars"] = [[salt, float(read), float(celsius)] for salt, read, celsius in args.salt]
        if args.start is not None:
            request["time"] = moment(args.start, time.time(), ZoneInfo(config.site.timezone))
    except ValueError:
        complain("--salt takes a salt, %RH and °C: --salt NaCl 73.9 24.8")
        return BAD_USE
    except argparse.ArgumentTypeError as error:
        complain(str(error))
        return BAD_USE
    reply = ask(config.storage.folder, request)
    if args.format == "json":
        emit_json(reply)
    else:
        _tell(reply, config)
    return taken_in(reply)


def _tell(reply: dict[str, Any], config: Config) -> None:
    from dewkeeper.report.calibration_checks import correction_words
    from dewkeeper.report.wording import Wording
    from dewkeeper.sampling.salts import CAUTION
    from dewkeeper.store.codec import as_calibration

    wording, made = Wording.of(config.site), as_calibration(reply["calibration"])
    until = f" until {wording.stamp(reply['until'])}, when another one begins" if reply["until"] is not None else ""
    say(f"{made.probe}, from {wording.stamp(made.time)} on{until}: {correction_words(made, wording)}")
    for point in made.points:
        say(
            f"    {point.salt} at {point.temperature_c:.1f} °C has {point.reference_percent:.1f} %RH:"
            f" as found {point.found_percent:.1f}, as left {point.left_percent:.1f}"
        )
    if made.uncertainty_percent is not None:
        say(f"    good to ±{made.uncertainty_percent:.1f} %RH (k = 2)")
    if reply["due"] is not None:
        say(f"    to be checked again by {wording.date(reply['due'])}")
    if made.points:
        say(CAUTION)


def _plain(calibration: Calibration) -> dict[str, object]:
    from dataclasses import asdict

    from dewkeeper.interchange import format_time

    checked = None if calibration.checked is None else format_time(calibration.checked)
    return {**asdict(calibration), "time": format_time(calibration.time), "checked": checked}


def _calibrations(args: argparse.Namespace) -> int:
    from dewkeeper.interchange import format_time
    from dewkeeper.report.calibration_checks import checks, humidity_words, temperature_words
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    wording, at = Wording.of(config.site), int(time.time())
    with StoredPast.open(config) as past:
        known, learned = past.calibrations(), past.learned(at)
    listed = [check for check in checks(known, config, learned, at) if args.probe in (None, check.probe)]
    if not listed:
        complain(f"no probe {args.probe!r}; there are: {', '.join(sorted(probe.name for probe in config.probe))}")
        return NOT_WELL
    if args.format == "json":
        emit_json(
            [
                {
                    "probe": check.probe, "place": check.place, "overdue": check.overdue,
                    "due": None if check.due is None else format_time(check.due),
                    "compared": check.compared,
                    "in_force": None if check.calibration is None else _plain(check.calibration),
                    "recorded": [_plain(one) for one in known.of(check.probe)],
                }
                for check in listed
            ]
        )  # fmt: skip
    else:
        kept = [
            # One line a probe, of one that was named its whole history.
            (check, one)
            for check in listed
            for one in (known.of(check.probe) if args.probe else [check.calibration])
        ]
        rows = [
            {
                "probe": check.probe,
                "place": check.place,
                "from": wording.stamp(one.time) if one else "",
                "humidity": humidity_words(one) if one else "as read",
                "temperature": temperature_words(one, wording) if one else "as read",
                "good": f"±{one.uncertainty_percent:.1f} %" if one and one.uncertainty_percent is not None else "",
                "checked": wording.date(one.checked) if one and one.checked is not None else "never",
                # Only what is in force falls due.
                "due": "" if check.due is None or one is not check.calibration
                else wording.date(check.due) + (" overdue" if check.overdue else ""),
            }
            for check, one in kept
        ]  # fmt: skip
        emit(
            args,
            rows,
            {
                "probe": "probe", "place": "where", "from": "corrected from", "humidity": "humidity", "temperature": "temp.",
                "good": "good to", "checked": "checked", "due": "check again by",
            },
        )  # fmt: skip
        for check in listed:
            if check.compared:
                say(f"{check.probe}: {check.compared}")
    return NOT_WELL if any(check.overdue for check in listed) else DONE
