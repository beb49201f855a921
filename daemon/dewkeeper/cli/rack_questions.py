"""`dewkeeper config rack`: a rack written down from flags, and from questions where a flag is left out."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from dewkeeper.cli.output import BAD_USE, DONE, complain, say
from dewkeeper.cli.proposal import people, zone
from dewkeeper_config.errors import ConfigInvalid
from dewkeeper_config.loading import ReplayConfig, parse
from dewkeeper_config.sketch import RackSketch, sketched

T = TypeVar("T")

_SHELVES = re.compile(r"(\d{1,2}) *[x*×] *(\d{1,2})")
_PROBES_A_CHIP = 16
"""Eight channels, and two addresses on each."""


def write_rack(args: argparse.Namespace) -> int:
    """Print the rack on standard output; questions go to standard error, so that the output can be kept."""
    asker = _Asker(sys.stdin.isatty())
    try:
        rack = _rack(args, asker)
    except ValueError as wrong:
        complain(str(wrong))
        return BAD_USE
    text = sketched(rack)
    if args.complete:
        text = "\n".join(["[site]", f'timezone = "{zone()}"', "", text, *people()])
    try:
        # As for a replay, for a rack that is to be copied has no people and no channels.
        parse(text.encode(), Path("what was asked for"), ReplayConfig)
    except UnicodeEncodeError as error:
        complain(f"bytes that are no text (not UTF-8): {error.object[error.start : error.end]!a}; type it again")
        return BAD_USE
    except ConfigInvalid as refused:
        complain(str(refused))
        return BAD_USE
    say(text.rstrip("\n"))
    return DONE


class _Asker:
    """Ask for what no flag gave; where nobody can answer, what stands in brackets is taken."""

    def __init__(self, somebody: bool) -> None:
        self._somebody = somebody

    def ask(self, flag: str | None, question: str, default: str, read: Callable[[str], T]) -> T:
        """Return what a flag or a person says, asked again until it can be read. Raises ValueError for a flag."""
        if flag is not None or not self._somebody:
            return read(default if flag is None else flag)
        while True:
            sys.stderr.write(f"{question} [{default}] ")
            sys.stderr.flush()
            line = sys.stdin.readline()
            try:
                return read(line.strip() or default)
            except ValueError as wrong:
                complain(str(wrong))
                if not line:
                    raise  # the answers have ended


def _rack(args: argparse.Namespace, asker: _Asker) -> RackSketch:
    ask = asker.ask
    name = ask(args.name, "What is the rack called?", "left", str)
    room = ask(args.room, "Which room does it stand in?", "room", str)
    shelves = ask(args.shelves, "Places on each shelf, from the top (4,4,3 or 10x4)?", "1", _shelves)
    tubs = ask(args.tubs, "What are the tubs called ({letter}{place}: A1, A2 ...)?", "{letter}{place}", str)
    profile = ask(args.profile, "Which limits hold for most (adult, hatchling ...)?", "adult", str)
    driver = ask(args.sensor, "Which sensor (sht31d, sht4x)?", "sht31d", str)
    places = sum(shelves) + (args.room_probe != "no")
    given = "kernel" if args.numbers else "dewkeeper" if args.multiplexers else "none" if args.bus is not None else None
    # A bus has two addresses for these sensors.
    usual = "none" if places <= 2 else "dewkeeper"
    who = ask(given, "Who drives the multiplexers: none there, the kernel, or dewkeeper?", usual, _driven)
    chips = -(-places // _PROBES_A_CHIP)
    numbers: Sequence[int] = (1,)
    multiplexers: Sequence[int] = ()
    if who == "kernel":
        row = f"30-{30 + 8 * chips - 1}"
        numbers = ask(args.numbers, "Numbers of its channels, as `i2cdetect -l` lists them?", row, _numbers)
    else:
        numbers = [ask(args.bus, "Number of the bus (N of /dev/i2c-N)?", "1", _number)]
    if who == "dewkeeper":
        # The chip has three address pins: 0x70 to 0x77.
        usual = ", ".join(f"{0x70 + chip:#04x}" for chip in range(min(chips, 8)))
        multiplexers = ask(args.multiplexers, "Addresses of the multiplexers?", usual, _numbers)
    empty = ask(args.empty, "Places without a tub, by name (none: -)?", "-", _names)
    room_probe = ask(args.room_probe, "A probe for the room's air as well (yes, no)?", "yes", _yes)
    return RackSketch(
        name=name, room=room, shelves=shelves, tubs=tubs, profile=profile, driver=driver, numbers=numbers,
        multiplexers=multiplexers, empty=empty, room_probe=room_probe, adapter=args.adapter,
    )  # fmt: skip


def _shelves(text: str) -> list[int]:
    many = _SHELVES.fullmatch(text)
    if many:
        return [int(many.group(2))] * int(many.group(1))
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() and len(part) <= 2 for part in parts):
        raise ValueError(f"places on each shelf as 4,4,3, or 10x4 for ten shelves of four; not {text!r}")
    return [int(part) for part in parts]


def _driven(text: str) -> str:
    for choice in ("none", "kernel", "dewkeeper"):
        if choice.startswith(text.casefold().removeprefix("the ")):
            return choice
    raise ValueError(f"none, kernel or dewkeeper; not {text!r}")


def _number(text: str) -> int:
    try:
        return int(text, 0)
    except ValueError:
        raise ValueError(f"a number such as 1 or 0x70; not {text!r}") from None


def _numbers(text: str) -> list[int]:
    found: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        found += range(_number(first), (_number(last) if dash else _number(first)) + 1)
    if not found or len(found) > 256:
        raise ValueError(f"numbers as 30-37 or 0x70, 0x71; not {text!r}")
    return found


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip() not in ("", "-")]


def _yes(text: str) -> bool:
    if text.casefold() not in ("yes", "y", "no", "n"):
        raise ValueError(f"yes or no; not {text!r}")
    return text.casefold().startswith("y")
