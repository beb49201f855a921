"""What one can say after `dewkeeper probes`. What it does is in `scanning`, `probes` and `calibration`, imported when done."""

from __future__ import annotations

import argparse

from dewkeeper.cli import calibration
from dewkeeper.cli.output import late
from dewkeeper.cli.times import positive_seconds

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `probes scan | touch | check | replace | retire | calibrate | calibrations`."""
    parser = commands.add_parser("probes", help="find, check, assign, calibrate, replace and retire probes")
    verbs = parser.add_subparsers(dest="verb", metavar="WHAT", required=True)

    scan = verbs.add_parser("scan", help="find what hangs on the buses; prints configuration for what is new")
    scan.add_argument("--bus", help="only this bus of the configuration, or N of /dev/i2c-N")
    scan.add_argument(
        "--complete", action="store_true",
        help="print nothing but a complete configuration of what is there, as if there were none yet",
    )  # fmt: skip
    scan.set_defaults(run=late("scanning", "_scan"))

    touch = verbs.add_parser("touch", help="hold a probe in your hand: which one warms?")
    touch.add_argument(
        "enclosure", nargs="?", help="the enclosure whose probe you hold; left out: tells where the one in your hand is"
    )
    touch.add_argument("--seconds", type=positive_seconds, default=60.0, help="how long to look (default 60)")
    touch.add_argument("--interval", type=positive_seconds, default=1.0, help="seconds between two looks (default 1)")
    touch.add_argument("--placement", default="", help="where in the enclosure it lies, to be remembered")
    touch.set_defaults(run=late("scanning", "_touch"))

    looked = verbs.add_parser("check", help="read every probe, uncorrected; says what is wrong and what to do")
    looked.add_argument("probe", nargs="*", help="only these")
    looked.set_defaults(run=late("probes", "_check"))

    replace = verbs.add_parser("replace", help="accept the sensor that is now at a probe's place")
    replace.add_argument("probe", help="name of the probe")
    replace.set_defaults(run=late("probes", "_replace"))

    retire = verbs.add_parser("retire", help="believe nothing of a probe from now on")
    retire.add_argument("probe", help="name of the probe")
    retire.add_argument("--why", default="", help="the reason")
    retire.set_defaults(run=late("probes", "_retire"))

    calibration.add_verbs(verbs)
