"""What `dewkeeper collect` does."""

from __future__ import annotations

import argparse
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, say
from dewkeeper.collect.errors import NO_PSYCOPG
from dewkeeper.errors import CommandRefused

try:
    import psycopg  # noqa: F401  what all below needs, and an extra brings
except ImportError as error:
    raise CommandRefused(NO_PSYCOPG) from error

from dewkeeper.collect.comparing import Comparing
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.place import enter, installation
from dewkeeper.collect.sending import Pass
from dewkeeper.collect.server import admit as admit_site
from dewkeeper.collect.server import initialise, release_site, sites
from dewkeeper.interchange import format_time
from dewkeeper.store.onward import Onward
from dewkeeper_config.models import Collect

if TYPE_CHECKING:
    from dewkeeper_config.models import Config

_MOST_NAMED = 40


def init(args: argparse.Namespace) -> int:
    """Make the schema."""
    revision = initialise(parameters(args.server, None))
    emit(args, [{"schema": "dewkeeper", "revision": revision}], {"schema": "schema", "revision": "revision"})
    return DONE


def admit(args: argparse.Namespace) -> int:
    """Let a site in."""
    with ServerLink(parameters(args.server, None)) as link:
        made = admit_site(link, args.site)
    address = f"host={args.host or socket.getfqdn()} dbname={made.database} user={made.login} password={made.password}"
    emit(args, [{"site": made.site, "address": address}], {"site": "site", "address": "address"})
    # On standard error, so that standard output holds the address alone and can go into a file.
    complain(f"Put the address into the credential of the Pi of {made.site!r}; who has it can send as that site.")
    return DONE


def release(args: argparse.Namespace) -> int:
    """Let a new Pi take a site's place."""
    with ServerLink(parameters(args.server, None)) as link:
        release_site(link, args.site)
    say(f"the next Pi that sends as {args.site!r} takes its place; what is there stays")
    return DONE


def status(args: argparse.Namespace) -> int:
    """Say how far sites have sent."""
    if args.server is not None:
        with ServerLink(parameters(args.server, None)) as link:
            rows = [
                {
                    "site": one.site, "sent": _at(one.sent_at), "readings": _at(one.readings_until),
                    "resend": one.to_resend, "version": one.program, "login": one.login,
                }
                for one in sites(link)
            ]  # fmt: skip
        columns = {
            "site": "site",
            "sent": "sent last",
            "readings": "readings until",
            "resend": "to compare",
            "version": "version",
        }
        emit(args, rows, columns)
        return DONE
    config = args.load_whole_config()
    collect = _collect(config)
    with (
        Onward.open(config.storage.folder) as onward,
        ServerLink(parameters(collect.address.read(), collect.ca_file)) as link,
    ):
        place = enter(link, collect.site, None)
        reach = onward.reach()
        # None: nothing was sent as this site yet, or it was released; then any installation may.
        others = place.installation not in (None, installation(config.storage.folder))
    newest = reach[1] if reach is not None else None
    behind = newest is not None and newest > (place.readings_until or 0)
    row = {
        "site": place.name, "sent": _utc(place.sent_at), "readings": _utc(place.readings_until), "stored": _utc(newest),
        "behind_seconds": newest - (place.readings_until or newest) if newest is not None else 0, "another": others,
    }  # fmt: skip
    emit(
        args,
        [row],
        {"site": "site", "sent": "sent last", "readings": "readings there until", "stored": "stored here until"},
    )
    if others:
        complain(f"another installation sends as {collect.site!r}: the server takes nothing from this one")
    # To be behind is usual between two passes; never to have sent anything is not.
    return NOT_WELL if others or (behind and place.readings_until is None) else DONE


def check(args: argparse.Namespace) -> int:
    """Compare both sides."""
    config = args.load_whole_config()
    collect = _collect(config)
    with _compared(config, collect) as comparing:
        found = list(comparing.differences())
    rows = [
        {
            "what": one.table, "name": one.name, "from": format_time(one.start), "to": format_time(one.end),
            "here": one.here, "there": one.there,
        }
        for one in found
    ]  # fmt: skip
    # A program gets its empty list.
    if not rows and args.format != "json":
        say("both sides hold the same")
        return DONE
    shown = rows if args.format == "json" else rows[:_MOST_NAMED]
    emit(
        args,
        shown,
        {"what": "what", "name": "probe or id", "from": "from", "to": "to", "here": "here", "there": "there"},
    )
    if len(shown) < len(rows):
        say(f"and {len(rows) - len(shown)} more")
    return NOT_WELL if rows else DONE


@contextmanager
def _compared(config: Config, collect: Collect) -> Iterator[Comparing]:
    with (
        Onward.open(config.storage.folder) as onward,
        ServerLink(parameters(collect.address.read(), collect.ca_file)) as link,
    ):
        yield Comparing(Pass(link, onward, enter(link, collect.site, None)))


def _collect(config: Config) -> Collect:
    if config.collect is None:
        raise CommandRefused("this site sends nothing on: there is no [collect] in its configuration")
    return config.collect


def _at(moment: datetime | None) -> str:
    return "never" if moment is None else f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _utc(second: int | None) -> str:
    return "never" if second is None else _at(datetime.fromtimestamp(second, UTC))
