"""The documentation of the command line is what the commands say of themselves."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewkeeper.cli import TOPICS, build_parser, main
from dewkeeper.cli.command_list import reference

DOCUMENT = Path(__file__).resolve().parents[2] / "daemon" / "COMMANDS.md"


def test_the_document_is_current() -> None:
    """daemon/COMMANDS.md is what `dewkeeper commands` prints now."""
    fresh = reference(build_parser())
    assert DOCUMENT.read_text(encoding="utf-8") == fresh, "run: dewkeeper commands > daemon/COMMANDS.md"


@pytest.mark.parametrize("name", sorted({name for names in TOPICS.values() for name in names}))
def test_every_command_is_documented_with_its_help(name: str) -> None:
    """Each command has a heading, and no argument of it is without a word of help."""
    text = reference(build_parser(name))
    assert f"## `dewkeeper {name}" in text
    assert not [line for line in text.splitlines() if line.endswith("|  |")]


def test_the_command_prints_it(capsys: pytest.CaptureFixture[str]) -> None:
    """`dewkeeper commands` prints the document."""
    assert main(["commands"]) == 0
    assert capsys.readouterr().out == reference(build_parser())
