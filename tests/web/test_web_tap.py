"""The tap that confirms a way to a person: the link of a real test message, on the page."""

from __future__ import annotations

from typing import Any

from dewkeeper.notify.daily import path_name
from dewkeeper.notify.memory import Memory


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
