"""What a command costs to start stays what it is: processor time against a bare Python's, measured by turns with it."""

from __future__ import annotations

from tests.bench.cli.start import BARE, measure

ROUNDS = 6

MOST_OF_HELP = 8.0
MOST_BESIDE_A_DAEMON = 20.0
MOST_ALONE = 20.0
"""Starts of a bare Python: the goal. It takes 12 to 16, and what this finds is a library that came back: pydantic takes 9."""


def test_commands_start_as_fast_as_they_did() -> None:
    """Help, reading beside a daemon and reading alone, each the least of a few rounds."""
    least, answered = measure(
        (["--help"], ["now", "--help"]), (["now"], ["journal", "list"], ["config", "check"], ["config", "show"]), ROUNDS
    )
    bare = least[BARE]
    most = {"--help": MOST_OF_HELP, "now --help": MOST_OF_HELP, "now": MOST_ALONE, "journal list": MOST_ALONE}
    most |= {"config check": MOST_ALONE, "config show": MOST_ALONE}
    assert {words: round(least[words] / bare, 1) for words, limit in most.items() if least[words] > limit * bare} == {}
    assert max(seconds for seconds, _ in answered.values()) <= MOST_BESIDE_A_DAEMON * bare, (answered, bare)
