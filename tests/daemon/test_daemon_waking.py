"""Waking after a power cut: readings of an unset clock are dated, and one message says what is known."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from dewkeeper.report.off_times import off_times
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper_config.loading import parse


class Machine:
    """What the kernel and the time service say."""

    def __init__(self) -> None:
        self.set = True

    def synchronised(self) -> bool:
        return self.set


def _start(racks: Any, config: Any, machine: Machine, boot: str) -> Daemon:
    daemon = Daemon(config, racks.clock, SilentAlarm, synchronised=machine.synchronised, boot=boot)
    daemon.start()
    racks._running.append(daemon)
    racks.clock.settle()
    return daemon


def test_a_night_without_power_and_clock_is_told_once_and_dated(racks: Any, phone: Any) -> None:
    """Cut off at noon, back four hours later with the clock of noon, set half an hour after that."""
    config, machine = racks.config(), Machine()
    racks.stop_after(_start(racks, config, machine, "first"), 1800)
    noon = racks.clock.wall()
    machine.set = False
    racks.clock.step(60)  # the machine's saved time: past the last reading, and wrong
    daemon = _start(racks, config, machine, "second")
    racks.clock.advance(300)
    assert not phone.messages  # how long it was is not known yet
    racks.clock.step(4 * 3600)
    machine.set = True
    racks.clock.advance(1800)
    phone.wait_for("outage")
    racks.stop(daemon)
    (message,) = phone.messages
    assert message["type"] == "outage"
    assert message["title"].startswith("Not watched for 4 h")
    text = "\n".join(message["lines"])
    for part in (
        "switched on by hand",
        "scorched or wet",
        "Measured last",
        "driest T",
        "Unknown:",
        "thermostats and heaters",
        "exotics vet",
    ):
        assert part in text
    with History.open(racks.folder) as history:
        times = [row.reading.time for row in history.raw("t1", 0, 1 << 40)]
        (off,) = off_times(history.notes())
    assert (off.why, round((off.end - off.start) / 3600, 1)) == ("switched_off", 4.0)
    gaps = [b - a for a, b in pairwise(times)]
    assert max(gaps) >= 4 * 3600
    assert sum(gap > 61 for gap in gaps) == 1  # the readings before the clock was set lie where they belong
    assert times[-1] > noon + 4 * 3600 + 1800


def test_a_crash_is_told_once_a_day_and_a_restart_by_hand_is_not(racks: Any, phone: Any) -> None:
    """Ended without being told to, seconds ago: one message, not one for each; stopped in good order: none."""
    config, machine = racks.config(), Machine()
    racks.stop_after(_start(racks, config, machine, "boot"), 600)
    racks.stop_after(_start(racks, config, machine, "boot"), 600)
    assert not phone.messages
    for _ in range(2):
        (racks.folder / "writer.lock").write_text("the daemon (process 1)\n")  # as a killed process leaves it
        racks.stop_after(_start(racks, config, machine, "boot"), 600)
        phone.wait_for("outage")
    assert [message["type"] for message in phone.messages] == ["outage"]
    assert "ended without being told to" in "\n".join(phone.messages[0]["lines"])


def test_a_restart_by_hand_between_slow_polls_is_no_outage(racks: Any, phone: Any) -> None:
    """Polled every five minutes and stopped in good order, the next poll five minutes later is the usual pace."""
    config = racks.config(poll_seconds=300)
    racks.stop_after(racks.start(config), 1800)
    racks.clock.advance(300)
    racks.stop_after(racks.start(config), 1800)
    assert not phone.messages


def test_probes_that_nobody_polled_are_not_called_silent(racks: Any, phone: Any) -> None:
    """After four hours off there is the one message, and none about each probe."""
    racks.stop_after(racks.start(racks.config(enclosures=4)), 1800)
    racks.clock.advance(4 * 3600)
    racks.stop_after(racks.start(racks.config(enclosures=4)), 1800)
    phone.wait_for("outage")
    assert [message["type"] for message in phone.messages] == ["outage"]


def test_a_clock_that_is_never_set_does_not_hold_the_message_back(racks: Any, phone: Any) -> None:
    """Without network the message comes after ten minutes and says that the length is not known."""
    config, machine = racks.config(), Machine()
    racks.stop_after(_start(racks, config, machine, "first"), 600)
    machine.set = False
    racks.stop_after(_start(racks, config, machine, "second"), 900)
    phone.wait_for("outage")
    assert [message["title"] for message in phone.messages] == ["Not watched for an unknown time – look at the heat"]


def test_a_clock_that_is_not_set_sends_no_morning_message(racks: Any, phone: Any) -> None:
    """Up at six by a clock nobody has set: at seven of that clock nothing is said, and at the true seven the morning is told."""
    text = racks.text().replace("web = {", 'notify = { morning_at = "07:00" }\nweb = {')
    config, machine = parse(text.encode(), racks.folder / "test.toml"), Machine()
    racks.stop_after(_start(racks, config, machine, "first"), 600)
    local = datetime.fromtimestamp(racks.clock.wall(), ZoneInfo("Europe/Vienna"))
    six = local.replace(hour=6, minute=55, second=0, microsecond=0) + timedelta(days=1)
    machine.set = False
    racks.clock.step(int(six.timestamp() - racks.clock.wall()))
    daemon = _start(racks, config, machine, "second")
    racks.clock.advance(600)
    assert not any(message["type"] == "morning" for message in phone.messages)
    racks.clock.step(3 * 86400 - 900)
    machine.set = True
    racks.clock.advance(900)
    phone.wait_for("morning")
    racks.stop(daemon)
    (morning,) = (message for message in phone.messages if message["type"] == "morning")
    assert morning["event"] == f"morning/{(six + timedelta(days=3)).date()}"
