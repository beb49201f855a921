"""After a change of version: the alarms as they were stored, put over a judge that judged the last days anew.

A dump is only good for the version that made it. A judge made anew from the stored stream finds most conditions again, but
under new names, unseen and unshelved; what it cannot find again is over, and is told so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dewkeeper.judge.book import Key
from dewkeeper.judge.lifecycle import Life
from dewkeeper.judge.orders import realarm_seconds
from dewkeeper.judge.state import State
from dewkeeper.judge.types import Alarm

WHY = "judged anew by another version of dewkeeper, it is not found again"
_NUMBERS = 1000
"""Events of an alarm are numbered on from so far beyond those stored, of which some may be under way."""


def adopt(state: State, alarms: Sequence[Alarm], told: Mapping[str, int]) -> None:
    """Give the alarms found anew their stored names and states, end what is not found, tell what was not stored.

    told: alarm -> how many events are stored about it, of those whose raising was told.
    """
    book, now = state.book, state.now
    names = {
        (life.kind, life.enclosure, life.probe if life.enclosure is None else None): key
        for key, life in book.lives.items()
    }
    stored: set[Key] = set()
    for alarm in alarms:
        key = names.get((alarm.kind, alarm.enclosure, alarm.probe if alarm.enclosure is None else None))
        life = book.lives.get(key) if key is not None else None
        if key is not None and life is not None and life.stands and key not in stored:
            stored.add(key)
            _rename(state, key, life, alarm, told)
        else:
            _end(state, alarm, told.get(alarm.alarm))
    for key, life in list(book.lives.items()):
        if key not in stored and life.told and life.stands:
            book.tell(life, "raised", now)


def _rename(state: State, key: Key, life: Life, alarm: Alarm, told: Mapping[str, int]) -> None:
    book, now = state.book, state.now
    life.id, life.number = alarm.alarm, told.get(alarm.alarm, 0) + _NUMBERS
    life.since, life.raised = alarm.since - state.shift, alarm.raised - state.shift
    life.told = alarm.alarm in told
    life.acked = alarm.state == "acknowledged"
    until = (alarm.shelved_until or 0) - state.shift
    if alarm.state == "shelved" and until > now:
        book.shelf[key] = until
        state.set_timer(until, "shelf", f"{key[0]}\x1f{key[1]}")
    withheld = book.withheld(key, now)
    if withheld is not None:
        life.state = withheld
    elif not life.told:
        life.state = "normal"
        life.apply("raise", now)
        book.tell(life, "raised", now)
    elif life.acked:
        life.state, life.acked_at = "acknowledged", now
        state.set_timer(now + realarm_seconds(state, life.enclosure), "realarm", f"{key[0]}\x1f{key[1]}")
    else:
        life.state = "unacknowledged"


def _end(state: State, alarm: Alarm, events: int | None) -> None:
    book, now = state.book, state.now
    key: Key = (alarm.enclosure or alarm.probe or "", alarm.kind)
    if key in book.lives:
        key = (f"{key[0]}|{alarm.alarm}", alarm.kind)
    life = Life(alarm.alarm, alarm.kind, key[0], alarm.enclosure, alarm.probe, alarm.band, alarm.since - state.shift)
    life.priority, life.raised, life.latched, life.told = (
        alarm.priority,
        alarm.raised - state.shift,
        alarm.latched,
        True,
    )
    life.value, life.limit, life.cause, life.consequence = alarm.value, alarm.limit, alarm.cause, alarm.consequence
    life.response, life.within, life.number = alarm.response, alarm.within_seconds, (events or 0) + _NUMBERS
    life.state = "acknowledged" if alarm.state == "acknowledged" else "unacknowledged"
    life.acked = alarm.state == "acknowledged"
    if events is None:  # withheld, and nobody was ever told: it ends untold
        life.state = "normal"
        book.tell(life, "annotated", now, why=WHY)
        return
    book.lives[key] = life
    if alarm.state == "returned_unacknowledged":
        life.state, life.stands, life.returned = "returned_unacknowledged", False, now
    else:
        book.clear(key, now, why=WHY)
