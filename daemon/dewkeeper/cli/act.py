"""Telling the daemon: acknowledge, shelve, out of service, suppress, away."""

from __future__ import annotations

import argparse
import time
from typing import Any

from dewkeeper.cli.output import BAD_USE, complain, emit_json, say, taken_in
from dewkeeper.cli.times import duration_seconds

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `ack`, `shelve`, `unshelve`, `service`, `suppress` and `away`."""
    ack = commands.add_parser("ack", help="say that you have seen a standing alarm and see to it")
    ack.add_argument("alarm", help="id of the alarm, or its beginning, from `dewkeeper alarms`")
    ack.add_argument("--why", default="", help="what you are going to do")
    ack.set_defaults(run=_about_alarm, verb="acknowledge")

    shelve = commands.add_parser(
        "shelve", help="put one alarm aside for a while, with a reason; it comes back by itself"
    )
    shelve.add_argument("alarm", help="id of the alarm, or its beginning")
    shelve.add_argument(
        "--for",
        dest="seconds",
        type=duration_seconds,
        metavar="DURATION",
        required=True,
        help="how long, at most 24h: 90m, 8h",
    )
    shelve.add_argument("--why", required=True, help="the reason")
    shelve.set_defaults(run=_about_alarm, verb="shelve")

    unshelve = commands.add_parser("unshelve", help="bring a shelved alarm back now")
    unshelve.add_argument("alarm", help="id of the alarm, or its beginning")
    unshelve.set_defaults(run=_about_alarm, verb="unshelve")

    service = commands.add_parser("service", help="take an enclosure out of service, or put it back")
    service.add_argument("what", choices=("out", "in"), help="out: do not judge it; in: judge it again")
    service.add_argument("enclosure", help="name of the enclosure")
    service.add_argument(
        "--for",
        dest="seconds",
        type=duration_seconds,
        metavar="DURATION",
        default="7d",
        help="review after (out only; default 7d)",
    )
    service.add_argument("--why", default="", help="the reason (needed for out)")
    service.set_defaults(run=_service)

    suppress = commands.add_parser("suppress", help="quiet an enclosure while you work on it; ends by itself")
    suppress.add_argument("enclosure", help="name of the enclosure")
    suppress.add_argument(
        "--for",
        dest="seconds",
        type=duration_seconds,
        metavar="DURATION",
        default="1h",
        help="how long, at most 4h (default 1h)",
    )
    suppress.add_argument("--why", default="", help="the reason")
    suppress.set_defaults(run=_suppress)

    away = commands.add_parser("away", help="the sitter is told instead of you, until you are back")
    away.add_argument("--for", dest="seconds", type=duration_seconds, metavar="DURATION", help="how long, at most 90d")
    away.add_argument("--back", action="store_true", help="end it now")
    away.set_defaults(run=_away)


def _about_alarm(args: argparse.Namespace) -> int:
    request = {"do": args.verb, "alarm": args.alarm, "why": getattr(args, "why", "")}
    # Only `shelve` has a duration.
    if getattr(args, "seconds", None):
        request["until"] = int(time.time()) + args.seconds
    return _send(args, request)


def _service(args: argparse.Namespace) -> int:
    request: dict[str, Any] = {"do": f"{args.what}_of_service" if args.what == "out" else "in_service"}
    request |= {"enclosure": args.enclosure, "why": args.why}
    if args.what == "out":
        # argparse cannot ask for a reason for one choice of `what` alone.
        if not args.why:
            complain("say why: `dewkeeper service out B4 --why ...`")
            return BAD_USE
        request["until"] = int(time.time()) + args.seconds
    return _send(args, request)


def _suppress(args: argparse.Namespace) -> int:
    until = int(time.time()) + args.seconds
    return _send(args, {"do": "suppress", "enclosure": args.enclosure, "why": args.why, "until": until})


def _away(args: argparse.Namespace) -> int:
    if args.back:
        return _send(args, {"do": "back"})
    if not args.seconds:
        complain("say how long: `dewkeeper away --for 5d`, or `dewkeeper away --back`")
        return BAD_USE
    return _send(args, {"do": "away", "until": int(time.time()) + args.seconds})


def _send(args: argparse.Namespace, request: dict[str, Any]) -> int:
    from dewkeeper.report.wording import Wording
    from dewkeeper.service.client import request as ask

    config = args.load_config()
    reply = ask(config.storage.folder, request)
    if args.format == "json":
        emit_json(reply)
    elif reply.get("not_recorded"):
        pass  # said below, and nothing is said to be done
    elif request.get("until"):
        say(f"done, until {Wording.of(config.site).stamp(request['until'])}")
    else:
        say("done")
    return taken_in(reply)
