"""The daemon as a whole, on simulated probes and real SQLite, HTTP and sockets; time moved by hand."""

from __future__ import annotations

from typing import Any

from dewkeeper.judge.types import Reading
from dewkeeper.service.client import request
from dewkeeper.store import History

DRY = {"humidity_percent": 48.0}


def _kinds(phone: Any) -> list[str]:
    return [message["type"] for message in phone.messages]


def test_a_dry_tub_reaches_the_phone_and_a_calm_one_does_not(racks: Any, phone: Any) -> None:
    """Sixty minutes below tolerable become one message that names the tub, and nothing is said of its neighbour."""
    daemon = racks.start(racks.config(**DRY))
    racks.clock.advance(59 * 60)
    assert phone.messages == []
    racks.clock.advance(3 * 60)
    racks.clock.settle()
    assert _kinds(phone) == ["dry.raised"]
    assert phone.messages[0]["title"].startswith("T1")
    with History.open(racks.folder) as history:
        assert len(history.latest()) == 2
    racks.stop(daemon)


def test_restart_in_an_excursion_keeps_timer_and_alarm(racks: Any, phone: Any) -> None:
    """Stopped half-way to the on-delay and started again, the alarm comes on time, once, and clears under one id."""
    config = racks.config(**DRY)
    racks.stop(_ran(racks, config, minutes=30))
    daemon = racks.start(config)
    racks.clock.advance(33 * 60)
    assert _kinds(phone) == ["dry.raised"]
    racks.stop(daemon)
    daemon = racks.start(config)
    standing = daemon.writer.judge.alarms()
    assert [alarm.kind for alarm in standing] == ["dry"]
    racks.clock.advance(120 * 60)
    assert _kinds(phone) == ["dry.raised"]
    assert daemon.writer.judge.alarms()[0].alarm == standing[0].alarm


def test_command_line_and_journal_reach_the_judge(racks: Any, phone: Any) -> None:
    """An acknowledgement and a journal entry over the socket are stored with who did it."""
    daemon = racks.start(racks.config(**DRY))
    racks.clock.advance(62 * 60)
    alarm = daemon.writer.judge.alarms()[0]
    assert request(racks.folder, {"do": "acknowledge", "alarm": alarm.alarm[:8], "who": "Ina"})["done"]
    assert request(racks.folder, {"do": "journal", "enclosure": "T1", "what": "refilled", "who": "Ina"})["done"]
    assert daemon.writer.judge.alarms()[0].state == "acknowledged"
    with History.open(racks.folder) as history:
        assert [(entry.what, entry.who) for entry in history.journal()] == [("refilled", "Ina")]


def test_unplugged_probe_is_told_as_such_never_as_dry(racks: Any, phone: Any) -> None:
    """A probe that drops off the bus raises `missing` within ten minutes; when it is back, that clears."""
    racks.start(racks.config(fault="drop", fault_after_seconds=600, fault_for_seconds=3600))
    racks.clock.advance(600 + 10 * 60)
    assert set(_kinds(phone)) == {"missing.raised"}
    racks.clock.advance(2 * 3600)
    assert _kinds(phone) == ["missing.raised", "missing.cleared"]


def test_clock_steps_lose_no_poll(racks: Any, phone: Any) -> None:
    """Wall clock three hours back, then ten years on and back: every poll is stored under a time of its own."""
    daemon = racks.start(racks.config())
    racks.clock.advance(10 * 60)
    for step in (-3 * 3600, 3 * 3600, 10 * 365 * 86400, -10 * 365 * 86400):
        racks.clock.step(step)
        racks.clock.advance(10 * 60)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        count = sum(isinstance(item, Reading) and item.probe == "t1" for item in history.stream(0))
    assert count == 51
    assert phone.messages == []


def _ran(racks: Any, config: Any, minutes: int) -> Any:
    daemon = racks.start(config)
    racks.clock.advance(minutes * 60)
    return daemon
