"""Who is told, over which channel, and when: escalation, away mode, quiet hours. Pure functions of configuration and time."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from dewkeeper.store.records import Message
from dewkeeper_config.models import Config, Person

MESSAGE_NAMESPACE: Final = uuid.UUID("6f1a0c52-3b57-5a0e-9c0e-7c2d7a5f4e11")
"""Message ids follow from event, person and channel within this; it never changes."""

STAND_IN_SECONDS: Final = 180
STAND_IN_URGENT_SECONDS: Final = 60
"""A message not accepted by a person's first channel after this long goes over the next one as well."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A message before it is addressed. event: what its id follows from; alarms: those it must not overtake others of.

    hold_seconds: so long it waits for others to join it. respond_by: UTC second until which it must be answered.
    """

    event: str
    title: str
    lines: tuple[str, ...]
    priority: str
    kind: str
    alarm: str | None = None
    thread: str | None = None
    facts: Mapping[str, Any] | None = None
    hold_seconds: int = 0
    respond_by: int | None = None
    expires: int | None = None
    avoid_channel: str | None = None
    bypass_quiet: bool = False


def ladder(config: Config, *, away: bool) -> list[list[Person]]:
    """Return who is told first, who next, and so on. Away: sitters first, then the keepers as usual."""
    sitters = [person for person in config.person if person.sitter]
    keepers = [person for person in config.person if not person.sitter]
    levels = sorted({person.escalation for person in keepers})
    steps = [[person for person in keepers if person.escalation == level] for level in levels]
    if away and sitters:
        return [sitters, *steps]
    return steps or [sitters]


def quiet_until(person: Person, at: int, zone: ZoneInfo) -> int | None:
    """Return when the quiet hours this moment lies in end (UTC seconds), or None outside them.

    Reckoned on the local wall clock: the night a clock change makes longer or shorter still ends at the hour the
    person named.
    """
    hours = person.quiet_hours
    if hours is None:
        return None
    local = datetime.fromtimestamp(at, zone)
    for day in (local.date() - timedelta(days=1), local.date()):
        begin = datetime.combine(day, hours.start, tzinfo=zone).timestamp()
        last = day if hours.start < hours.end else day + timedelta(days=1)
        end = datetime.combine(last, hours.end, tzinfo=zone).timestamp()
        if begin <= at < end:
            return int(end)
    return None


def message_id(event: str, person: str, channel: str) -> str:
    """Return the id of what is told of an event to a person over a channel."""
    return str(uuid.uuid5(MESSAGE_NAMESPACE, "\n".join((event, person, channel))))


def address(
    draft: Draft, person: Person, now: int, zone: ZoneInfo, only_channel: str | None = None, elapsed: int | None = None
) -> list[Message]:
    """Return the outbox rows for one person: one per channel, the later ones waiting to stand in.

    Quiet hours are waited for on the wall clock (`not_before`), all else in elapsed time (`next_try`); elapsed: that of
    now, None where the clock was never stepped. Each row names its `siblings`: when one is accepted the others are no
    longer needed. only_channel: this one alone.
    """
    channels = [only_channel] if only_channel else _channels(person, draft.avoid_channel)
    elapsed = now if elapsed is None else elapsed
    wait, quiet = draft.hold_seconds, _quiet(draft, person, now, zone)
    if quiet is not None:
        wait = quiet - now
    step = STAND_IN_URGENT_SECONDS if draft.priority == "urgent" else STAND_IN_SECONDS
    ids = [message_id(draft.event, person.name, channel) for channel in channels]
    rows = []
    for place, (channel, identity) in enumerate(zip(channels, ids, strict=True)):
        facts = dict(draft.facts or {})
        if len(ids) > 1:
            facts["siblings"] = [other for other in ids if other != identity]
        rows.append(
            Message(
                id=identity,
                created=now,
                person=person.name,
                channel=channel,
                title=draft.title,
                lines=draft.lines,
                priority=draft.priority,
                kind=draft.kind,
                alarm=draft.alarm,
                event=draft.event,
                thread=draft.thread,
                not_before=quiet or 0,
                # Quiet hours hold the first row back by `not_before` alone; a stand-in waits its step besides.
                next_try=elapsed + wait + place * step if place or (wait and quiet is None) else 0,
                expires=draft.expires,
                facts=facts,
            )
        )
    return rows


def _quiet(draft: Draft, person: Person, now: int, zone: ZoneInfo) -> int | None:
    """Return when the quiet hours this message waits for end, None if it does not.

    What must be answered before they end does not wait for them, nor does what is overdue already; low priority always does.
    """
    if draft.priority == "urgent" or draft.bypass_quiet:
        return None
    end = quiet_until(person, now + draft.hold_seconds, zone)
    if end is None:
        return None
    if draft.priority != "low" and draft.respond_by is not None and draft.respond_by <= end:
        return None
    return end


def _channels(person: Person, avoid: str | None) -> Sequence[str]:
    """Return the person's channels; news about a broken channel goes over the others, if there are any."""
    others = [channel for channel in person.channels if channel != avoid]
    return others or list(person.channels)
