"""`dewkeeper replay`: the file formats, refused rows, comparison; and the alarm report's counting."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Literal
from zoneinfo import ZoneInfo

import pytest
from tests.judge.judge_desk import START, rack

from dewkeeper.cli import main
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, Reading
from dewkeeper.report.alarm_report import Proposal, by_month, offenders, proposal
from dewkeeper.report.readings_file import ReadingsFile, Refusals
from dewkeeper.report.replaying import TOLD, replay_items, told

RACK = """
[[rack]]
name = "R"
[[enclosure]]
name = "B1"
rack = "R"
[enclosure.limits]
humidity_tolerable = {{ low = {low}, high = 80 }}
[[probe]]
name = "p1"
enclosure = "B1"
driver = "simulated"
[[channel]]
kind = "webhook"
name = "w"
url = "http://127.0.0.1:1/"
[[person]]
name = "M"
channels = ["w"]
"""


def _line(minute: int, t: float | str, h: float | str, probe: str = "p1") -> str:
    when = datetime.fromtimestamp(START + 60 * minute, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return f"{when},{probe},{t},{h}"


@pytest.fixture
def files(tmp_path: Path) -> Path:
    """Return a folder with a rack, another rack, and readings that are dry for three hours."""
    random = Random(3)
    lines = ["time,probe,temperature_c,humidity_pct"]
    for minute in range(600):
        h = (50 if 200 <= minute < 400 else 65) + random.gauss(0, 0.1)
        lines.append(_line(minute, f"{29 + random.gauss(0, 0.05):.3f}", f"{h:.3f}"))
    (tmp_path / "r.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "rack.toml").write_text(RACK.format(low=55), encoding="utf-8")
    (tmp_path / "other.toml").write_text(RACK.format(low=45), encoding="utf-8")
    return tmp_path


def _replay(files: Path, *more: str) -> int:
    return main(["replay", "--config", str(files / "rack.toml"), str(files / "r.csv"), *more])


def test_events_come_as_json_lines(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One JSON object per event with exactly the published keys; one id over one alarm's events."""
    assert _replay(files) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(line["kind"], line["band"], line["event"], line["enclosure"], line["probe"]) for line in lines] == [
        ("dry", "tolerable", "raised", "B1", "p1"),
        ("dry", "tolerable", "cleared", "B1", "p1"),
    ] or lines[-1]["event"] == "cleared"
    assert set(lines[0]) == {"time", "enclosure", "probe", "kind", "band", "event", "priority", "alarm"}
    assert lines[0]["time"].endswith("Z")
    assert len({line["alarm"] for line in lines}) == 1


def test_bad_rows_are_counted_with_their_lines(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rubbish rows are refused one by one and reported; the rest is judged as if they were not there."""
    _replay(files)
    clean = capsys.readouterr().out
    lines = (files / "r.csv").read_text(encoding="utf-8").splitlines()
    bad = [
        "nonsense",
        _line(50, "x", 60),
        _line(50, "nan", 60),
        _line(50, 29, ""),
        _line(50, 29, 60, "who"),
        "2020,p1,1,1",
    ]
    for bad_line in (*bad, _line(999999, 29, 60)):
        lines.insert(100, bad_line)
    (files / "r.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert _replay(files) == 0
    captured = capsys.readouterr()
    assert captured.out == clean
    for reason in ("not 4 cells", "not a number", "finite", "one value", "unknown probe", "ending in Z", "far from"):
        assert reason in captured.err
    assert "line 107" in captured.err


def test_a_journal_joins_the_readings(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A stage in the journal file changes what is told; a word nobody knows is refused with its line."""
    when = _line(10, 0, 0).split(",", maxsplit=1)[0]
    (files / "j.csv").write_text(
        f"time,enclosure,what,detail\n{when},B1,quarantine,\n{when},B1,flew,\n", encoding="utf-8"
    )
    assert _replay(files, "--journal", str(files / "j.csv")) == 0
    captured = capsys.readouterr()
    assert "unknown journal word: line 3" in captured.err
    assert '"band": "target"' in captured.out  # quarantine tolerates down to 50 %


def test_compare_says_what_disappears_and_what_comes_later(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With a lower limit the alarm is milder and comes later; with no limit in reach it is gone. Per enclosure and week."""
    assert _replay(files, "--compare", str(files / "other.toml"), "--format", "json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["from"], found["weeks"]) == (_line(0, 0, 0).split(",", maxsplit=1)[0], 1.0)
    (row,) = found["enclosures"]
    assert (row["enclosure"], row["here"], row["there"], row["milder"], row["graver"]) == ("B1", 1, 1, 1, 0)
    assert row["earlier_seconds"]["median"] == -2 * 3600  # beyond target is told after 3 h, beyond tolerable after 1 h
    (files / "far.toml").write_text(
        RACK.format(low=10).replace(
            "[enclosure.limits]", "[enclosure.limits]\nhumidity_target = { low = 20, high = 70 }"
        ),
        encoding="utf-8",
    )
    assert _replay(files, "--compare", str(files / "far.toml")) == 0
    table = capsys.readouterr().out
    assert "disappear:" in table
    assert "dry beyond tolerable, medium" in table
    assert _replay(files, "--compare", str(files / "rack.toml")) == 0
    assert "Both would have told the same at the same times." in capsys.readouterr().out


def test_a_file_probe_by_probe_is_judged_like_one_in_order_of_time(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same rows, all of the tub's and then all of the room's: the same events, and standard error says that they were sorted."""
    rack_text = RACK.format(low=55) + '[[probe]]\nname = "air"\nroom = "room"\nrole = "room"\ndriver = "simulated"\n'
    (files / "rack.toml").write_text(rack_text, encoding="utf-8")
    head, *tub = (files / "r.csv").read_text(encoding="utf-8").splitlines()
    room = [_line(minute, 22, 45, "air") for minute in range(600)]
    printed = []
    for lines in ([line for pair in zip(tub, room, strict=True) for line in pair], tub + room):
        (files / "r.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        assert _replay(files) == 0
        printed.append(capsys.readouterr())
    assert printed[0].out == printed[1].out != ""
    assert printed[0].err == ""
    assert "sorted first" in printed[1].err
    assert "refused" not in printed[1].err


def test_a_wrong_header_is_refused(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is no readings file is refused whole with exit 1, saying what the header must be."""
    (files / "r.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    assert _replay(files) == 1
    assert "time,probe,temperature_c,humidity_pct" in capsys.readouterr().err


def test_file_and_stream_give_the_same_events(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the file replay prints is what a live judge tells of the same readings, restarted at random points."""
    _replay(files)
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    from dewkeeper.service.settings import judge_settings
    from dewkeeper_config.loading import load

    random = Random(5)
    judge = Judge()
    judge.feed(judge_settings(load(files / "rack.toml"), START))
    live: list[Event] = []
    for at, probe, t, h in ReadingsFile(files / "r.csv").rows({"p1"}, Refusals()):
        if random.random() < 0.02:
            judge = Judge.load(judge.dump())
        live += judge.feed(Reading(at, probe, t, h)).events
    assert [told(event) for event in live if event.event in TOLD] == printed


def _flapping() -> Callable[[], list[Reading]]:
    random = Random(9)
    readings = [
        Reading(
            START + 60 * n, "p1", 29.0 + random.gauss(0, 0.02), (50.0 if n // 180 % 2 else 64.0) + random.gauss(0, 0.1)
        )
        for n in range(1, 6000)
    ]
    return lambda: readings


def test_the_report_counts_every_alarm_once_and_proposes_what_replay_proves() -> None:
    """Counts reconcile with the events; a proposal's numbers are those of a replay with that setting."""
    readings = _flapping()()
    settings = rack()
    events = list(replay_items(settings, readings))
    until = START + 360000
    lines = by_month(events, START, until, ZoneInfo("UTC"))
    raised = [event for event in events if event.event == "raised"]
    assert sum(line.raised for line in lines) == len(raised) > 3
    assert sum(line.low + line.medium + line.urgent for line in lines) == len(raised)
    assert sum(line.never_acknowledged for line in lines) == len(raised)
    (worst,) = offenders(events, START, until)
    assert (worst.enclosure, worst.kind, worst.raised) == ("B1", "dry", len(raised))
    found = proposal(settings, worst, lambda probes: [r for r in readings if r.probe in probes])
    assert found is not None
    assert found.alarms_proposed < found.alarms_now == len(raised)
    delays = settings.enclosures["B1"].limits.delays.but(**{found.setting: found.proposed})
    limits = settings.enclosures["B1"].limits.but(delays=delays)
    again = replay_items(rack(limits=limits), readings)
    assert sum(event.event == "raised" for event in again) == found.alarms_proposed
    assert "would have been" in found.sentence()


def test_time_standing_falls_into_the_months_it_stood_in() -> None:
    """An alarm over a turn of the month counts once, in the month it was raised, and its hours in both; local months."""
    zone = ZoneInfo("Europe/Vienna")
    turn = int(datetime(2026, 3, 1, tzinfo=zone).timestamp())

    def event(at: int, what: Literal["raised", "cleared"]) -> Event:
        return Event(what, "a", at, what, "dry", "B1", "p1", "target", "low", "normal", at)

    lines = by_month([event(turn - 7200, "raised"), event(turn + 3600, "cleared")], turn - 86400, turn + 86400, zone)
    assert [(line.month, line.raised, line.standing_seconds) for line in lines] == [
        ("2026-02", 1, 7200),
        ("2026-03", 0, 3600),
    ]
    later = by_month([event(turn - 7200, "raised"), event(turn + 3600, "cleared")], turn, turn + 86400, zone)
    assert [(line.month, line.raised, line.standing_seconds) for line in later] == [("2026-03", 0, 3600)]


def test_an_alarm_that_still_stands_is_not_counted_as_soon_over() -> None:
    """Three of a kind, the last raised minutes before the report: two are fleeting, the third is not over."""

    def event(number: int, at: int, what: Literal["raised", "cleared"]) -> Event:
        return Event(what, f"{number}", START + at, what, "dry", "B1", "p1", "target", "low", "normal", START + at)

    events = [event(n, at, "raised") for n, at in enumerate((0, 20000, 40000))]
    events += [event(n, at, "cleared") for n, at in enumerate((600, 20600))]
    (worst,) = offenders(events, START, START + 40300)
    assert (worst.raised, worst.fleeting) == (3, 2)
    (line,) = by_month(events, START, START + 40300, ZoneInfo("UTC"))
    assert line.fleeting == worst.fleeting


def test_of_alarms_not_told_at_all_no_length_is_made_up() -> None:
    """Where the only one that a proposal loses stands still, nobody knows how long it will have stood."""
    said = Proposal("B1", "dry", "off_minutes", 10, 120, 4, 3, 1, 0, 0).sentence()
    assert "1 not told at all" in said
    assert "moment" not in said


def test_a_replay_that_learns_nothing_loads_no_numpy_and_no_database(files: Path) -> None:
    """`--unlearned` judges a file with what judging takes, and says the same of a file that is over before the first pass."""
    code = (
        "import sys; from dewkeeper.cli import main; main(sys.argv[1:]);"
        "sys.exit(len({'numpy', 'sqlalchemy'} & set(sys.modules)))"
    )
    command = ["replay", "--config", str(files / "rack.toml"), str(files / "r.csv")]
    fast = subprocess.run([sys.executable, "-c", code, *command, "--unlearned"], capture_output=True, check=False)
    assert fast.returncode == 0, fast.stderr
    learned = subprocess.run([sys.executable, "-m", "dewkeeper", *command], capture_output=True, check=True)
    assert fast.stdout == learned.stdout
    assert b"dry" in fast.stdout


def test_unlearned_is_a_files(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --since it is refused: what the database holds was learned already."""
    assert main(["replay", "--config", str(files / "rack.toml"), "--since", "9d", "--unlearned"]) == 2
    assert "--unlearned goes with a readings file" in capsys.readouterr().err
