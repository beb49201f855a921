"""The tap that confirms a way to a person: the link of a real test message, on the page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from tests.daemon.conftest import Racks
from tests.web.conftest import Rig, after_two_hours

from dewkeeper.notify.daily import path_name
from dewkeeper.notify.planner_state import Memory
from dewkeeper_config.models import Config


def _many_dry(racks: Racks) -> Config:
    """Return three tubs that are all dry, and a fourth that is hot."""
    config = racks.config(4, humidity_percent=48.0)
    dry, hot = config.probe[0].options, {**config.probe[3].options, "temperature_c": 36.0}
    probes = [p.but(options=o) for p, o in zip(config.probe, (dry, dry, dry, hot), strict=True)]
    return config.but(probe=probes)


@pytest.fixture
def many_dry(tmp_path: Path) -> Iterator[Rig]:
    """Return them after two hours, running: the phone has been told."""
    with after_two_hours(tmp_path, _many_dry) as made:
        yield made


def confirmed(rig: Any) -> dict[str, int]:
    """Return the ways that count as confirmed, as stored."""
    with rig.history() as history:
        return Memory.load(history.notes().get("planner")).confirmed


def test_a_path_test_is_confirmed_by_the_tap_and_not_by_opening_the_link(rig: Any) -> None:
    """`notify test` sends one real message; opening its link (mail scanners do) marks nothing, the button does, a changed link never."""
    rig.daemon.handle({"do": "notify_test"})
    rig.clock.advance(60)
    message = next(m for m in rig.phone.messages if m["type"] == "path_test")
    assert "Ina" in message["title"]
    assert message["data"]["ack_link"].startswith("http://rack.example/ack/")
    address = rig.base + message["data"]["ack_link"].removeprefix("http://rack.example")
    browser, before = rig.stranger(), rig.written()
    assert "It arrived" in browser.get(address).text
    assert browser.head(address).status_code == 200
    rig.clock.advance(60)
    assert confirmed(rig) == {}
    assert rig.written() == before
    assert browser.post(address + "x").status_code == 410
    assert "Noted" in browser.post(address).text
    rig.clock.advance(60)
    assert set(confirmed(rig)) == {path_name("Ina", "phone")}


def test_one_tap_acknowledges_all_that_a_message_spoke_of_and_nothing_else(many_dry: Any) -> None:
    """Three tubs told as one message are acknowledged by its one link; the room's other trouble still stands."""
    message = next(m for m in many_dry.phone.messages if m["type"] == "dry.raised" and m["data"].get("members"))
    names = {member["name"] for member in message["data"]["members"]}
    address = many_dry.base + message["data"]["ack_link"].removeprefix("http://rack.example")
    browser = many_dry.stranger()
    shown = browser.get(address).text
    assert "I have seen them" in shown
    assert all(name in shown for name in names)
    before = {(a.enclosure, a.kind): a.state for a in many_dry.daemon.writer.judge.alarms()}
    assert set(before.values()) == {"unacknowledged"}
    assert "Noted" in browser.post(address).text
    after = {(a.enclosure, a.kind): a.state for a in many_dry.daemon.writer.judge.alarms()}
    assert {place for place, state in after.items() if state == "acknowledged"} == {(name, "dry") for name in names}
    assert set(after) - {(name, "dry") for name in names}
