"""`dewkeeper page`: what is asked of the page from the machine it runs on."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import emit_json, say, taken_in

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `page`."""
    page = commands.add_parser("page", help="the page: a new password for who forgot theirs")
    verbs = page.add_subparsers(dest="page_command", metavar="VERB", required=True)
    reset = verbs.add_parser("reset", help="print a code that sets a login and its password on the page, once")
    reset.set_defaults(run=_reset)


def _reset(args: argparse.Namespace) -> int:
    from dewkeeper.service.client import request as ask

    reply = ask(args.load_config().storage.folder, {"do": "page_reset"})
    if args.format == "json":
        emit_json(reply)
    elif "code" in reply:
        say(f"Open the page at /first and give this code, your name and a new password: {reply['code']}")
        say("It is good once, and until the daemon restarts.")
    return taken_in(reply)
