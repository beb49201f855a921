"""What open lids say of a probe, and the correction they propose; nobody but the keeper applies it."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Calibration, Fact, Learned
from dewkeeper.report.calibration_checks import checks
from dewkeeper_config.loading import ReplayConfig, parse

NOW = 1_790_000_000
RACK = b"""
site = { name = "S", timezone = "UTC" }
rack = [{ name = "R", room = "room" }]
enclosure = [{ name = "B1", rack = "R" }]
probe = [
  { name = "b1", enclosure = "B1", driver = "simulated" },
  { name = "b1_warm", enclosure = "B1", role = "warm_end", driver = "simulated" },
]
"""


def _said(fact: Fact, offset: float = 0.0) -> list[str]:
    calibrations = Calibrations([Calibration(NOW - 9, "b1", humidity_offset_percent=offset)] if offset else [])
    learned = {"B1": Learned(NOW - 5, "B1", (fact,))}
    return [
        check.compared for check in checks(calibrations, parse(RACK, Path("rack.toml"), ReplayConfig), learned, NOW)
    ]


@pytest.mark.parametrize(("offset", "proposed"), [(0.0, "-3.1"), (1.5, "-1.6")])
def test_a_drifted_probe_has_a_correction_proposed(offset: float, proposed: str) -> None:
    """By how much, since when it counts, salt first, and the command with the correction in force already in it."""
    said = _said(Fact("probe_error_percent", 3.1, 1.9, 4.3, 14, 60, NOW + 9), offset)
    assert said == [
        "By 14 openings in 60 days, at which it was compared with its room, it reads +3.1 %RH (+1.9 to +4.3) against when"
        " it was new or last checked. Check it over a salt first; without one the correction would be: dewkeeper probes"
        f" calibrate b1 --humidity-offset {proposed}.",
        "",
    ]


def test_what_may_be_nothing_proposes_nothing() -> None:
    """Small or doubtful it is called no drift; creep is said to go back by itself; withheld or too old, nothing is said."""
    creep = "after a damp time it reads about +2 %RH besides, which goes back by itself"
    assert _said(Fact("probe_error_percent", 0.4, -0.8, 1.6, 9, 40, NOW + 9, creep))[0] == (
        "By 9 openings in 40 days, at which it was compared with its room, it has moved by +0.4 %RH (-0.8 to +1.6), which"
        " is no drift yet. After a damp time it reads about +2 %RH besides, which goes back by itself."
    )
    assert _said(Fact("probe_error_percent", why="2 openings")) == ["", ""]
    assert _said(Fact("probe_error_percent", 3.1, 1.9, 4.3, 14, 60, NOW)) == ["", ""]
