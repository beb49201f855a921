"""Calibrating a probe of a running daemon: from then on, back to a time, across restarts, with nothing lost."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.daemon.conftest import Phone, Racks
from tests.daemon.test_daemon_replay import Night

from dewkeeper.cli import main
from dewkeeper.errors import CommandRefused
from dewkeeper.report.past import StoredPast
from dewkeeper.service.recall import recall
from dewkeeper.store import History, Store
from dewkeeper_config.loading import load
from dewkeeper_drivers.contract import SCALES


def _corrections(racks: Racks, probe: str = "t1") -> list[tuple[int, float]]:
    """Return by how many %RH every stored reading differs from what its raw words say."""
    with History.open(racks.folder) as history:
        rows = [row.reading for row in history.raw(probe, 0, 1 << 40)]
    return [
        (r.time, round(r.humidity_percent - SCALES[r.scale].decode(r.temperature_word, r.humidity_word)[1], 3))
        for r in rows
        if r.humidity_percent is not None and r.temperature_word is not None and r.humidity_word is not None
    ]


def test_a_correction_holds_from_its_start_on_and_across_a_restart(racks: Racks) -> None:
    """Readings before it stay, readings after it are corrected, judged as such, and so they are after a restart."""
    config = racks.config(2, 60)
    daemon = racks.start(config)
    racks.clock.advance(600)
    reply: Any = daemon.handle({"do": "calibrate", "probe": "t1", "humidity_offset_percent": 3.0, "who": "Ina"})
    start = reply["calibration"]["time"]
    racks.stop_after(daemon, 600)
    racks.stop_after(racks.start(config), 600)
    rows = _corrections(racks)
    assert [by for at, by in rows if at < start] == [0.0] * 11
    assert {by for at, by in rows if at >= start} == {3.0}
    assert len(rows) > 25
    assert {by for _, by in _corrections(racks, "t2")} == {0.0}


def test_one_that_is_dated_back_corrects_what_was_read_since(racks: Racks) -> None:
    """History, quarter hours and the night read corrected from the start on; replacing it corrects them anew; both are kept."""
    config = racks.config(1, 60)
    daemon = racks.start(config)
    racks.clock.advance(4 * 3600)
    start = daemon.timeline.now() - 2 * 3600
    span = (start // 900 * 900 + 900, (start // 900 + 6) * 900)
    lowest = []
    for offset in (0.0, -9.0, 4.0):
        daemon.handle(
            {"do": "calibrate", "probe": "t1", "humidity_offset_percent": offset, "time": start, "who": "Ina"}
        )
        racks.clock.settle()
        assert {by for at, by in _corrections(racks) if at >= start} == {offset}
        assert {by for at, by in _corrections(racks) if at < start} == {0.0}
        with StoredPast.open(config) as past:
            night = past.nights(*span)["T1"]
            kept = past.calibrations().of("t1")
        assert night.humidity_min is not None
        lowest.append(night.humidity_min.value)
    assert [round(value - lowest[0], 3) for value in lowest] == [0.0, -9.0, 4.0]
    assert [one.humidity_offset_percent for one in kept] == [0.0, -9.0, 4.0]
    assert {one.time for one in kept} == {start}
    with History.open(racks.folder) as history:  # a replay takes them where they begin, so it sees no jump there
        stream = [(item.time, type(item).__name__) for item in history.stream(start - 60)]
    first = next(index for index, (at, kind) in enumerate(stream) if kind == "Reading" and at >= start)
    assert stream[first - 3 : first] == [(start, "Calibration")] * 3


@pytest.mark.parametrize(
    ("request_", "says"),
    [
        ({"probe": "t9"}, "no probe 't9'; there are: t1, t2"),
        ({"probe": "t1"}, "nothing to correct"),
        ({"probe": "t1", "humidity_offset_percent": 16.0}, "from -15 to 15"),
        ({"probe": "t1", "humidity_offset_percent": float("nan")}, "from -15 to 15"),
        ({"probe": "t1", "temperature_offset_c": -3.5}, "from -3 to 3"),
        ({"probe": "t1", "humidity_offset_percent": 1.0, "jars": [["NaCl", 74, 25]]}, "not both"),
        ({"probe": "t1", "jars": [["NaCl", 74]]}, "lists of a salt"),
        ({"probe": "t1", "jars": [["LiCl", 11, 25]]}, "there are: MgCl2, K2CO3, NaCl, KCl, K2SO4"),
        ({"probe": "t1", "jars": [["NaCl", 74, 40]]}, "15 to 35 °C"),
        ({"probe": "t1", "humidity_offset_percent": 1.0, "time": 1 << 39}, "future"),
    ],
)
def test_what_cannot_be_is_refused_whole(racks: Racks, request_: dict[str, Any], says: str) -> None:
    """Unknown probes and salts, impossible numbers and times are refused, saying what is allowed; nothing is stored."""
    daemon = racks.start(racks.config(2, 60))
    with pytest.raises(CommandRefused, match=says):
        daemon.handle({"do": "calibrate", **request_})
    with History.open(racks.folder) as history:
        assert history.calibrations().all() == []


def test_what_is_not_given_stays(racks: Racks) -> None:
    """A temperature alone leaves the humidity's check and its due date; a jar leaves the temperature; found and left differ."""
    daemon = racks.start(racks.config(1, 60))
    salts: Any = daemon.handle(
        {"do": "calibrate", "probe": "t1", "jars": [["NaCl", 72.3, 25.0], ["MgCl2", 35.8, 25.0]]}
    )
    racks.clock.advance(3600)
    warmer: Any = daemon.handle({"do": "calibrate", "probe": "t1", "temperature_offset_c": -0.3})
    again: Any = daemon.handle({"do": "calibrate", "probe": "t1", "jars": [["NaCl", 73.3, 25.0]]})
    one, two, three = (reply["calibration"] for reply in (salts, warmer, again))
    assert (two["humidity_gain"], two["points"], two["checked"]) == (
        one["humidity_gain"],
        one["points"],
        one["checked"],
    )
    assert warmer["due"] == salts["due"] == one["checked"] + 183 * 86400
    assert three["temperature_offset_c"] == -0.3
    (point,) = three["points"]
    assert (
        round(point["found_percent"], 1)
        != round(point["left_percent"], 1)
        == round(point["reference_percent"], 1)
        == 75.3
    )


def test_another_sensor_is_not_corrected_by_the_calibration_of_the_one_before(racks: Racks) -> None:
    """Accepting another sensor ends the calibration there and says so; accepting the same one does not."""
    daemon = racks.start(racks.config(1, 60))
    daemon.handle({"do": "probe_accept", "probe": "t1", "serial": 5})
    daemon.handle({"do": "calibrate", "probe": "t1", "humidity_offset_percent": 2.0})
    assert not daemon.handle({"do": "probe_accept", "probe": "t1", "serial": 5})["calibration_ended"]
    assert daemon.handle({"do": "probe_accept", "probe": "t1", "serial": 6})["calibration_ended"]
    in_force = daemon.writer.calibrations.at("t1", daemon.timeline.now() + 1)
    assert in_force is not None
    assert (in_force.humidity_offset_percent, in_force.humidity_gain, in_force.checked) == (0.0, 1.0, None)


@pytest.mark.slow
@settings(
    max_examples=amount(2, 60), deadline=None, suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.generate),
)  # fmt: skip
@given(
    st.sampled_from([-9.0, 6.0]), st.sampled_from([-1, 0, 400, 5_000]), st.integers(0, 6),
    st.sampled_from([(29.0, 48.0), (36.5, 55.0), (22.0, 45.0)]),
)  # fmt: skip
def test_a_kill_around_a_correction_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, phone: Phone,
    offset: float, back_seconds: int, polls: int, air: tuple[float, float],
) -> None:  # fmt: skip
    """Dated back or not: killed right after it, a poll later or many, the next start finds the judge's memory to the byte."""
    night = Night(tmp_path_factory.mktemp("night"), phone.url)
    try:
        night.run(30)
        for _ in range(2):
            night.step("air", 0, air)
            night.run(polls)
            start = night.daemon.timeline.now() - back_seconds
            night.daemon.handle({"do": "calibrate", "probe": "t1", "humidity_offset_percent": offset, "time": start})
            for more in (0, 1, 20):
                night.run(more)
                assert _recalled(night, tmp_path_factory.mktemp("killed")) == night.daemon.writer.judge.dump()
    finally:
        night.daemon.stop()


def _recalled(night: Night, folder: Path) -> bytes:
    """Return the judge's memory as a start on the files as they are now would find it."""
    night.clock.settle()
    for file in night.folder.glob("dewkeeper.db*"):
        shutil.copy(file, folder / file.name)
    store = Store.open(folder, night.daemon.config.storage, night.clock)
    try:
        return recall(store, folder)[0].dump()
    finally:
        store.close()


def test_the_command_records_and_lists_it(racks: Racks, capsys: pytest.CaptureFixture[str]) -> None:
    """`probes calibrate` over two salts says as found and as left; `probes calibrations` when the next check is due."""
    path = racks.folder / "rack.toml"
    path.write_text(racks.text(2, 60), encoding="utf-8")
    daemon = racks.start(load(path))

    def run(*words: str) -> tuple[int, str]:
        capsys.readouterr()
        code = main(["probes", *words, "--config", str(path)])
        return code, capsys.readouterr().out

    code, said = run(
        "calibrate",
        "t1",
        "--salt",
        "NaCl",
        "73.9",
        "25",
        "--salt",
        "MgCl2",
        "33.9",
        "25",
        "--temperature-offset",
        "-0.2",
    )
    assert code == 0
    for words in (
        "NaCl at 25.0 °C has 75.3 %RH: as found 73.9, as left 75.3",
        "MgCl2",
        "±1.0 %RH",
        "-0.2 °C",
        "never in an enclosure",
    ):
        assert words in said
    code, said = run("calibrate", "t1", "--humidity-offset", "1", "--from", "2000-01-01 00:00", "--format", "json")
    assert (code, json.loads(said)["until"] is not None) == (0, True)
    assert run("calibrate", "t1", "--salt", "NaCl", "much", "25")[0] == 2
    assert run("calibrate", "t1", "--humidity-offset", "1", "--from", "soon")[0] == 2
    assert run("calibrate", "t1", "--salt", "sugar", "70", "25")[0] == 1
    code, said = run("calibrations", "--format", "json")
    rows = json.loads(said)
    assert [(row["probe"], len(row["recorded"]), row["due"] is not None) for row in rows] == [
        ("t1", 2, True),
        ("t2", 0, False),
    ]
    assert run("calibrations", "t9")[0] == 1
    code, table = run("calibrations")
    assert code == (1 if rows[0]["overdue"] else 0)
    assert "as read" in table.splitlines()[2]
    racks.stop(daemon)
