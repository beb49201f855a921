"""`dewkeeper config`: check the file, show it written out, write a rack, print a sample, its schema, its reference."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from dewkeeper.cli.output import BAD_USE, DONE, NOT_WELL, Arguments, complain, emit, emit_json, late, say

if TYPE_CHECKING:
    from dewkeeper_config.errors import Problem
    from dewkeeper_config.models import Config

_EXAMPLES = ("first_probe", "furnished_and_eggs", "rack_kernel_multiplexer", "rack_user_space_multiplexer")
"""The racks shipped as examples, named here so that a help text need not open the package that has them."""
_COLUMNS = {"line": "line", "key": "key", "given": "given", "allowed": "allowed"}

_RACK_FLAGS: dict[str, dict[str, Any]] = {
        "--name": {"help": "name of the rack", "metavar": "NAME"},
        "--room": {"help": "room it stands in", "metavar": "ROOM"},
        "--shelves": {"help": "places on each shelf, from the top: `4,4,3`, or `10x4` for ten shelves of four", "metavar": "PLACES"},
        "--tubs": {"help": "what the tubs are called, with `{letter}`, `{shelf}`, `{place}`, `{number}`", "metavar": "NAMES"},
        "--profile": {"help": "whose limits hold for most", "metavar": "PROFILE"},
        "--sensor": {"help": "driver of the sensors", "metavar": "DRIVER"},
        "--bus": {"help": "number of the bus, N of /dev/i2c-N", "metavar": "N"},
        "--multiplexers": {"help": "addresses of multiplexers that dewkeeper drives: `0x70,0x71`", "metavar": "ADDRESSES"},
        "--numbers": {"help": "numbers of the channels of multiplexers that the kernel drives: `30-37`", "metavar": "NUMBERS"},
        "--adapter": {"help": "name of the bus whose wires these channels share", "metavar": "BUS", "default": "i2c1"},
        "--empty": {"help": "places without a tub: `D3,D4`", "metavar": "TUBS"},
        "--room-probe": {"help": "a probe for the room's air as well", "choices": ("yes", "no")},
        "--complete": {"help": "print a whole file, with the zone, a channel and a person", "action": "store_true"},
    }  # fmt: skip


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `config check`, `show`, `rack`, `sample`, `schema` and `reference`."""
    topic = commands.add_parser(
        "config", help="check the configuration, show it written out, write a rack, or print a sample"
    )
    verbs = topic.add_subparsers(dest="verb", metavar="WHAT", required=True)
    check = verbs.add_parser(
        "check",
        help="say everything that is wrong with the file",
        description="Exit 0: good. Exit 1: valid, but something would not be watched or told. Exit 2: refused.",
    )
    check.set_defaults(run=_check)
    show = verbs.add_parser(
        "show",
        help="print the configuration written out: every bus, enclosure and probe by itself",
        description="What is printed reads back as the same configuration. Secrets of the file itself are not shown.",
    )
    show.set_defaults(run=_show)
    rack = verbs.add_parser(
        "rack",
        help="write a rack of tubs in a few lines, from questions",
        description="Asks for what no option gives; where nobody can answer, the usual is taken. Copy what it prints "
        "into the configuration.",
    )
    for flag, how in _RACK_FLAGS.items():
        rack.add_argument(flag, **how)
    rack.set_defaults(run=late("rack_questions", "write_rack"))
    sample_parser = verbs.add_parser("sample", help="print a commented configuration to start from")
    sample_parser.add_argument("--example", choices=_EXAMPLES, help="print an example rack instead")
    sample_parser.set_defaults(run=_sample)
    verbs.add_parser("schema", help="print the JSON schema, for an editor").set_defaults(run=_schema)
    verbs.add_parser("reference", help="print the reference of every key, as Markdown").set_defaults(run=_reference)


def _check(args: Arguments) -> int:
    from dewkeeper_config.errors import ConfigInvalid
    from dewkeeper_config.lacking import missing_secrets, problems_for_run

    try:
        config = args.load_whole_config()
    except ConfigInvalid as refused:
        if args.format == "json":
            _report(args, "refused", refused.problems)
        else:
            complain(str(refused))
        return BAD_USE
    # None of it makes the file wrong: the daemon starts with it, and says what it lacks.
    lacking = [*problems_for_run(config), *_unusable(config), *missing_secrets(config)]
    if lacking:
        from dewkeeper_config.loading import located, read  # pydantic

        lacking = located(lacking, read(args.config), args.config)
    if args.format == "json":
        _report(args, "incomplete" if lacking else "good", lacking)
    elif lacking:
        say(f"{args.config}: valid, but not everything would be watched or told:")
        emit(args, [_row(problem) for problem in lacking], _COLUMNS)
    else:
        say(f"{args.config}: good ({len(config.enclosure)} enclosures, {len(config.probe)} probes)")
    return NOT_WELL if lacking else DONE


def _unusable(config: Config) -> list[Problem]:
    """Return drivers, bus kinds, channels and templates that this installation cannot use; only it knows what it has."""
    from dewkeeper_config.errors import Problem
    from dewkeeper_drivers.adapters import find_adapter
    from dewkeeper_drivers.errors import DriverUnusable
    from dewkeeper_drivers.options import wrong_options
    from dewkeeper_drivers.registry import find_driver

    found: list[Problem] = []
    for names, find in (
        ({f'probe[{i}] "{p.name}" .driver': p.driver for i, p in enumerate(config.probe, 1)}, find_driver),
        ({f'bus[{i}] "{b.name}" .kind': b.kind for i, b in enumerate(config.bus, 1)}, find_adapter),
    ):
        for key, name in names.items():
            try:
                find(name)
            except DriverUnusable as error:
                found.append(Problem(key, f'"{name}"', str(error)))
    unusable = {problem.key for problem in found}
    for number, probe in enumerate(config.probe, 1):
        place = f'probe[{number}] "{probe.name}" .'
        # Which options there are only its driver knows.
        if f"{place}driver" not in unusable:
            found += [Problem(f"{place}options.{one.key}", one.given, one.allowed) for one in wrong_options(probe)]
    return found + _unusable_channels(config)


def _unusable_channels(config: Config) -> list[Problem]:
    """Return channels that cannot be set up here: of ours a webhook's template can be wrong, and the library of `apprise` be missing."""
    import time

    from dewkeeper_config.errors import Problem

    found: list[Problem] = []
    for number, channel in enumerate(config.channel, 1):
        if channel.kind == "mail" or (channel.kind == "webhook" and getattr(channel, "template", None) is None):
            continue  # nothing can be missing, and what words an alarm takes longer to import than all else here
        from dewkeeper.notify.channels import Unusable, open_channel

        opened = open_channel(channel, time.time)
        if isinstance(opened, Unusable):
            key, given = ("template", "a template") if channel.kind == "webhook" else ("kind", f'"{channel.kind}"')
            found.append(Problem(f'channel[{number}] "{channel.name}" .{key}', given, opened.why))
    return found


def _report(args: Arguments, verdict: str, problems: list[Problem] | tuple[Problem, ...]) -> None:
    emit_json({"file": str(args.config), "verdict": verdict, "problems": [_row(problem) for problem in problems]})


def _row(problem: Problem) -> dict[str, object]:
    return {"line": problem.line, "key": problem.key, "given": problem.given, "allowed": problem.allowed}


def _show(args: Arguments) -> int:
    from dewkeeper_config.written import plain, written_out

    config = args.load_whole_config()
    if args.format == "json":
        emit_json(plain(config))
    else:
        say(written_out(config).rstrip("\n"))
    return DONE


def _sample(args: argparse.Namespace) -> int:
    from dewkeeper_config.reference import examples, sample

    say((examples()[args.example] if args.example else sample()).rstrip("\n"))
    return DONE


def _schema(args: argparse.Namespace) -> int:
    from dewkeeper_config.json_schema import schema

    emit_json(schema())
    return DONE


def _reference(args: argparse.Namespace) -> int:
    from dewkeeper_config.reference import reference

    say(reference().rstrip("\n"))
    return DONE
