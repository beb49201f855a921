"""`dewkeeper completion`: what a shell needs to complete commands, options and choices."""

from __future__ import annotations

import argparse

from dewkeeper.cli.output import DONE, say


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `completion`."""
    parser = commands.add_parser(
        "completion",
        help="print the completion of a shell",
        description="For bash: `dewkeeper completion bash | sudo tee /etc/bash_completion.d/dewkeeper`. "
        "For zsh: `dewkeeper completion zsh | sudo tee /usr/share/zsh/vendor-completions/_dewkeeper`. "
        "It holds from the next shell on.",
    )
    parser.add_argument("shell", choices=("bash", "zsh"), help="which shell")
    parser.set_defaults(run=_completion)


def _completion(args: argparse.Namespace) -> int:
    import shtab

    from dewkeeper.cli import build_parser  # the parser of every command is only known once all topics are

    say(shtab.complete(build_parser(), shell=args.shell))
    return DONE
