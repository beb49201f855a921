"""`dewkeeper report alarms` and `replay --since` over a real database."""

from __future__ import annotations

import json
import time
from pathlib import Path
from random import Random

import pytest

from dewkeeper.cli import main
from dewkeeper.clock import ManualClock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Command, Event, Item, JournalEntry, Quality, Reading
from dewkeeper.report.replaying import TOLD, told
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import load
from dewkeeper_drivers.contract import SHT3X

DAY = 86400
RACK = """
storage = {{ folder = "{folder}", ballast_mb = 0 }}
rack = [{{ name = "R" }}]
enclosure = [{{ name = "B1", rack = "R" }}, {{ name = "B2", rack = "R", place = 2 }}]
channel = [{{ kind = "webhook", name = "w", url = "http://127.0.0.1:9/" }}]
person = [{{ name = "Ina", channels = ["w"] }}]
[[probe]]
name = "p1"
enclosure = "B1"
driver = "simulated"
[[probe]]
name = "p2"
enclosure = "B2"
driver = "simulated"
"""


@pytest.fixture
def past(tmp_path: Path) -> Path:
    """Return the configuration of a rack whose B1 was dry every other hour or so for four days, judged and stored as it came.

    B1 was put into quarantine, and B2 taken out of service though far too dry, before the first day was over.
    """
    path = tmp_path / "rack.toml"
    path.write_text(RACK.format(folder=tmp_path), encoding="utf-8")
    config = load(path)
    store, judge, dice = Store.open(tmp_path, config.storage, ManualClock()), Judge(), Random(11)
    start = int(time.time()) // 60 * 60 - 4 * DAY
    items: list[Item] = [judge_settings(config, start)]
    for minute in range(1, 4 * 1440):
        at = start + 60 * minute
        if minute == 100:
            items.append(JournalEntry("q", at, "B1", "quarantine", who="Ina"))
            items.append(Command("o", at, "out_of_service", "Ina", "empty", enclosure="B2", until=at + 30 * DAY))
        for probe, humidity in (("p1", 45.0 if minute // 100 % 2 else 64.0), ("p2", 40.0)):
            words = SHT3X.encode(29 + dice.gauss(0, 0.02), humidity + dice.gauss(0, 0.1))
            items.append(Reading(at, probe, *SHT3X.decode(*words), *words))
    readings: list[tuple[Reading, Quality]] = []
    events: list[Event] = []
    for item in items:
        verdict = judge.feed(item)
        events += verdict.events
        if isinstance(item, Reading):
            readings.append((item, verdict.quality[0]))
            continue
        store.commit(Batch(readings=tuple(readings), events=tuple(events)))
        store.commit(Batch(items=(item,)))
        readings, events = [], []
    store.commit(Batch(readings=tuple(readings), events=tuple(events)))
    store.close()
    return path


def _json(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    assert main([*words, "--format", "json"]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


def test_the_report_names_the_worst_and_what_would_calm_it(past: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Months add up to what was told, the worst comes with a proposal that replay proved, and counts alone are quicker had."""
    assert main(["replay", "--config", str(past), "--since", "30d", "--as-it-was"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    raised = [line for line in lines if line["event"] == "raised"]
    found = _json(capsys, "report", "alarms", "--config", str(past))
    months, worst = found["months"], found["worst"]
    assert isinstance(months, list)
    assert isinstance(worst, list)
    assert sum(line["raised"] for line in months) == len(raised) > 5
    assert (worst[0]["enclosure"], worst[0]["kind"]) == ("B1", "dry")
    assert worst[0]["proposal"]["alarms_proposed"] < worst[0]["proposal"]["alarms_now"]
    assert _json(capsys, "report", "alarms", "--config", str(past), "--counts-only")["worst"] == []
    assert main(["report", "alarms", "--config", str(past)]) == 0
    table = capsys.readouterr().out
    assert "never seen" in table
    assert "would have been" in table


def test_a_replay_from_amid_knows_stages_and_what_is_out_of_service(
    past: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Begun days after it, a quarantine (45 % is only beyond target there) and an enclosure out of service still hold."""
    assert main(["replay", "--config", str(past), "--since", "2d"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {line["enclosure"] for line in lines} == {"B1"}
    assert {line["kind"] for line in lines} >= {"dry"}


def test_as_it_was_prints_what_was_told(past: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From the beginning, by the settings then in force: the stored events, ids included."""
    from dewkeeper.store import History

    assert main(["replay", "--config", str(past), "--since", "30d", "--as-it-was"]) == 0
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    with History.open(past.parent) as history:
        assert printed == [told(event) for event in history.events(0) if event.event in TOLD]


@pytest.mark.parametrize(
    "words", [["--since", "2d", "--journal", "j.csv"], ["--since", "2d", "r.csv"], ["r.csv", "--as-it-was"], []]
)
def test_what_does_not_go_together_is_refused(past: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """A file and --since, a journal without a file, --as-it-was without a database, nothing at all: exit 2 and a sentence."""
    assert main(["replay", "--config", str(past), *words]) == 2
    assert capsys.readouterr().err.strip()
