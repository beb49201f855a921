"""`journal`: what was done and seen, in one line; it can be dated back and corrected."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING, Any

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, complain, emit, emit_json, known_enclosure, say, taken_in
from dewkeeper.cli.times import duration_seconds, moment

if TYPE_CHECKING:
    from dewkeeper_config.models import Config

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `journal add`, `journal list`, `journal correct` and `journal words`."""
    journal = commands.add_parser("journal", help="write down, list and correct what you did and saw")
    parts = journal.add_subparsers(dest="part", metavar="PART", required=True)

    add = parts.add_parser("add", help="write down: dewkeeper journal add B4 misted")
    add.add_argument("enclosure", help="name of the enclosure, or - for all of it")
    _add_what(add)
    add.add_argument("--sure", action="store_true", help="write a move out of quarantine down though it is not over")
    add.set_defaults(run=_add)

    correct = parts.add_parser("correct", help="replace an entry; the old one is kept")
    correct.add_argument("entry", help="id of the entry, or its beginning, from `dewkeeper journal list`")
    _add_what(correct)
    correct.set_defaults(run=_correct)

    listing = parts.add_parser("list", help="what was written down")
    listing.add_argument("enclosure", nargs="?", help="only this enclosure")
    listing.add_argument(
        "--for",
        dest="seconds",
        type=duration_seconds,
        metavar="DURATION",
        default="31d",
        help="how far back (default 31d)",
    )
    listing.add_argument("--replaced", action="store_true", help="show entries that were corrected too")
    listing.set_defaults(run=_list, reads=True)

    words = parts.add_parser("words", help="the words the journal knows")
    words.set_defaults(run=_words)


def _add_what(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", help="a word of the journal, see `dewkeeper journal words`")
    parser.add_argument("detail", nargs="*", help="free text; of `surface` the temperature: 31.5")
    parser.add_argument("--note", default="", help='more free text behind it: `--note "hide floor"`')
    parser.add_argument("--at", help="when it was: 07:30, 2026-03-01 07:30, or `2h ago` (default: now)")
    parser.add_argument(
        "--until", help="when a stage ends, or what is put off comes back: 2026-03-04, 2026-03-01 07:30"
    )
    parser.add_argument("--who", default=None, help="who writes (default: your login name)")


def _add(args: argparse.Namespace) -> int:
    enclosure = None if args.enclosure == "-" else args.enclosure
    if args.what == "moved_in" and enclosure is not None and not args.sure:
        from dewkeeper.report.past import StoredPast
        from dewkeeper.report.quarantine import leaving_quarantine

        config: Config = args.load_config()
        with StoredPast.open(config) as past:
            asked = leaving_quarantine(past, config, " ".join(args.detail), enclosure, int(time.time()))
        if asked:
            complain(f"{asked}; nothing was written down. With --sure it is, all the same.")
            return NOT_WELL
    return _send(args, {"do": "journal", "enclosure": enclosure})


def _correct(args: argparse.Namespace) -> int:
    from dewkeeper.report.past import StoredPast

    config: Config = args.load_config()
    with StoredPast.open(config) as past:
        found = [entry for entry in past.journal(0) if entry.id.startswith(args.entry)]
    # Fewer letters may be unique today by chance, and a slip of the finger would replace another entry.
    if len(found) != 1 or len(args.entry) < 4:
        complain(f"{args.entry!r} names {len(found)} entries; `dewkeeper journal list` shows their ids")
        return NOT_WELL
    request: dict[str, Any] = {"do": "journal", "enclosure": found[0].enclosure, "replaces": found[0].id}
    # A corrected word is about the same moment: "now" would move the deed.
    if args.at is None:
        request["time"] = found[0].time
    # Another word may be no stage, or one of another length.
    if args.until is None and args.what == found[0].what:
        request["until"] = found[0].until
    return _send(args, request)


def _send(args: argparse.Namespace, request: dict[str, Any]) -> int:
    from getpass import getuser
    from zoneinfo import ZoneInfo

    from dewkeeper.service.client import request as ask

    config: Config = args.load_config()
    request |= {
        "what": args.what,
        "detail": " ".join([*args.detail, args.note]).strip(),
        "who": args.who or getuser(),
    }
    for key, given in (("time", args.at), ("until", args.until)):
        if given is not None:
            try:
                request[key] = moment(given, time.time(), ZoneInfo(config.site.timezone))
            except argparse.ArgumentTypeError as error:
                complain(str(error))
                return 2
    reply = ask(config.storage.folder, request)
    if args.format == "json":
        emit_json(reply)
    elif not reply.get("not_recorded"):
        from dewkeeper.web.choices import caution_about

        say("written down")
        if caution := caution_about(request["what"], request["detail"]):
            say(caution)
    return taken_in(reply)


def _list(args: Arguments) -> int:
    from dewkeeper.judge.words import JOURNAL
    from dewkeeper.report.model import to_plain
    from dewkeeper.report.past import StoredPast
    from dewkeeper.report.wording import Wording

    config: Config = args.load_config()
    if not known_enclosure(config, args.enclosure):
        return NOT_WELL
    wording = Wording.of(config.site)
    since = args.now() - args.seconds
    with StoredPast.open(config) as past:
        entries = past.journal(since, replaced=args.replaced)
    entries = [entry for entry in entries if args.enclosure in (None, entry.enclosure)]
    if args.format == "json":
        emit_json([to_plain(entry) for entry in entries])
        return DONE
    rows: list[dict[str, object]] = [
        {
            "id": entry.id[:8],
            "time": wording.stamp(entry.time),
            "enclosure": entry.enclosure,
            "what": JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what,
            "detail": entry.detail,
            "who": entry.who,
            "replaces": (entry.replaces or "")[:8],
        }
        for entry in entries
    ]
    if not rows:
        say("nothing was written down in this time")
        return DONE
    columns = {"id": "id", "time": "when", "enclosure": "where", "what": "what", "detail": "detail", "who": "who"}
    emit(args, rows, columns | ({"replaces": "replaces"} if args.replaced else {}))
    return DONE


def _words(args: argparse.Namespace) -> int:
    from dewkeeper.judge.words import JOURNAL

    emit(
        args, [{"word": key, "means": word.label} for key, word in JOURNAL.items()], {"word": "word", "means": "means"}
    )
    return DONE
