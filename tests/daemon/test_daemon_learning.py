"""The learning pass of a daemon: a process of its own that reads the database and hands in what it found."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from random import Random

import pytest
from tests.daemon.conftest import Racks

from dewkeeper.air import humidity_at
from dewkeeper.insight.compared import Compared
from dewkeeper.insight.outlook import OutlookFigures
from dewkeeper.judge.types import PASS, Quality, Reading
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_drivers.contract import SHT3X

DAYS = 16


def _fill(racks: Racks) -> None:
    """Store some weeks of a tub with day and night; no other is read."""
    config = racks.config(2)
    store = Store.open(racks.folder, config.storage, racks.clock)
    dice, end = Random(3), int(racks.clock.wall()) // 3600 * 3600
    rows = []
    for at in range(end - DAYS * 86400, end, 300):
        warm = 29.5 + 2.0 * math.sin(2 * math.pi * (at % 86400) / 86400)
        vapour = 26.0 + 0.4 * math.sin(2 * math.pi * at / 604800)
        words = SHT3X.encode(warm + dice.gauss(0, 0.02), humidity_at(vapour, warm) + dice.gauss(0, 0.06))
        rows.append((Reading(at, "t1", *SHT3X.decode(*words), *words), Quality(at, "t1", PASS)))
    store.commit(Batch(readings=tuple(rows)))
    store.close()


def test_a_pass_hands_in_facts_and_figures_and_says_what_is_withheld(racks: Racks) -> None:
    """The command the daemon runs at night, as a process: facts stored and dated, figures kept, nothing new said twice."""
    _fill(racks)
    (racks.folder / "test.toml").write_text(racks.text(2))
    command = [sys.executable, "-m", "dewkeeper", "learn", "--config", str(racks.folder / "test.toml")]
    daemon = racks.start(racks.config(2), learn=command)
    daemon.learner.start()
    assert daemon.learner._thread is not None
    daemon.learner._thread.join(120)
    assert not daemon.learner.reports(0)[0].trouble, daemon.learner.reports(0)[0].text
    now = daemon.timeline.now()
    with History.open(racks.folder) as history:
        known, notes, kept = history.learned(now), history.figures("outlook:"), history.figures("compared:")
    assert set(known) == {"T1", "T2"}
    peak = known["T1"].fact("usual_peak_c", now)
    assert peak is not None
    assert peak.value == pytest.approx(31.55, abs=0.1)
    assert {fact.quantity: fact.why for fact in known["T1"].facts}["drying_hours"].startswith(
        "only 0 undisturbed decays"
    )
    assert all(fact.value is None and fact.why for fact in known["T2"].facts)
    assert Compared.from_text(kept["T1"]).corrected[:3] == (0.0, 0.0, 1.0)
    figures = OutlookFigures.from_text(notes["T1"])
    assert figures is not None
    assert len(figures.blend) == 72
    assert len(notes["T1"]) < 15_000
    again = subprocess.run([*command, "--at", str(now), "--format", "json"], capture_output=True, text=True, check=True)
    assert {row["enclosure"] for row in json.loads(again.stdout)} == {"T1", "T2"}
    with History.open(racks.folder) as history:
        assert history.learned(now) == known


def test_a_pass_that_fails_is_told_and_the_next_one_clears_it(racks: Racks) -> None:
    """What the process complained of is reported as trouble of low priority; the daemon goes on."""
    daemon = racks.start(
        racks.config(1), learn=[sys.executable, "-c", "import sys; sys.exit('numpy is not installed')"]
    )
    daemon.learner.start()
    assert daemon.learner._thread is not None
    daemon.learner._thread.join(60)
    report = daemon.learner.reports(0)[0]
    assert (report.trouble, report.priority) == (True, "low")
    assert report.text == "nothing new was learned: numpy is not installed"
    daemon.learner._command = (sys.executable, "-c", "")
    daemon.learner.start()
    daemon.learner._thread.join(60)
    assert not daemon.learner.reports(0)[0].trouble
