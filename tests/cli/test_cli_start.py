"""A command imports what it needs: on a small Pi every library is a part of a second."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from tests.cli.test_cli_hostile import RACK
from tests.store.conftest import MIDNIGHT, Shelf

HEAVY = (
    "sqlalchemy",
    "pydantic",
    "requests",
    "alembic",
    "apscheduler",
    "jinja2",
    "werkzeug",
    "waitress",
    "asyncio",
)
SLOW = ("dataclasses", "datetime", "lzma", "shutil", "zoneinfo")
"""Of Python's own library what a text needs no more than those."""

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
    """`--help` of every command, and of all together, needs the parsers and of Python's own library what is quickly loaded."""
    done = subprocess.run([sys.executable, "-c", _HELP], capture_output=True, text=True, check=True)
    asked, modules = json.loads(done.stdout)
    assert asked > 40
    assert not {*HEAVY, *SLOW} & set(modules)
    assert not {"dewkeeper_config", "dewkeeper_drivers"} & set(modules)


@pytest.fixture
def rack(tmp_path: Path) -> Path:
    """A configuration whose store holds a day."""
    file = tmp_path / "rack.toml"
    file.write_text(RACK.format(folder=tmp_path), encoding="utf-8")
    shelf = Shelf(tmp_path / "state")
    shelf.put([(MIDNIGHT + 900 * i, "b1", 26000 + i, 40000, True) for i in range(96)])
    shelf.store.close()
    return file


_READ = """
import contextlib, io, json, sys
from dewkeeper.cli import main

for words in (["now"], ["morning"], ["history", "B1"], ["alarms"], ["journal", "list"], ["animals"]):
    with contextlib.redirect_stdout(io.StringIO()):
        assert main([*words, "--config", sys.argv[1]]) in (0, 1)
print(json.dumps(sorted(sys.modules)))
"""


def test_looking_imports_nothing_that_judges_writes_or_serves(rack: Path) -> None:
    """`now`, `morning`, `history`, `alarms`, `journal list`, once the configuration was checked: no pydantic, no scheduler, no server, no migrations, no judge, no writer; nor what asks a daemon that is not there, or words a refusal."""
    first = subprocess.run([sys.executable, "-c", _READ, str(rack)], capture_output=True, text=True, check=True)
    assert "pydantic" in json.loads(first.stdout)
    done = subprocess.run([sys.executable, "-c", _READ, str(rack)], capture_output=True, text=True, check=True)
    modules = set(json.loads(done.stdout))
    assert "dewkeeper.store.history" in modules
    assert (
        not {
            *HEAVY,
            "pydantic_core",
            "annotated_types",
            "typing_extensions",
            "tempfile",
            "difflib",
            "socket",
        }
        & modules
    )
    assert (
        not {
            "dewkeeper.judge.acting",
            "dewkeeper.judge.core",
            "dewkeeper.judge.pipeline",
            "dewkeeper.judge.state",
            "dewkeeper.judge.table",
            "dewkeeper.judge.checks",
            "dewkeeper.judge.detectors",
            "dewkeeper_config.json_schema",
            "dewkeeper.store.store",
            "dewkeeper.web",
            "dewkeeper.notify",
        }
        & modules
    )


_COLLECTOR = """
import gc, sys
from dewkeeper.cli import main

before = gc.get_threshold()
assert main(["now", "--config", sys.argv[1]]) in (0, 1)
assert gc.get_threshold() == before
assert "dewkeeper_config" in sys.modules
"""


def test_a_command_that_looks_says_all_and_leaves_python_as_it_was(rack: Path) -> None:
    """By the script, which ends before Python takes itself apart, the same words and exit code as by `main`."""
    done = subprocess.run([sys.executable, "-c", _COLLECTOR, str(rack)], capture_output=True, text=True, check=True)
    asked = [sys.executable, "-m", "dewkeeper", "now", "--config", str(rack)]
    ended = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (1, done.stdout, done.stderr)
    assert "b1" in ended.stdout


_DAEMON = """
import json, sys
from dewkeeper.left_out import leave_out_charsets

leave_out_charsets()
import requests
from dewkeeper.service.calendar import SchedulerAlarm
from dewkeeper.service.daemon import Daemon

alarm = SchedulerAlarm()
alarm.stop()
loaded = sorted(name for name, module in sys.modules.items() if module is not None)
import asyncio, asyncio.subprocess
from apscheduler import util

async def answer():
    return util.iscoroutinefunction(answer)

print(json.dumps([loaded, asyncio.run(answer()), util.iscoroutinefunction(7), requests.Response().apparent_encoding]))
"""


def test_a_daemon_leaves_out_what_its_libraries_need_for_others() -> None:
    """Neither asyncio nor what guesses encodings is loaded by the daemon's libraries, and no SQLAlchemy by us; who asks for asyncio gets the real one."""
    done = subprocess.run([sys.executable, "-W", "error", "-c", _DAEMON], capture_output=True, text=True, check=True)
    loaded, coroutine, seven, encoding = json.loads(done.stdout)
    assert {"apscheduler", "requests", "pydantic"} <= set(loaded)
    assert not {"sqlalchemy", "alembic", "asyncio", "charset_normalizer", "chardet"} & set(loaded)
    assert coroutine
    assert not seven
    assert encoding == "utf-8"
