"""What the daemon answers for commands that only read: the command itself, run on the daemon's configuration."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from dewkeeper.cli import delegate
from dewkeeper.cli.output import Arguments, Printout, printout
from dewkeeper.errors import CommandRefused
from dewkeeper_config import Config


class _Answered(Arguments):
    """The arguments of a command that the daemon runs."""

    known: Config

    def load_config(self) -> Config:
        return self.known


def answers(config: Config, file: bytes) -> Mapping[str, Callable[[dict[str, Any]], Mapping[str, Any]]]:
    """Return the handler of the one request, by its verb; file: the bytes that the configuration was made of."""
    ours = {"file": delegate.digest(file), "edition": delegate.edition()}

    def answer(request: dict[str, Any]) -> Mapping[str, Any]:
        if any(request.get(key) != value for key, value in ours.items()):
            raise CommandRefused("another configuration file, or another version, than the daemon's")
        now, words = int(request["now"]), [str(word) for word in request["words"]]
        args = _arguments(words, config, now)
        written = Printout(width=int(request["width"]), utf8=bool(request["utf8"]))
        # A context variable: it holds for this thread alone.
        before = printout.set(written)
        try:
            return {"code": args.run(args), "said": written.said}
        except Exception as error:  # the command meets it again when it reads for itself, and says what it is
            raise CommandRefused(f"{type(error).__name__}: {error}") from error
        finally:
            printout.reset(before)

    return {delegate.VERB: answer}


def _arguments(words: list[str], config: Config, now: int) -> Arguments:
    """Return the command line's arguments. Raises CommandRefused for what is no command that only reads."""
    from dewkeeper.cli import parsed

    try:
        args = parsed(words, _Answered(known=config, clock=lambda: float(now)))
    except SystemExit as error:  # a program of ours has read the same words before it asked
        raise CommandRefused("no command line") from error
    if not args.reads:
        raise CommandRefused("the command does more than read")
    return args
