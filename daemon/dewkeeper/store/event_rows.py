"""Events with their alarms, messages with their deliveries, and notes, as rows; in the caller's transaction."""

from __future__ import annotations

from dewkeeper.judge.types import Alarm, Event
from dewkeeper.store import asked, codec
from dewkeeper.store.database import Connection
from dewkeeper.store.records import DeliveryResult, Message

_COLUMNS = (
    "id", "state", "person", "channel", "priority", "not_before", "next_try", "attempts", "last_error", "created", "sent",
)  # fmt: skip
"""Of a message, beside its data: what is asked for."""


def write_event(connection: Connection, event: Event) -> None:
    """Store an event, unless its id is known, and what it makes of its alarm."""
    row = {
        "id": event.id, "alarm": event.alarm, "time": event.time, "enclosure": event.enclosure, "data": codec.pack(event),
    }  # fmt: skip
    known = connection.execute(asked.ADD_EVENT, row)
    # Its alarm was stored with it, and later events may have changed that since.
    if known.rowcount == 0:
        return
    old = connection.value(asked.ALARM, alarm=event.alarm)
    before = next(codec.readable(codec.unpack_alarm, [] if old is None else [(old,)]), None)
    _put(connection, _alarm_after(before, event))


def _put(connection: Connection, alarm: Alarm) -> None:
    row = {"alarm": alarm.alarm, "state": alarm.state, "raised": alarm.raised, "data": codec.pack(alarm)}
    connection.execute(asked.PUT_ALARM, row)


def _alarm_after(old: Alarm | None, event: Event) -> Alarm:
    """Return the alarm as it stands after an event."""
    until = event.detail.get("until")
    detail = {name: value for name, value in event.detail.items() if name != "until"}
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
        detail=detail or (old.detail if old else {}),
        asked=event.time if old is None or event.event in ("raised", "escalated") else old.asked,
    )


def restate(connection: Connection) -> None:
    """Make the states of alarms that have none from their events, which tell them in order."""
    known = {alarm for (alarm,) in connection.rows(asked.ALARMS)}
    made: dict[str, Alarm] = {}
    for event in codec.readable(codec.unpack_event, connection.rows(asked.EVENTS_EVER)):
        if event.alarm not in known:
            made[event.alarm] = _alarm_after(made.get(event.alarm), event)
    for alarm in made.values():
        _put(connection, alarm)


def write_message(connection: Connection, message: Message) -> None:
    """Store a row of the outbox, unless its id is known."""
    row = {name: getattr(message, name) for name in _COLUMNS}
    connection.execute(asked.ADD_MESSAGE, {**row, "data": codec.pack(message)})


def write_delivery(connection: Connection, result: DeliveryResult) -> None:
    """Store what became of an attempt, unless the message is settled already."""
    row = {
        "became": result.state, "tries": result.attempts, "next": result.next_try, "error": result.error,
        "at": result.at if result.state == "sent" else None, "id": result.message,
    }  # fmt: skip
    connection.execute(asked.DELIVER, row)


def write_note(connection: Connection, name: str, value: str) -> None:
    """Store a small named fact, in place of what it was."""
    connection.execute(asked.PUT_NOTE, {"name": name, "value": value})
