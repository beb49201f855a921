"""The ways to people: test them, confirm them, see how they stand, print the shape of the webhook's body."""

from __future__ import annotations

import argparse
import time
from typing import Any

from dewkeeper.cli.output import DONE, NOT_WELL, emit, emit_json, say, taken_in

_NOT_WELL = ("not getting through", "test overdue")

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `notify test | confirm | status | schema`."""
    notify = commands.add_parser("notify", help="test and watch the ways messages take to people")
    topics = notify.add_subparsers(dest="topic", metavar="WHAT", required=True)

    test = topics.add_parser("test", help="send one real message per person and channel, and ask for a tap")
    test.add_argument("--person", help="only this person")
    test.add_argument("--channel", help="only this channel")
    test.set_defaults(run=_test)

    confirm = topics.add_parser("confirm", help="say that a test message arrived, where no link can be tapped")
    confirm.add_argument("person", help="name of the person")
    confirm.add_argument("channel", help="name of the channel")
    confirm.set_defaults(run=_confirm)

    status = topics.add_parser("status", help="when each way was last confirmed, and what waits")
    status.set_defaults(run=_status)

    schema = topics.add_parser("schema", help="print the JSON schema of the webhook's body")
    schema.set_defaults(run=_schema)


def _test(args: argparse.Namespace) -> int:
    request = {"do": "notify_test", "person": args.person, "channel": args.channel}
    reply = _ask(args, {key: value for key, value in request.items() if value is not None})
    emit(args, reply["sent"], {"person": "person", "channel": "channel"})
    if args.format == "table":
        say("on their way; tap the link in each that arrives, or use `dewkeeper notify confirm PERSON CHANNEL`")
        say("`dewkeeper notify status` says what does not get through")
    return DONE


def _confirm(args: argparse.Namespace) -> int:
    reply = _ask(args, {"do": "notify_confirm", "person": args.person, "channel": args.channel})
    if args.format == "json":
        emit_json(reply)
    else:
        say("confirmed")
    return taken_in(reply)


def _status(args: argparse.Namespace) -> int:
    from dewkeeper.interchange import format_time
    from dewkeeper.notify.daily import overdue_paths, path_name
    from dewkeeper.notify.planner_state import Memory
    from dewkeeper.report.wording import Wording
    from dewkeeper.store import History

    config = args.load_config()
    now = int(time.time())
    with History.open(config.storage.folder) as history:
        memory = Memory.load(history.notes().get("planner"))
        waiting = history.waiting()
    late = overdue_paths(config, memory.confirmed, memory.paths_from or now, now)
    wording = Wording.of(config.site)
    rows: list[dict[str, object]] = []
    times: list[int | None] = []
    for person in config.person:
        for channel in person.channels:
            at = memory.confirmed.get(path_name(person.name, channel))
            times.append(at)
            count, trouble = waiting.get((person.name, channel), (0, ""))
            rows.append(
                {
                    "person": person.name,
                    "channel": channel,
                    "confirmed": None if at is None else format_time(at),
                    "state": _state(at, trouble, overdue=channel in late.get(person.name, [])),
                    "waiting": count,
                    "trouble": trouble,
                }
            )
    columns = {
        "person": "person", "channel": "channel", "confirmed": "last confirmed", "state": "state",
        "waiting": "waiting", "trouble": "last trouble",
    }  # fmt: skip
    if args.format == "table":
        for row, at in zip(rows, times, strict=True):
            row["confirmed"] = "never" if at is None else wording.stamp(at)
    emit(args, rows, columns)
    return NOT_WELL if any(row["state"] in _NOT_WELL for row in rows) else DONE


def _state(confirmed: int | None, trouble: str, *, overdue: bool) -> str:
    """Return how a way stands: good is only what was confirmed and takes what is sent. confirmed: UTC second, None: never."""
    if trouble:
        return "not getting through"
    if overdue:
        return "test overdue"
    return "not confirmed yet" if confirmed is None else "good"


def _schema(args: argparse.Namespace) -> int:
    from dewkeeper.notify.body_schema import json_schema

    emit_json(json_schema())
    return DONE


def _ask(args: argparse.Namespace, request: dict[str, Any]) -> dict[str, Any]:
    from dewkeeper.service.client import request as ask

    return ask(args.load_config().storage.folder, request)
