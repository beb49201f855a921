"""Events with their alarms, messages with their deliveries, and notes, as rows; in the caller's transaction."""

from __future__ import annotations

from sqlalchemy import Connection

from dewkeeper.judge.types import Alarm, Event
from dewkeeper.store import codec
from dewkeeper.store.records import DeliveryResult, Message


def write_event(connection: Connection, event: Event) -> None:
    """Store an event, unless its id is known, and what it makes of its alarm."""
    known = connection.exec_driver_sql(
        "INSERT OR IGNORE INTO event (id, alarm, time, enclosure, data) VALUES (?, ?, ?, ?, ?)",
        (event.id, event.alarm, event.time, event.enclosure, codec.pack(event)),
    )
    if known.rowcount == 0:
        return
    old = connection.exec_driver_sql("SELECT data FROM alarm WHERE alarm = ?", (event.alarm,)).scalar()
    alarm = _alarm_after(next(codec.readable(codec.unpack_alarm, [] if old is None else [(old,)]), None), event)
    connection.exec_driver_sql(
        "INSERT OR REPLACE INTO alarm (alarm, state, raised, data) VALUES (?, ?, ?, ?)",
        (alarm.alarm, alarm.state, alarm.raised, codec.pack(alarm)),
    )


def _alarm_after(old: Alarm | None, event: Event) -> Alarm:
    """Return the alarm as it stands after an event."""
    until = event.detail.get("until")
    return Alarm(
        alarm=event.alarm,
        kind=event.kind,
        enclosure=event.enclosure,
        probe=event.probe,
        band=event.band,
        priority=event.priority,
        state=event.state,
        since=event.since,
        raised=event.time if old is None else old.raised,
        latched=event.state == "returned_unacknowledged",
        shelved_until=int(until) if event.state == "shelved" and until is not None else None,
        value=event.value if event.value is not None or old is None else old.value,
        limit=event.limit if event.limit is not None or old is None else old.limit,
        cause=event.cause or (old.cause if old else ""),
        consequence=event.consequence or (old.consequence if old else ""),
        response=event.response or (old.response if old else ""),
        within_seconds=event.within_seconds or (old.within_seconds if old else 0),
        asked=event.time if old is None or event.event in ("raised", "escalated") else old.asked,
    )


def restate(connection: Connection) -> None:
    """Make the states of alarms that have none from their events, which tell them in order."""
    known = set(connection.exec_driver_sql("SELECT alarm FROM alarm").scalars())
    made: dict[str, Alarm] = {}
    for event in codec.readable(
        codec.unpack_event, connection.exec_driver_sql("SELECT data FROM event ORDER BY seq").all()
    ):
        if event.alarm not in known:
            made[event.alarm] = _alarm_after(made.get(event.alarm), event)
    for alarm in made.values():
        connection.exec_driver_sql(
            "INSERT INTO alarm (alarm, state, raised, data) VALUES (?, ?, ?, ?)",
            (alarm.alarm, alarm.state, alarm.raised, codec.pack(alarm)),
        )


def write_message(connection: Connection, message: Message) -> None:
    """Store a row of the outbox, unless its id is known."""
    connection.exec_driver_sql(
        "INSERT OR IGNORE INTO message (id, state, person, channel, priority, not_before, next_try, attempts, last_error, "
        "created, sent, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            message.id, message.state, message.person, message.channel, message.priority, message.not_before, message.next_try, message.attempts, message.last_error,
            message.created, message.sent, codec.pack(message),
        ),
    )  # fmt: skip


def write_delivery(connection: Connection, result: DeliveryResult) -> None:
    """Store what became of an attempt, unless the message is settled already."""
    connection.exec_driver_sql(
        "UPDATE message SET state = ?, attempts = max(attempts, ?), next_try = ?, last_error = ?, sent = ? "
        "WHERE id = ? AND state = 'pending'",
        (
            result.state, result.attempts, result.next_try, result.error,
            result.at if result.state == "sent" else None, result.message,
        ),
    )  # fmt: skip


def write_note(connection: Connection, name: str, value: str) -> None:
    """Store a small named fact, in place of what it was."""
    connection.exec_driver_sql(
        "INSERT INTO note (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, value),
    )
