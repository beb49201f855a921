"""A whole daemon on simulated probes: whom it tells when the clock is stepped, when somebody goes away, when it cannot send."""

from __future__ import annotations

from typing import Any

from dewkeeper.store.records import Batch, Message
from dewkeeper_config.loading import parse

HOUR = 3600


def two_people(racks: Any, **air: Any) -> Any:
    """Return tubs whose keeper is Ina, then Bo, with Sol as the sitter."""
    text = racks.text(**air).replace(
        "person = [",
        'person = [{ name = "Bo", channels = ["phone"], escalation = 1 }, { name = "Sol", channels = ["phone"], sitter = true }, ',
    )
    return parse(text.encode(), racks.folder / "test.toml")


def told(phone: Any, kind: str) -> list[str]:
    """Return who was sent messages of this type, in order."""
    return [message["person"] for message in phone.messages if message["type"] == kind]


def test_the_second_person_is_called_in_time_though_the_clock_goes_three_hours_back(racks: Any, phone: Any) -> None:
    """Too hot, told to the keeper, and the clock is stepped: fourteen minutes later nobody else is told, sixteen later Bo is."""
    racks.start(two_people(racks, temperature_c=36.0))
    racks.clock.advance(5 * 60)
    phone.wait_for("hot.raised")
    racks.clock.step(-3 * HOUR)
    racks.clock.advance(7 * 60)
    assert told(phone, "hot.unanswered") == []
    racks.clock.advance(8 * 60)
    phone.wait_for("hot.unanswered")
    assert told(phone, "hot.unanswered") == ["Bo"]


def test_going_away_and_coming_back_hand_over_what_stands(racks: Any, phone: Any) -> None:
    """`away` tells the sitter of the heat that stands, `back` tells the keeper, each once and with the value of now."""
    daemon = racks.start(two_people(racks, temperature_c=36.0))
    racks.clock.advance(5 * 60)
    phone.wait_for("hot.raised")
    daemon.handle({"do": "away", "until": daemon.timeline.now() + 86400})
    racks.clock.advance(60)
    phone.wait_for("hot.handed_over")
    assert told(phone, "hot.handed_over") == ["Sol"]
    daemon.handle({"do": "back"})
    racks.clock.advance(180)
    phone.wait_until(
        lambda message: message["type"] == "hot.handed_over" and message["person"] == "Ina", "the keeper's"
    )
    assert told(phone, "hot.handed_over") == ["Sol", "Ina"]
    handed = next(message for message in phone.messages if message["type"] == "hot.handed_over")
    assert any(line.startswith("Now: 3") for line in handed["lines"])


def test_a_waiting_message_of_another_versions_kind_is_told_and_so_is_the_next_alarm(racks: Any, phone: Any) -> None:
    """What a rollback left in the outbox goes out plainly, the heat after it too, and the work that the heartbeat vouches for is done."""
    daemon = racks.start(two_people(racks, temperature_c=36.0))
    now = daemon.timeline.now()
    facts = {"happening": "raised", "kind": "heat_creep", "since": now - 60, "enclosure": "T2", "alarms": ["x"]}
    strange = Message(
        "s", now, "Ina", "phone", "T2: creeping", ("x",), "urgent", "heat_creep", alarm="x", event="x", facts=facts
    )
    daemon._ledger.store.commit(Batch(messages=(strange,)))
    racks.clock.advance(10 * 60)
    phone.wait_for("heat_creep.raised")
    phone.wait_for("hot.raised")
    (told_plainly,) = [message for message in phone.messages if message["type"] == "heat_creep.raised"]
    assert told_plainly["title"].startswith("T2: heat creep since ")
    assert daemon.work.dead() == []


def test_the_heartbeat_stays_away_while_nothing_is_recorded(racks: Any) -> None:
    """A daemon whose store refuses for half an hour turns its loops, and does not vouch for its work."""
    daemon = racks.start(racks.config())
    racks.clock.advance(5 * 60)
    assert daemon.work.dead() == []
    daemon._ledger.refused, daemon._ledger._last_try = "the disk is full", racks.clock.monotonic() + 2 * HOUR
    racks.clock.advance(30 * 60)
    assert daemon.work.dead() == ["recording"]
    assert daemon.heartbeats.dead() == []
    daemon._ledger._last_try = 0.0
