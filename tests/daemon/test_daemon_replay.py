"""Live equals replay: what the daemon told, stopped and killed at will, is what its stored stream tells again."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from tests.amounts import amount
from tests.daemon.conftest import Phone
from tests.wire.wire_faults import BitFlips

from dewkeeper.cli import main
from dewkeeper.clock import ManualClock
from dewkeeper.errors import CommandRefused
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.replaying import TOLD, replay_items
from dewkeeper.report.replaying import told as told_line
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.client import request
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper_config.loading import load
from dewkeeper_demo.wire import register_rack
from dewkeeper_demo.wire_chips import Sht3x

EXAMPLES = amount(3, 200)
POLL_SECONDS = 300
RACK = """
site = {{ name = "Twice", timezone = "Europe/Vienna", poll_seconds = 300 }}
storage = {{ folder = "{folder}", ballast_mb = 0 }}
web = {{ enabled = false }}
rack = [{{ name = "R", room = "room" }}]
channel = [{{ kind = "webhook", name = "phone", url = "{url}" }}]
person = [{{ name = "Ina", channels = ["phone"] }}]
bus = [{{ name = "w", kind = "wire", options = {{ rack = "twice" }}, multiplexers = [{{ address = 0x70 }}] }}]
[[enclosure]]
name = "T1"
rack = "R"
limits = {{ humidity_tolerable = {{ low = {low}, high = 80 }} }}
[[enclosure]]
name = "T2"
rack = "R"
place = 2
[[probe]]
name = "t1"
enclosure = "T1"
bus = "w"
multiplexer = 0x70
channel = 0
address = 0x44
[[probe]]
name = "t2"
enclosure = "T2"
bus = "w"
multiplexer = 0x70
channel = 0
address = 0x45
[[probe]]
name = "air"
room = "room"
role = "room"
bus = "w"
multiplexer = 0x70
channel = 1
address = 0x44
"""
AIRS = ((29.0, 65.0), (29.0, 57.0), (29.0, 48.0), (29.0, 88.0), (36.5, 55.0), (21.5, 60.0), (22.0, 45.0), (29.0, 100.0))

_tubs = st.integers(0, 1)
_DETAIL = {"surface": "31.5 hide floor", "limits_for_a_time": "65-80"}
"""What the journal takes with a detail only."""
STEPS: st.SearchStrategy[tuple[Any, ...]] = st.one_of(
    st.tuples(st.just("air"), _tubs, st.sampled_from(AIRS)),
    st.tuples(st.just("plug"), st.integers(0, 2), st.booleans()),
    st.tuples(st.just("freeze"), _tubs, st.booleans()),
    st.tuples(st.just("power"), _tubs),
    st.tuples(st.just("garble"), st.sampled_from([0.0, 0.2, 0.6])),
    st.tuples(st.just("clock"), st.sampled_from([-40_000, -7_200, -301, 299, 3_600, 90_000])),
    st.tuples(st.just("restart"), st.integers(0, 30)),
    st.tuples(st.just("kill"), st.integers(0, 30)),
    st.tuples(st.just("limit"), st.sampled_from([50, 55, 58])),
    st.tuples(st.just("journal"), _tubs, st.sampled_from(sorted(JOURNAL)), st.sampled_from([0, 1_800, 20_000])),
    st.tuples(st.just("alarm"), st.sampled_from(["acknowledge", "shelve", "unshelve"]), st.integers(0, 5)),
    st.tuples(
        st.just("place"), st.sampled_from(["out_of_service", "in_service", "suppress", "unsuppress"]), _tubs,
        st.sampled_from([900, 7_000]),
    ),
    st.tuples(st.just("exclude"), _tubs, st.sampled_from([0, 3_000])),
    st.tuples(st.just("calibrate"), _tubs, st.sampled_from([-9.0, 0.0, 4.0]), st.sampled_from([0.0, 1.5])),
)  # fmt: skip
NIGHTS = st.lists(st.tuples(STEPS, st.sampled_from([0, 1, 3, 14])), min_size=4, max_size=24)
WHOLE_NIGHT: list[tuple[tuple[Any, ...], int]] = [
    (("air", 0, (29.0, 48.0)), 14), (("alarm", "shelve", 0), 3), (("kill", 2), 1), (("clock", -7_200), 14),
    (("air", 1, (36.5, 55.0)), 3), (("kill", 0), 1), (("alarm", "acknowledge", 1), 0), (("plug", 0, False), 3),
    (("restart", 6), 1), (("plug", 0, True), 3), (("clock", 9_000), 1), (("limit", 50), 14), (("air", 0, (29.0, 65.0)), 14),
    (("air", 1, (29.0, 65.0)), 14), (("place", "out_of_service", 1, 900), 14), (("journal", 0, "quarantine", 20_000), 1),
    (("kill", 1), 0), (("calibrate", 0, 4.0, 1.5), 1), (("air", 0, (29.0, 48.0)), 14), (("kill", 0), 0), (("place", "suppress", 0, 7_000), 3), (("exclude", 0, 3_000), 14),
]  # fmt: skip
"""What every run sees, whatever else is drawn."""


@dataclass
class Night:
    """A daemon on a wire whose air, plugs and clock are at the test's command."""

    folder: Path
    url: str
    low: int = 55
    clock: ManualClock = field(default_factory=lambda: ManualClock(wall=1_790_000_040.0))

    def __post_init__(self) -> None:
        self.wire = register_rack("twice").add(number=1)
        mux = self.wire.add_mux(0x70)
        self.airs = [AIRS[0], AIRS[0], (22.0, 45.0)]
        self.chips = [Sht3x(self._air(n), serial=7 + n, address=0x44 + n % 2) for n in range(3)]
        mux.channels[0].extend(self.chips[:2])
        mux.channels[1].append(self.chips[2])
        self.daemon = self._started()

    def _air(self, number: int) -> Callable[[], tuple[float, float]]:
        def now() -> tuple[float, float]:
            t, h = self.airs[number]
            ripple = self.clock.monotonic() / POLL_SECONDS * (number + 1) % 7 / 40
            return t + ripple / 3, h - ripple

        return now

    def _started(self) -> Daemon:
        path = self.folder / "rack.toml"
        path.write_text(RACK.format(folder=self.folder, url=self.url, low=self.low), encoding="utf-8")
        daemon = Daemon(load(path), clock=self.clock, alarm=SilentAlarm)
        daemon.start()
        self.clock.settle()
        return daemon

    def run(self, polls: int) -> None:
        """Let so many polls pass."""
        self.clock.advance(polls * POLL_SECONDS)

    def step(self, what: str, *about: Any) -> None:
        """Do one thing to the rack, the machine or the daemon."""
        match what:
            case "air":
                self.airs[about[0]] = about[1]
            case "plug":
                self.chips[about[0]].plugged = about[1]
            case "freeze":
                self.chips[about[0]].frozen = (26_000, 40_000) if about[1] else None
            case "power":
                self.chips[about[0]].power_cycle(self.wire.now())
            case "garble":
                self.wire.faults[:] = [BitFlips(about[0], seed=self.wire.transfers)]
            case "clock":
                self.clock.step(about[0])
            case "restart" | "kill" | "limit":
                self._again(what, about[0])
            case _:
                self._command(what, *about)

    def _again(self, what: str, value: int) -> None:
        """Stop or kill the daemon and start it again; a kill leaves the files as they are at the blow."""
        kept = self.folder / "kept"
        if what == "kill":
            kept.mkdir()
            for file in self.folder.glob("dewkeeper.db*"):
                shutil.copy(file, kept / file.name)
        self.daemon.stop()
        if what == "kill":
            for file in self.folder.glob("dewkeeper.db*"):
                file.unlink()
            for file in kept.iterdir():
                file.rename(self.folder / file.name)
            kept.rmdir()
        if what == "limit":
            self.low = value
        else:
            self.clock.advance(value * POLL_SECONDS)
        self.daemon = self._started()

    def _command(self, what: str, *about: Any) -> None:
        now = self.daemon.timeline.now()
        request: dict[str, Any] = {"who": "Ina", "why": "because"}
        match what:
            case "journal":
                request |= {"do": "journal", "enclosure": f"T{about[0] + 1}", "what": about[1], "time": now - about[2]}
                if about[1] in _DETAIL:
                    request["detail"] = _DETAIL[about[1]]
            case "alarm":
                alarms = self.daemon.writer.alarms
                if not alarms:
                    return
                request |= {"do": about[0], "alarm": alarms[about[1] % len(alarms)].alarm, "until": now + 5_000}
            case "place":
                request |= {"do": about[0], "enclosure": f"T{about[1] + 1}", "until": now + about[2]}
            case "calibrate":
                if now <= self.daemon.writer.last_time:
                    # The clock went back, so it would correct readings stored before as one dated back does: what was
                    # told of them is not told again from corrected words, as `--as-it-was` says.
                    return
                request |= {
                    "do": "calibrate", "probe": f"t{about[0] + 1}", "humidity_offset_percent": about[1],
                    "temperature_offset_c": about[2],
                }  # fmt: skip
            case "exclude":
                request |= {"do": "exclude", "probe": f"t{about[0] + 1}", "time": now - about[1]}
        try:
            self.daemon.handle(request)
        except CommandRefused as error:
            raise AssertionError(f"{request} was refused: {error}") from error
        self.clock.settle()


def _printed(folder: Path) -> list[dict[str, Any]]:
    """Return what the command prints of the whole past, by the settings that were in force."""
    with contextlib.redirect_stdout(io.StringIO()) as written:
        assert main(["replay", "--config", str(folder / "rack.toml"), "--since", "20000d", "--as-it-was"]) == 0
    return [json.loads(line) for line in written.getvalue().splitlines()]


@pytest.mark.slow
def test_the_stored_stream_tells_again_what_was_told_live(tmp_path: Path, phone: Phone) -> None:
    """Air, faults, journal, commands, limits, clock steps, stops and kills: live events and replay are the same."""
    count = 0
    told: set[str] = set()

    @settings(
        max_examples=EXAMPLES, suppress_health_check=list(HealthCheck),
        phases=(Phase.explicit, Phase.generate),  # shrinking whole nights takes longer than reading one
    )  # fmt: skip
    @example(WHOLE_NIGHT)
    @given(NIGHTS)
    def twice(steps: list[tuple[tuple[Any, ...], int]]) -> None:
        nonlocal count
        count += 1
        folder = tmp_path / str(count)
        folder.mkdir()
        night = Night(folder, phone.url)
        try:
            night.run(2)
            for step, polls in steps:
                night.step(*step)
                night.run(polls)
            night.run(14)
            alarms = night.daemon.writer.judge.alarms()
        finally:
            night.daemon.stop()
        with History.open(folder) as history:
            live = list(history.events(0))
            again = list(replay_items(None, history.stream(0)))
            standing = {alarm.alarm: alarm.state for alarm in history.standing()}
        printed = _printed(folder)
        shutil.rmtree(folder)
        assert again == live
        assert printed == [told_line(event) for event in live if event.event in TOLD]
        assert standing == {alarm.alarm: alarm.state for alarm in alarms}
        told.update(f"{event.kind}.{event.event}" for event in live)

    twice()
    wanted = {"dry.raised", "dry.shelved", "dry.unshelved", "missing.raised", "missing.cleared", "hot.raised"}
    assert wanted | {"hot.acknowledged", "hot.cleared", "system.annotated"} <= told, sorted(told)


def test_an_exported_past_is_judged_alike(racks: Any, phone: Phone, capsys: pytest.CaptureFixture[str]) -> None:
    """What `export` writes, readings and journal, gives `replay` the very events and ids that the database gives."""
    air = {
        "swing_percent": 12.0,
        "swing_c": 4.0,
        "fault": "drop",
        "fault_after_seconds": 30_000,
        "fault_for_seconds": 2_000,
    }
    text = racks.folder / "rack.toml"
    text.write_text(racks.text(2, 300, **air), encoding="utf-8")
    racks.start(load(text))
    racks.clock.advance(20_000)
    request(racks.folder, {"do": "journal", "enclosure": "T1", "what": "quarantine", "who": "Ina"})
    racks.clock.advance(50_000)
    racks.stop_all()
    file = racks.folder / "past.csv"
    assert main(["export", str(file), "--config", str(text)]) == 0
    capsys.readouterr()
    printed = []
    for source in ([str(file), "--journal", f"{file}.journal.csv"], ["--since", "20000d"]):
        assert main(["replay", "--config", str(text), *source]) == 0
        printed.append(capsys.readouterr().out.splitlines())
    assert printed[0] == printed[1]
    assert {json.loads(line)["kind"] for line in printed[0]} >= {"dry", "missing"}
