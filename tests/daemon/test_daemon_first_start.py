"""A first start with something wired wrong: told with what to do, while the keeper still stands beside it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.daemon.conftest import Phone, Racks, past_noon
from tests.wire.wire_faults import HeldLow

from dewkeeper.cli import main
from dewkeeper.report.past import StoredPast
from dewkeeper.report.sitter import while_away
from dewkeeper.report.wording import Wording
from dewkeeper.store import History
from dewkeeper.store.records import OFF_TIMES
from dewkeeper_config.loading import parse
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Sht3x

SOON = 20
"""Seconds: the first poll, and the watch's next round."""


class Shelf:
    """A bus of three configured probes: one direct, two behind a multiplexer. `sensor` plugs one in."""

    def __init__(self) -> None:
        self.wire: Wire = register_rack("first start").add(1)

    def sensor(self, serial: int, address: int = 0x44) -> Sht3x:
        """Return a sensor in good air, its last digits moving as any sensor's do."""
        chip = Sht3x(lambda: (28.0 + chip.converted % 7 * 0.01, 64.0), serial=serial, address=address)
        return chip

    def text(self, racks: Any, probes: list[str]) -> str:
        """Return a configuration of these probes, each the lines of its wiring, in tubs T1, T2 ..."""
        lines = [
            f'site = {{ name = "Test rack", timezone = "{racks.zone}" }}',
            f'storage = {{ folder = "{racks.folder}", ballast_mb = 0 }}',
            "web = { enabled = false }",
            'rack = [{ name = "R", room = "room" }]',
            f'channel = [{{ kind = "webhook", name = "phone", url = "{racks.url}" }}]',
            'person = [{ name = "Ina", channels = ["phone"], quiet_hours = { start = "03:00", end = "03:01" } }]',
            '[[bus]]', 'name = "i2c1"', 'kind = "wire"', "number = 1", 'options = { rack = "first start" }',
            "multiplexers = [{ address = 0x70 }]",
        ]  # fmt: skip
        for number, wired in enumerate(probes, start=1):
            lines += [
                "[[enclosure]]", f'name = "T{number}"', 'rack = "R"', f"place = {number}",
                "[[probe]]", f'name = "t{number}"', f'enclosure = "T{number}"', 'bus = "i2c1"', wired,
            ]  # fmt: skip
        return "\n".join(lines)


@pytest.fixture
def shelf() -> Shelf:
    """A shelf with nothing plugged in."""
    return Shelf()


Start = Callable[..., Any]


@pytest.fixture
def racks(tmp_path: Path, phone: Phone) -> Iterator[Racks]:
    """Racks that start about now, so that `dewkeeper now` sees what they read as of now."""
    now = time.time()
    made = Racks(tmp_path, phone.url, wall=now, zone=past_noon(now))
    yield made
    made.stop_all()


@pytest.fixture
def start(racks: Racks, shelf: Shelf) -> Iterator[Start]:
    """Start a daemon on probes wired so, and let the first seconds pass. In the end the wire is let go of."""

    def begin(*probes: str) -> Any:
        file = racks.folder / "test.toml"
        file.write_text(shelf.text(racks, list(probes)))
        daemon = racks.start(parse(file.read_bytes(), file))
        racks.clock.advance(SOON)
        return daemon

    yield begin
    racks.stop_all()
    assert shelf.wire.opened == 0


def _text(message: dict[str, Any]) -> str:
    return "\n".join(message["lines"])


def _now(racks: Any, capsys: pytest.CaptureFixture[str]) -> str:
    """Return what `dewkeeper now` prints."""
    capsys.readouterr()
    assert main(["now", "--config", str(racks.folder / "test.toml")]) == 1
    return capsys.readouterr().out


BEHIND = "multiplexer = 0x70\nchannel = {}\naddress = 0x44"


def test_a_bus_that_is_not_switched_on_is_told_within_seconds(
    racks: Any, shelf: Shelf, start: Start, phone: Any, capsys: Any, caplog: pytest.LogCaptureFixture
) -> None:
    """One message, one log line and `now` say that /dev/i2c-1 is not there, and the command that switches it on."""
    shelf.wire.exists = False
    start("address = 0x45", BEHIND.format(0), BEHIND.format(1))
    phone.wait_for("missing.raised")
    (message,) = phone.messages
    assert message["title"].endswith("– switch I2C on")
    said = "/dev/i2c-1 is not there: I2C is switched off"
    assert said in _text(message)
    assert "sudo raspi-config nonint do_i2c 0" in _text(message)
    assert [said in record.getMessage() for record in caplog.records if "i2c1" in record.getMessage()] == [True]
    printed = _now(racks, capsys)
    assert said in printed
    assert "sudo raspi-config nonint do_i2c 0" in printed
    with History.open(racks.folder) as history:
        assert [event.event for event in history.events(0) if event.kind == "missing"] == ["raised"]


def test_the_bus_that_is_switched_on_later_ends_it(racks: Any, shelf: Shelf, start: Start, phone: Any) -> None:
    """When it is there, the probe is read, and within ten minutes the message says that it is over."""
    shelf.wire.attach(shelf.sensor(1))
    shelf.wire.exists = False
    start("address = 0x44")
    shelf.wire.exists = True
    racks.clock.advance(600)
    phone.wait_for("missing.cleared")
    assert [message["type"] for message in phone.messages] == ["missing.raised", "missing.cleared"]


def test_a_probe_that_was_never_plugged_in_is_told_within_seconds(
    racks: Any, shelf: Shelf, start: Start, phone: Any, capsys: Any
) -> None:
    """The empty channel is named, on the phone and by `now`; the probes beside it are watched."""
    mux = shelf.wire.add_mux(0x70)
    mux.channels[0].append(shelf.sensor(1))
    start(BEHIND.format(0), BEHIND.format(3))
    phone.wait_for("missing.raised")
    (message,) = phone.messages
    assert message["title"].startswith("T2: probe silent")
    assert "nobody answers at 0x44 on channel 3" in _text(message)
    printed = _now(racks, capsys)
    assert "nobody answers at 0x44 on channel 3" in printed
    with History.open(racks.folder) as history:
        assert history.latest()["t1"].quality.counts


def test_two_probes_at_one_address_are_told_within_seconds(shelf: Shelf, start: Start, phone: Any) -> None:
    """Two sensors with the same ADDR pin answer together: that is said, not a damaged cable."""
    shelf.wire.attach(shelf.sensor(0x12345678))
    shelf.wire.attach(shelf.sensor(0x0BADCAFE))
    start("address = 0x44")
    phone.wait_until(lambda m: "two sensors answer at 0x44 at once" in _text(m), "two at one address")
    assert phone.messages[0]["title"].endswith("– two at 0x44")


def test_what_is_mended_first_is_followed_by_what_is_wrong_next(
    racks: Any, shelf: Shelf, start: Start, capsys: Any
) -> None:
    """I2C is switched on, and now nothing answers at the address: `now` says that, no longer the switch."""
    shelf.wire.exists = False
    shelf.wire.add_mux(0x70)
    start("address = 0x44")
    assert "switched off" in _now(racks, capsys)
    shelf.wire.exists = True
    racks.clock.advance(6 * 60)
    printed = _now(racks, capsys)
    assert "nobody answers at 0x44" in printed
    assert "switched off" not in printed


def test_a_probe_that_was_heard_before_is_given_its_ten_minutes(
    racks: Any, shelf: Shelf, start: Start, phone: Any
) -> None:
    """A restart with a plug that is out just now is no first start: nothing is told in the first nine minutes."""
    chip = shelf.sensor(1)
    shelf.wire.attach(chip)
    daemon = start("address = 0x44")
    racks.stop_after(daemon, 300)
    chip.plugged = False
    daemon = start("address = 0x44")
    racks.clock.advance(300)
    assert phone.messages == []
    racks.clock.advance(600)
    phone.wait_for("missing.raised")


def test_a_bus_that_is_held_low_is_one_message(racks: Racks, shelf: Shelf, start: Start, phone: Phone) -> None:
    """A wet plug holds the lines from the first second on: told once, for the bus, as soon as it is given up."""
    shelf.wire.faults.append(HeldLow())
    start("address = 0x45", BEHIND.format(0), BEHIND.format(1))
    racks.clock.advance(150)
    phone.wait_for("missing.raised")
    racks.clock.advance(900)
    (message,) = phone.messages
    assert "every probe of i2c1 is silent: tried again and again" in _text(message)
    assert "the bus is held" in _text(message)


def test_what_was_before_the_first_start_is_not_called_unwatched(racks: Any) -> None:
    """An import, six minutes, and the first daemon: nothing is told as an outage, and no day before it as not watched."""
    file, journal = racks.folder / "test.toml", racks.folder / "journal.csv"
    file.write_text(racks.text())
    journal.write_text("time,enclosure,what\n2026-01-01T12:00:00Z,T1,misted\n")
    assert main(["import", "--journal", str(journal), "--config", str(file)]) == 0
    config = parse(file.read_bytes(), file)
    with StoredPast.open(config) as past:
        imported = while_away(past, config, int(time.time()) - 14 * 86400, int(time.time()) + 4 * 3600)
    assert imported.unwatched_seconds == {}
    wording = Wording.of(config.site)
    assert imported.watching(wording) == ["dewkeeper was not started yet"]
    racks.clock.step(2 * 3600)
    racks.stop_after(racks.start(config), 2 * 3600)
    now = int(racks.clock.wall())
    with StoredPast.open(config) as past:
        assert past.notes().get(OFF_TIMES) is None
        first = while_away(past, config, now - 14 * 86400, now)
        assert first.unwatched_seconds == {}
        before, since = first.watching(wording)
        assert before.endswith("dewkeeper was not started yet")
        assert since == "nothing since: every enclosure was watched, but for an hour at most"
        (always,) = while_away(past, config, now - 3600, now).watching(wording)
        assert always == "nothing: every enclosure was watched, but for an hour at most"
    racks.clock.step(2 * 3600)
    racks.stop_after(racks.start(config), 600)
    with StoredPast.open(config) as past:
        assert past.notes().get(OFF_TIMES) is not None
        gone = while_away(past, config, now - 14 * 86400, int(racks.clock.wall())).unwatched_seconds
    assert gone == pytest.approx({"T1": 7200, "T2": 7200}, abs=300)
