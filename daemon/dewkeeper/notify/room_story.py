"""One cause, one story: what a room's air does to its tubs is told with the room. Pure functions.

A room that dries is one piece of news: told by its own alarm, or by the first tub that it carried beyond tolerable. What
goes out after that needs no other step than was told already; it waits for the morning message, or joins the others that went
out, in one message, before everybody sleeps. Never longer than three quarters of its time to respond: of dryness 9 h, of
the 12 h that it may be held back (`limit_alarm.DOUBT_SECONDS`) and of which the judge may have used two and a half. Heat and cold
never wait, nor does what is in doubt, and was held back already.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final
from zoneinfo import ZoneInfo

from dewkeeper.judge.rationale import DRY_CAUSE, ROOM
from dewkeeper.judge.types import Alarm, Event
from dewkeeper.notify.grouping import WINDOW_SECONDS, Where
from dewkeeper.notify.people import quiet_until
from dewkeeper.notify.phrases import time_to_respond
from dewkeeper.notify.planner_state import Memory
from dewkeeper.report.order import ROOMS
from dewkeeper_config.models import Person

BEDTIME_SECONDS: Final = 900
"""So long before everybody's quiet hours what has been kept is told; common practice, no source."""
SLOW_SECONDS: Final = 6 * 3600
"""What takes longer from its target to beyond tolerable while the room's own alarm of dryness stands is dried by the room,
whatever else took part; an empty bowl takes a few hours. Common practice, no source."""
KEPT_SHARE: Final = 0.75
"""Of its time to respond, so much is the longest that anything is kept for its story."""

Story = tuple[str, str]
"""A room, and the way its air went: dry or damp."""


def story_of(item: Event | Alarm, where: Where) -> Story | None:
    """Return the story of its room that this is a part of; None where it has a story of its own."""
    if item.kind in ROOMS:
        room = str(item.detail.get("room", "")) or where.place(None, item.probe).room
        return (room, "dry") if room and item.cause == DRY_CAUSE else None
    if item.kind not in ("dry", "damp") or item.cause != ROOM or not {"doubt", "misted"}.isdisjoint(item.detail):
        return None
    room = where.place(item.enclosure, item.probe).room
    return (room, item.kind) if room else None


def _slid(item: Event | Alarm) -> bool:
    """Return whether a tub dried so slowly that it is its room's doing while that is too dry."""
    at = item.time if isinstance(item, Event) else item.asked
    certain = {"doubt", "misted"}.isdisjoint(item.detail)
    return item.kind == "dry" and item.band == "tolerable" and certain and at - item.since >= SLOW_SECONDS


def of_story(alarms: Iterable[Alarm], story: Story, where: Where) -> list[Alarm]:
    """Return what stands of a story, the room's own alarm first, then the older."""
    found = [a for a in alarms if a.state in ("unacknowledged", "acknowledged") and story_of(a, where) == story]
    return sorted(found, key=lambda alarm: (alarm.kind not in ROOMS, alarm.since, alarm.alarm))


def told_head(item: Event | Alarm, alarms: Iterable[Alarm], memory: Memory, where: Where, now: int) -> Alarm | None:
    """Return by which standing alarm the story of this was told, so long ago that nothing joins it by itself; None where it is new.

    What is beyond target only is no such news. now: UTC seconds.
    """
    own = story_of(item, where)
    story = own or (_way(item, where) if _slid(item) else None)
    if story is None:
        return None
    for alarm in of_story(alarms, story, where):
        known = memory.alarms.get(alarm.alarm)
        if alarm.alarm == item.alarm or known is None or alarm.band == "target":
            continue
        if own is None and alarm.kind not in ROOMS:
            continue  # what merely dried slowly joins the room's own alarm, not another tub's
        listed = known.reminded > memory.elapsed(known.told)  # a morning message has named it since
        if (known.people or listed) and now - known.told > WINDOW_SECONDS:
            return alarm
    return None


def joins(event: Event, alarms: Sequence[Alarm], memory: Memory, where: Where, now: int) -> bool:
    """Return whether what is new is part of a story that was told, and of which nobody is woken or called. now: UTC seconds."""
    known = memory.alarms.get(event.alarm)
    if event.event not in ("raised", "escalated") or event.priority == "urgent" or (known is not None and known.people):
        return False
    return told_head(event, alarms, memory, where, now) is not None


def _way(item: Event | Alarm, where: Where) -> Story | None:
    room = where.place(item.enclosure, item.probe).room
    return (room, item.kind) if room else None


def kept(alarms: Iterable[Alarm], memory: Memory, where: Where) -> dict[Story, list[Alarm]]:
    """Return by room and way the tubs beyond tolerable of which nobody was told by name yet, whatever has become of their room since."""
    found: dict[Story, list[Alarm]] = {}
    for alarm in alarms:
        known, way = memory.alarms.get(alarm.alarm), _way(alarm, where)
        if way is None or known is None or known.people or alarm.kind not in ("dry", "damp"):
            continue
        if alarm.state == "unacknowledged" and alarm.priority != "low" and "misted" not in alarm.detail:
            found.setdefault(way, []).append(alarm)
    return found


def is_due(
    alarm: Alarm, memory: Memory, people: Sequence[Person], now: int, morning: int | None, zone: ZoneInfo
) -> bool:
    """Return whether a tub that was kept must be told now, and with it all others of its story.

    It is left to the morning message where that comes soon enough. people: who is told first. now, morning: UTC seconds.
    """
    within = time_to_respond(alarm)
    left = memory.alarms[alarm.alarm].reminded + KEPT_SHARE * within - memory.elapsed(now)
    if left <= 0:
        return True
    if morning is not None and now + left >= morning:
        return False
    awake = any(quiet_until(person, now, zone) is None for person in people)
    return awake and all(quiet_until(person, now + BEDTIME_SECONDS, zone) is not None for person in people)
