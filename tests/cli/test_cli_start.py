"""A command imports what it needs: on a small Pi every library is a part of a second."""

from __future__ import annotations

import json
import subprocess
import sys

HEAVY = ("sqlalchemy", "pydantic", "requests", "alembic", "apscheduler", "jinja2", "werkzeug", "waitress", "psychrolib", "asyncio")

_HELP = """
import contextlib, io, json, sys
from dewkeeper.cli import build_parser, main

def leaves(parser, words):
    yield words
    for action in parser._actions:
        for name, child in (action.choices or {}).items() if hasattr(action, "_name_parser_map") else ():
            yield from leaves(child, [*words, name])

asked = list(leaves(build_parser(), []))
for words in asked:
    with contextlib.redirect_stdout(io.StringIO()) as said, contextlib.suppress(SystemExit):
        main([*words, "--help"])
    assert said.getvalue().startswith("usage: dewkeeper"), words
print(json.dumps([len(asked), sorted({name.partition(".")[0] for name in sys.modules})]))
"""


def test_help_imports_no_library() -> None:
    """`--help` of every command, and of all together, needs Python's own library and the parsers, nothing else."""
    done = subprocess.run([sys.executable, "-c", _HELP], capture_output=True, text=True, check=True)
    asked, modules = json.loads(done.stdout)
    assert asked > 40
    assert not set(HEAVY) & set(modules)
    assert not {"dewkeeper_config", "dewkeeper_drivers"} & set(modules)
