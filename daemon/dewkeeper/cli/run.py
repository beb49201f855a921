"""`run`, the daemon in the foreground, and `selftest`: can it run here, and can it read?"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, emit_json, say

if TYPE_CHECKING:
    from dewkeeper.service.commands import Handler
    from dewkeeper_config.errors import Problem
    from dewkeeper_config.models import Config

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `run` and `selftest`."""
    run = commands.add_parser("run", help="run the daemon in the foreground (systemd does this)")
    run.add_argument("--state", type=Path, help="state folder, instead of the configuration's")
    run.add_argument("--verbose", action="store_true", help="log more")
    run.set_defaults(run=_run)
    selftest = commands.add_parser(
        "selftest", help="check that it can run, open every bus and read every probe once; says what it tried"
    )
    selftest.add_argument(
        "--installation", action="store_true",
        help="only what the installation needs: imports, database, judge; as an update does, which an unplugged probe must not stop",
    )  # fmt: skip
    selftest.set_defaults(run=_selftest)


def _run(args: argparse.Namespace) -> int:
    import logging

    from dewkeeper.left_out import leave_out_charsets, leave_out_gnutls
    from dewkeeper.service.give_back import keep_little

    keep_little()  # before the first thread
    leave_out_charsets()
    from dewkeeper.sampling.timeline import boot_id, synchronised
    from dewkeeper.service.daemon import Daemon
    from dewkeeper.service.signals import EndSignal
    from dewkeeper_config.last_good import load_or_last_good

    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",  # the journal adds the time
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    config, problems = load_or_last_good(args.config, args.state)
    if config.collect is not None and find_spec("psycopg_binary") is None:  # which has a libpq of its own
        leave_out_gnutls()
    end = EndSignal()
    daemon = Daemon(
        config, problems=problems, recheck=lambda: load_or_last_good(args.config, args.state)[1],
        synchronised=synchronised, boot=boot_id(),
        answers=_answers(config, problems, args.state),
        learn=[sys.executable, "-m", "dewkeeper", "learn", "--config", str(args.config)],
    )  # fmt: skip
    daemon.start()
    # Any length would do: a signal ends the wait at once.
    while not end.wait(3600):
        pass
    daemon.stop()
    return DONE


def _answers(config: Config, problems: Sequence[Problem], state: Path | None) -> Mapping[str, Handler]:
    """Return how the daemon answers commands that only read: not at all where it cannot tell which file it runs by."""
    from dewkeeper.cli.delegated import answers
    from dewkeeper_config.last_good import COPY, last_good

    # The copy could not be written: what lies there is of another file than the daemon runs by.
    if any(problem.key == COPY for problem in problems):
        return {}
    try:
        return answers(config, last_good(config, state))
    except OSError:
        return {}


def _selftest(args: Arguments) -> int:
    from dataclasses import asdict

    from dewkeeper.service.selftest import Step, installation, reading
    from dewkeeper_config.errors import ConfigUnreadable

    steps = installation()
    if not args.installation:
        try:
            steps += reading(args.load_whole_config())
        except ConfigUnreadable as error:
            steps.append(Step("configuration", f"{error}; `dewkeeper probes scan` writes one", well=False))
    if args.format == "json":
        emit_json([asdict(step) for step in steps])
    else:
        for step in steps:
            say(f"{'ok ' if step.well else 'NOT'} {step.tried}: {step.got}")
    return DONE if all(step.well for step in steps) else NOT_WELL
