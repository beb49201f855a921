"""`dewkeeper insight`: questions about files, answered line by line, in order; what it cannot read it says."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from dewkeeper.air import humidity_at
from dewkeeper.cli import main

START = 1_767_225_600
RACK = """
[[rack]]
name = "R"
room = "snakes"
[[enclosure]]
name = "A1"
rack = "R"
[[probe]]
name = "a1"
enclosure = "A1"
driver = "simulated"
[[probe]]
name = "air"
role = "room"
room = "snakes"
driver = "simulated"
"""


def stamp(minute: int) -> str:
    """Return a minute as the files write it."""
    return datetime.fromtimestamp(START + 60 * minute, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """Return a folder with a rack, two days of readings with a cooling of three degrees, and a journal."""
    dice = Random(1)
    lines = ["time,probe,temperature_c,humidity_pct"]
    for minute in range(0, 2880, 2):
        warm = 30.0 - 3.0 * min(1.0, max(0, minute - 2400) / 120)
        lines.append(
            f"{stamp(minute)},a1,{warm + dice.gauss(0, 0.02):.3f},{humidity_at(26.0, warm) + dice.gauss(0, 0.05):.3f}"
        )
        lines.append(f"{stamp(minute)},air,{22 + dice.gauss(0, 0.02):.3f},{45 + dice.gauss(0, 0.05):.3f}")
    (tmp_path / "rack.toml").write_text(RACK, encoding="utf-8")
    (tmp_path / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "journal.csv").write_text(f"time,enclosure,what\n{stamp(300)},A1,fed\n", encoding="utf-8")
    return tmp_path


def asked(
    folder: Path, *questions: object, capsys: pytest.CaptureFixture[str]
) -> tuple[int, list[dict[str, Any]], str]:
    """Ask; return the exit code, the answers and the complaints."""
    lines = [question if isinstance(question, str) else json.dumps(question) for question in questions]
    (folder / "ask.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    code = main([
        "insight", "--config", str(folder / "rack.toml"), str(folder / "readings.csv"),
        "--journal", str(folder / "journal.csv"), "--ask", str(folder / "ask.jsonl"),
    ])  # fmt: skip
    out, err = capsys.readouterr()
    return code, [json.loads(line) for line in out.splitlines()], err


def test_a_cooling_is_called_temperature_and_its_parts_add_up(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Humidity rose because it cooled; the parts are the change."""
    code, (given, found), _ = asked(
        files,
        {"id": "q1", "ask": "cause", "enclosure": "A1", "from": stamp(2400), "to": stamp(2800)},
        {"id": 2, "ask": "cause", "enclosure": "A1", "to": stamp(2800)},
        capsys=capsys,
    )
    assert code == 0
    for answer in (given, found):
        assert answer["cause"] == "temperature"
        assert sum(answer["parts"].values()) == pytest.approx(answer["after"] - answer["before"], abs=0.005)
    assert (given["id"], found["id"]) == ("q1", 2)


def test_what_is_not_known_well_enough_is_withheld_with_its_reason(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two days teach no forecast, no drying constant and no effect; each says why, and nothing failed."""
    code, answers, err = asked(
        files,
        {"id": 1, "ask": "forecast", "enclosure": "A1", "at": stamp(2800), "limit": 55, "horizon_h": 72},
        {"id": 2, "ask": "time_constant", "enclosure": "A1"},
        {"id": 3, "ask": "effect", "enclosure": "A1", "at": stamp(1440), "what": "mesh_cover"},
        capsys=capsys,
    )
    assert code == 0
    assert err == ""
    assert all(answer["withheld"] is True and answer["why"] for answer in answers)


@pytest.mark.parametrize(
    "question",
    [
        "[1", "[" * 5000, "[" * 200_000, "null", '{"id": NaN}', '{"id": 1e999, "ask": "time_constant", "enclosure": "A1"}', '"text"', "{}", '{"ask": "weather", "enclosure": "A1"}', '{"ask": "cause", "enclosure": "Z9", "to": "x"}',
        '{"ask": "cause", "enclosure": "A1", "to": 5}', '{"ask": "forecast", "enclosure": "A1", "at": "2026-01-02T00:00:00Z", "limit": "dry"}',
        '{"ask": "cause", "enclosure": "A1", "from": "2026-01-02T00:00:00Z", "to": "2026-01-01T00:00:00Z"}',
        '{"ask": "effect", "enclosure": "A1", "at": "2026-01-02T00:00:00Z", "after_from": "2026-01-03T00:00:00Z"}',
        '{"ask": "effect", "enclosure": "A1", "at": "2026-01-02T00:00:00Z", "what": 17}',
    ],
)  # fmt: skip
def test_a_question_that_is_none_costs_itself(question: str, files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is named with its line on standard error, exit 1; the question after it is answered."""
    good = {"id": 9, "ask": "cause", "enclosure": "A1", "to": stamp(2800)}
    code, answers, err = asked(files, question, good, capsys=capsys)
    assert code == 1
    assert "line 1" in err
    assert [answer.get("withheld") for answer in answers] == [True, None]
    assert ("one JSON object a line is expected" in err) == (not question.startswith('{"ask'))


def test_a_missing_file_is_said_plainly(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No traceback, exit 2."""
    code = main(
        ["insight", "--config", str(files / "rack.toml"), str(files / "none.csv"), "--ask", str(files / "no.jsonl")]
    )
    assert code == 2
    assert "no.jsonl" in capsys.readouterr().err


def test_the_daemon_never_loads_numpy_or_scipy() -> None:
    """What runs day and night on a small Pi does not carry them."""
    program = (
        "import sys, dewkeeper.service.daemon, dewkeeper.cli.run, dewkeeper.web.app, dewkeeper.notify.dispatcher\n"
        "sys.exit(len({'numpy', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
