"""What of the waiting rows is really sent: one story told once, however long the network was away. Pure functions.

The rows of one person and channel are looked at together. An alarm that is already over is told once, in the past
tense, with its own times; reminders of what was never told are not sent after it; members of one group become one
message; and when much has piled up, one digest stands for all that needs nothing done now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from dewkeeper.notify import words
from dewkeeper.notify.told import Member, Told
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message

DIGEST_FROM: Final = 5
_DIGEST_LINES: Final = 30
_REPEATS: Final = ("reminded", "unanswered")


@dataclass(frozen=True, slots=True)
class Parcel:
    """One thing to send, and the rows that are dealt with once it is accepted."""

    message: Message
    carries: tuple[Message, ...]

    @property
    def alarms(self) -> frozenset[str]:
        """The alarms it speaks of: what must not overtake it."""
        return frozenset(alarm for row in self.carries for alarm in alarms_of(row))


def alarms_of(row: Message) -> frozenset[str]:
    """Return the alarms a row speaks of."""
    return frozenset(row.facts.get("alarms") or ([row.alarm] if row.alarm else []))


def planned_for(row: Message) -> int:
    """Return when a row was to go out, UTC seconds."""
    first = row.next_try if row.attempts == 0 else 0  # a stand-in waits on purpose
    return max(row.created, row.not_before, first)


def parcels(rows: Sequence[Message], wording: Wording, now: int) -> list[Parcel]:
    """Return what to send of these rows (all of one person and channel, oldest first), most pressing first."""
    single = list(_by_story(rows, wording, now))
    merged = _by_group(single, wording, now)
    merged = [_late(parcel, wording, now) for parcel in merged]
    pressing = [p for p in merged if _pressing(p)]
    calm = [p for p in merged if not _pressing(p)]
    waited = any(now - planned_for(row) > words.LATE_SECONDS for p in calm for row in p.carries)
    if len(calm) >= DIGEST_FROM and waited:
        calm = [_digest(calm, wording, now)]
    return pressing + calm


def _by_story(rows: Sequence[Message], wording: Wording, now: int) -> list[Parcel]:
    """Return one parcel per alarm: the last word on it, carrying the earlier ones."""
    stories: dict[str, list[Message]] = {}
    for row in rows:
        stories.setdefault(row.alarm if row.alarm and len(alarms_of(row)) == 1 else row.id, []).append(row)
    made = []
    for story in stories.values():
        news = [row for row in story if row.facts.get("happening") not in _REPEATS]
        chosen = news[-1] if news else story[-1]
        told = Told.of_facts(chosen.facts)
        if (
            told is not None
            and len(story) > 1
            and told.happening == "cleared"
            and story[0].facts.get("happening") == "raised"
        ):
            first = Told.of_facts(story[0].facts)
            # Never told while it stood: its own beginning, and the gravest it got, in one sentence.
            since = told.since if first is None else min(first.since, told.since)
            chosen = _reworded(chosen, replace(told, since=since), wording, now)
        made.append(Parcel(chosen, tuple(story)))
    return made


def _by_group(single: Sequence[Parcel], wording: Wording, now: int) -> list[Parcel]:
    groups: dict[object, list[Parcel]] = {}
    for parcel in single:
        facts = parcel.message.facts
        key = (facts["group"], facts.get("happening")) if facts.get("group") else parcel.message.id
        groups.setdefault(key, []).append(parcel)
    return [_merge(group, wording, now) if len(group) > 1 else group[0] for group in groups.values()]


def _merge(group: Sequence[Parcel], wording: Wording, now: int) -> Parcel:
    members: list[Member] = []
    racks = set()
    for parcel in group:
        told = Told.of_facts(parcel.message.facts)
        if told is None:
            continue
        racks.add(told.rack)
        members += told.members or (Member(told.subject, told.since, parcel.message.event or "", told.until),)
    last = group[-1].message
    told = Told.of_facts(last.facts)
    carries = tuple(row for parcel in group for row in parcel.carries)
    if told is None:
        return Parcel(last, carries)
    unique = tuple({member.event: member for member in members}.values())
    over = [member.until for member in unique if member.until is not None]
    whole = replace(
        told,
        enclosure=None,
        probe=None,
        rack=told.rack if len(racks) == 1 else None,
        since=min(member.since for member in unique),
        until=max(over) if over else None,
        members=unique,
        value=None,
        limit=None,
    )
    urgent = any(parcel.message.priority == "urgent" for parcel in group)
    every = _text(last.facts, "ack_all_link")
    facts = dict(last.facts) | ({"ack_link": every} if every else {})
    message = replace(last, priority="urgent" if urgent else last.priority, facts=facts)
    return Parcel(_reworded(message, whole, wording, now), carries)


def _reworded(message: Message, told: Told, wording: Wording, now: int) -> Message:
    facts = dict(message.facts) | told.facts()
    for name in ("enclosure", "probe", "value", "limit", "rack"):
        if getattr(told, name) is None:
            facts.pop(name, None)
    return replace(
        message,
        title=words.title(told, wording, now),
        lines=words.lines(told, wording, now, (), _text(facts, "link"), _text(facts, "ack_link")),
        facts=facts,
    )


def _late(parcel: Parcel, wording: Wording, now: int) -> Parcel:
    """Say of a late message that it is late, and put the date into its first line where the hour alone would mislead."""
    planned = planned_for(parcel.message)
    if now - planned <= words.LATE_SECONDS:
        return parcel
    message = parcel.message
    told = Told.of_facts(message.facts)
    title = message.title if told is None else words.title(told, wording, now)
    facts = dict(message.facts) | {"late_seconds": now - planned}
    lines = (*message.lines, words.late_line(planned, now, wording))
    return replace(parcel, message=replace(message, title=title, lines=lines, facts=facts))


def _pressing(parcel: Parcel) -> bool:
    return parcel.message.priority == "urgent" and parcel.message.facts.get("happening") != "cleared"


def _digest(calm: Sequence[Parcel], wording: Wording, now: int) -> Parcel:
    """Return one message for many. Its id is that of the newest row: a digest that grew is a new message."""
    last = max((parcel.message for parcel in calm), key=lambda message: (message.created, message.id))
    carries = tuple(row for parcel in calm for row in parcel.carries)
    since = min(row.created for row in carries)
    open_first = sorted(calm, key=lambda p: p.message.facts.get("happening") == "cleared")
    standing = sum(p.message.facts.get("happening") in ("raised", "escalated", *_REPEATS) for p in calm)
    lines = [parcel.message.title for parcel in open_first[:_DIGEST_LINES]]
    if len(calm) > _DIGEST_LINES:
        lines.append(f"and {len(calm) - _DIGEST_LINES} more on the page")
    link = _text(last.facts, "link")
    if link:
        lines.append(words.page_line(link))
    gathers = [{"id": row.id, "event": row.event, "title": row.title} for row in carries]
    facts = {
        "gathers": gathers,
        "since": since,
        "siblings": [],
        "alarms": sorted({a for r in carries for a in alarms_of(r)}),
    }
    message = replace(
        last,
        title=f"{len(calm)} messages since {wording.clock(since, now)}, {standing} still open – see list",
        lines=tuple(lines),
        kind="digest",
        alarm=None,
        thread=None,
        priority="medium" if standing else "low",
        facts=facts,
    )
    return Parcel(message, carries)


def _text(facts: dict[str, object] | object, name: str) -> str | None:
    value = facts.get(name) if isinstance(facts, dict) else getattr(facts, "get", lambda _: None)(name)
    return value if isinstance(value, str) and value else None
