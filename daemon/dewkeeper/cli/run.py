"""`run`, the daemon in the foreground, and `selftest`, what an update must pass before it replaces the old one."""

from __future__ import annotations

import argparse
import logging
from pathlib import Path

from dewkeeper.cli.output import DONE, NOT_WELL, complain, say
from dewkeeper_config import load_or_last_good

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `run` and `selftest`."""
    run = commands.add_parser("run", help="run the daemon in the foreground (systemd does this)")
    run.add_argument("--state", type=Path, help="state folder, instead of the configuration's")
    run.add_argument("--verbose", action="store_true", help="log more")
    run.set_defaults(run=_run)
    selftest = commands.add_parser("selftest", help="check that this installation can run: imports, database, judge")
    selftest.set_defaults(run=_selftest)


def _run(args: argparse.Namespace) -> int:
    from dewkeeper.sampling.timeline import boot_id, synchronised
    from dewkeeper.service.daemon import Daemon
    from dewkeeper.service.signals import EndSignal

    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",  # the journal adds the time
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    config, problems = load_or_last_good(args.config, args.state)
    end = EndSignal()
    daemon = Daemon(
        config, problems=problems, recheck=lambda: load_or_last_good(args.config, args.state)[1],
        synchronised=synchronised, boot=boot_id(),
    )  # fmt: skip
    daemon.start()
    while not end.wait(3600):
        pass
    daemon.stop()
    return DONE


def _selftest(args: argparse.Namespace) -> int:
    from dewkeeper.service.selftest import selftest

    failures = selftest()
    for failure in failures:
        complain(f"selftest: {failure}")
    if failures:
        return NOT_WELL
    say("selftest: imports, database, judge and drivers are in order")
    return DONE
