"""`dewkeeper collect`: the server that keeps many sites, as its owner and as one of the sites sees it."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import late

_SERVER = (
    "how its owner reaches it, without a password, such as 'dbname=dewkeeper'; the password: PGPASSWORD or ~/.pgpass"
)


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the commands of this topic."""
    collect = commands.add_parser("collect", help="the PostgreSQL server that keeps what many sites stored")
    verbs = collect.add_subparsers(dest="verb", metavar="VERB", required=True)

    init = verbs.add_parser("init", help="on the server: make the schema, or bring it to the newest")
    init.add_argument("--server", required=True, help=_SERVER)
    init.set_defaults(run=late("collecting", "init"))

    admit = verbs.add_parser(
        "admit", help="on the server: let a site in; prints its address, whose password is kept nowhere else"
    )
    admit.add_argument("site", help="the site's name, as in its [collect]")
    admit.add_argument("--server", required=True, help=_SERVER)
    admit.add_argument(
        "--host", default="", help="by which name the site reaches this server (default: this machine's own)"
    )
    admit.set_defaults(run=late("collecting", "admit"))

    release = verbs.add_parser("release", help="on the server: let a new Pi take the place of a site's old one")
    release.add_argument("site", help="the site's name")
    release.add_argument("--server", required=True, help=_SERVER)
    release.set_defaults(run=late("collecting", "release"))

    status = verbs.add_parser("status", help="how far this site has sent; with --server, how far every site has")
    status.add_argument("--server", default=None, help=_SERVER)
    status.set_defaults(run=late("collecting", "status"))

    check = verbs.add_parser(
        "check", help="compare everything stored here with what the server holds; changes nothing",
        description="Compares every reading, item, event and alarm. What differs is named; the daemon sends it again by"
        " itself, at the latest when it comes round to that day.",
    )  # fmt: skip
    check.set_defaults(run=late("collecting", "check"))
