"""A whole daemon on simulated probes: whom it tells when the clock is stepped, when somebody goes away, when it cannot send."""

from __future__ import annotations

from typing import Any

from tests.servers.receiver import Answer
from tests.servers.receiver import Phone as Listener

from dewkeeper.notify.heartbeat import ATTEMPTS, TROUBLE_FROM
from dewkeeper.store.records import Batch, Message
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_config.models.secrets import SecretSource, SecretText

HOUR = 3600


def two_people(racks: Any, **air: Any) -> Any:
    """Return tubs whose keeper is Ina, then Bo, with Sol as the sitter."""
    text = racks.text(**air).replace(
        "person = [",
        'person = [{ name = "Bo", channels = ["phone"], escalation = 1 }, { name = "Sol", channels = ["phone"], sitter = true }, ',
    )
    return parse(text.encode(), racks.folder / "test.toml")


def listened_to(racks: Any, listener: Listener) -> Config:
    """Return tubs whose heartbeat goes to a real server, every five minutes."""
    config: Config = racks.config()
    url = SecretSource(value=SecretText(listener.url))
    return config.but(notify=config.notify.but(heartbeat_url=url, heartbeat_minutes=5))


def next_ping(racks: Any, daemon: Any) -> None:
    """Let five minutes pass, do what the calendar has due, and let the watch look at what came of it."""
    racks.clock.advance(300)
    daemon.calendar.run_due()
    racks.clock.advance(30)


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
    """A daemon whose store refuses for half an hour turns its loops, and does not vouch for its work until it records again."""
    with Listener() as listener:
        daemon = racks.start(listened_to(racks, listener))
        next_ping(racks, daemon)
        assert daemon.work.dead() == []
        assert len(listener.take()) == 1
        daemon._ledger.refused, daemon._ledger._last_try = "the disk is full", racks.clock.monotonic() + 2 * HOUR
        racks.clock.advance(30 * 60)
        assert daemon.work.dead() == ["recording"]
        assert daemon.heartbeats.dead() == []
        for _ in range(3):
            next_ping(racks, daemon)
        assert listener.take() == []
        daemon._ledger._last_try = 0.0
        racks.clock.advance(120)
        next_ping(racks, daemon)
        assert daemon.work.dead() == []
        assert len(listener.take()) == 1


def test_a_heartbeat_nobody_answers_is_an_alarm_until_somebody_does(racks: Any, phone: Any) -> None:
    """Two pings may be lost; with the third (`TROUBLE_FROM`) the keeper is told that a silent rack would go unnoticed."""

    def alarms() -> list[tuple[str, str]]:
        return [(alarm.cause, alarm.state) for alarm in daemon.writer.alarms if alarm.kind == "system"]

    def about_it(message: Any) -> bool:
        return message["type"].startswith("system.") and "heartbeat does not answer" in "\n".join(message["lines"])

    with Listener() as listener:
        listener.usual = Answer(manner="reset_before")
        daemon = racks.start(listened_to(racks, listener))
        for _ in range(TROUBLE_FROM - 1):
            next_ping(racks, daemon)
        assert listener.connections == ATTEMPTS * (TROUBLE_FROM - 1)
        assert alarms() == []
        next_ping(racks, daemon)
        ((cause, state),) = alarms()
        assert state == "unacknowledged"
        assert "heartbeat does not answer: the last 3 pings were not answered" in cause
        phone.wait_until(about_it, "the alarm of the heartbeat")
        listener.usual = Answer()
        next_ping(racks, daemon)
        assert len(listener.take()) == 1
        assert alarms() == [(cause, "returned_unacknowledged")]
