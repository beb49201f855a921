"""What of the waiting rows is really sent: one story told once, however long the network was away. Pure functions.

The rows of one person and channel are looked at together. An alarm that is already over is told once, in the past
tense, with its own times; reminders of what was never told are not sent after it; members of one group become one
message; and when much has piled up, one digest stands for all that needs nothing done now.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from dewkeeper.notify import message_words, saying
from dewkeeper.notify.grouping import agreed
from dewkeeper.notify.saying import UNWORDED, Situation
from dewkeeper.notify.told import Member, Told
from dewkeeper.report.order import Need, blinds, dose_in_bands, dose_of, need
from dewkeeper.report.wording import Wording, heat_unseen
from dewkeeper.store.records import Message

log = logging.getLogger(__name__)

DIGEST_FROM: Final = 5
_DIGEST_LINES: Final = 30
_WHOLE: Final = 4
"""So many messages are put into one with what to do and where to tap; of more only the first lines are told."""
_REPEATS: Final = ("reminded", "unanswered")
_STANDING: Final = ("raised", "escalated", "handed_over", *_REPEATS)
_LEADS: Final = ("outage", "morning")
_BY_ITSELF: Final = frozenset({"path_test"})
"""Kinds of message that are never put together with others: each is to be tapped."""


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


def type_of(row: Message) -> str:
    """Return what a message is for programs: `<kind>.<happening>` of alarms, else its kind."""
    return f"{row.kind}.{row.facts['happening']}" if "happening" in row.facts else row.kind


def planned_for(row: Message, stepped: int) -> int:
    """Return when a row was to go out, UTC seconds. stepped: by how much the wall clock was stepped since it could be."""
    first = row.next_try + stepped if row.attempts == 0 and row.next_try else 0  # a stand-in waits on purpose
    return max(row.created, row.not_before, first)


def parcels(rows: Sequence[Message], wording: Wording, now: int, situation: Situation | None = None) -> list[Parcel]:
    """Return what to send of these rows (all of one person and channel, oldest first), most pressing first.

    Urgent alarms come by themselves; of everything else what is due at the same moment is one message, and much that has
    waited too. Never raises: what cannot be put together is told row by row.
    """
    situation = situation or Situation()
    worded = [saying.said(row, situation, wording, now) for row in rows]
    try:
        return _put_together(worded, situation, wording, now)
    except Exception:
        log.exception("%d messages cannot be put together", len(worded))
        return [Parcel(row if _unworded(row) else saying.plainly(row, wording, now), (row,)) for row in worded]


def _put_together(rows: Sequence[Message], situation: Situation, wording: Wording, now: int) -> list[Parcel]:
    single = list(_by_story(rows, situation, wording, now))
    merged = [_late(parcel, situation, wording, now) for parcel in _by_group(single, situation, wording, now)]
    merged.sort(key=lambda parcel: _order(parcel, situation, now))
    calm = [p for p in merged if not _pressing(p) and p.message.kind not in _BY_ITSELF]
    apart = [p for p in merged if p not in calm]
    waited = any(
        now - planned_for(row, situation.stepped) > message_words.LATE_SECONDS for p in calm for row in p.carries
    )
    batches = [calm] if waited and len(calm) >= DIGEST_FROM else _by_moment(calm, situation)
    calm = [_several(batch, wording, now, waited=waited) if len(batch) > 1 else batch[0] for batch in batches if batch]
    return sorted(apart + calm, key=lambda parcel: not _pressing(parcel))


def _by_moment(calm: Sequence[Parcel], situation: Situation) -> list[list[Parcel]]:
    """Return what was planned for the same second together, in the given order: a cycle's news, an end of quiet hours.

    What failed once so keeps its id, whatever comes later.
    """
    moments: dict[int, list[Parcel]] = {}
    for parcel in calm:
        moments.setdefault(planned_for(parcel.message, situation.stepped), []).append(parcel)
    return list(moments.values())


def _order(parcel: Parcel, situation: Situation, now: int) -> Need:
    facts, alarms = parcel.message.facts, situation.alarms or {}
    due = facts.get("respond_by")
    told = (alarms[alarm] for alarm in parcel.alarms if alarm in alarms)
    doses = [dose_in_bands(dose_of(alarm.detail), alarm.kind) for alarm in told]
    return need(
        urgent=_pressing(parcel),
        harmed=any(heat_unseen(alarms[one].kind, alarms[one].state) for one in parcel.alarms if one in alarms),
        stands=_standing(parcel),
        respond_by=due if isinstance(due, int) else None,
        now=now,
        blind=any(blinds(alarms[one].kind, alarms[one].enclosure) for one in parcel.alarms if one in alarms),
        dose=max(doses, default=0.0),
        since=parcel.message.created,
    )


def _unworded(row: Message) -> bool:
    return bool(row.facts.get(UNWORDED))


def _by_story(rows: Sequence[Message], situation: Situation, wording: Wording, now: int) -> list[Parcel]:
    """Return one parcel per alarm: the last word on it, carrying the earlier ones."""
    stories: dict[str, list[Message]] = {}
    for row in rows:
        # What speaks of several alarms is no part of the story of one.
        stories.setdefault(row.alarm if row.alarm and len(alarms_of(row)) == 1 else row.id, []).append(row)
    made = []
    for story in stories.values():
        news = [row for row in story if row.facts.get("happening") not in _REPEATS]
        chosen = news[-1] if news else story[-1]
        tolds = [told for told in map(_told, story) if told is not None]
        last = _told(chosen)
        if last is not None and len(story) > 1 and last.happening == "cleared" and tolds[0].happening == "raised":
            # Never told while it stood: its own beginning, and the gravest it got, in one sentence.
            gravest = next((told.band for told in tolds if told.band == "tolerable"), last.band)
            danger = any(told.danger for told in tolds)
            whole = replace(last, since=min(told.since for told in tolds), band=gravest, danger=danger)
            chosen = saying.reworded(chosen, whole, situation, wording, now)
        made.append(Parcel(chosen, tuple(story)))
    return made


def _by_group(single: Sequence[Parcel], situation: Situation, wording: Wording, now: int) -> list[Parcel]:
    groups: dict[object, list[Parcel]] = {}
    for parcel in single:
        facts = parcel.message.facts
        key = (facts["group"], facts.get("happening")) if facts.get("group") else parcel.message.id
        groups.setdefault(key, []).append(parcel)
    return [_merge(group, situation, wording, now) if len(group) > 1 else group[0] for group in groups.values()]


def _merge(group: Sequence[Parcel], situation: Situation, wording: Wording, now: int) -> Parcel:
    """Return several of one group as one message, under the id of the last of them."""
    last = group[-1].message
    carries = tuple(row for parcel in group for row in parcel.carries)
    tolds = [(parcel.message, told) for parcel in group if (told := _told(parcel.message)) is not None]
    if not tolds or _told(last) is None:
        return Parcel(last, carries)
    members: dict[str, Member] = {}  # by alarm
    for row, told in tolds:
        alone = Member(told.subject, told.since, row.event or row.id, told.until, told.over)
        named = told.members or (alone,)
        ids = list(row.facts.get("alarms", ())) or [row.alarm or row.id]
        members |= {str(alarm): one for one, alarm in zip(named, ids, strict=False)}
    unique = tuple(members.values())
    by_name = {told.subject: (told.cause, told.response) for _, told in tolds if not told.members}
    accounts = [
        saying.account(alarm, by_name.get(member.name, ("", "")), situation) for alarm, member in members.items()
    ]
    over = [member.until for member in unique if member.until is not None]
    racks = {told.rack for _, told in tolds}
    whole = replace(
        tolds[-1][1],
        enclosure=None,
        probe=None,
        respond_by=min((told.respond_by for _, told in tolds if told.respond_by is not None), default=None),
        rack=tolds[-1][1].rack if len(racks) == 1 else None,
        since=min(member.since for member in unique),
        until=max(over) if len(over) == len(unique) else None,
        over=all(member.over or member.until is not None for member in unique) and not over,
        members=unique,
        value=None,
        limit=None,
        highest=max((told.highest for _, told in tolds if told.highest is not None), default=None),
        now_value=None,
        now_beside=None,
        still="",
    )
    urgent = any(parcel.message.priority == "urgent" for parcel in group)
    every = saying.text_of(last.facts, "ack_all_link")
    facts = dict(last.facts) | ({"ack_link": every} if every else {}) | {"alarms": list(members)}
    message = replace(last, priority="urgent" if urgent else last.priority, facts=facts)
    whole = agreed(whole, accounts)
    return Parcel(saying.reworded(message, whole, situation, wording, now), carries)


def _told(row: Message) -> Told | None:
    return None if _unworded(row) else Told.of_facts(row.facts)


def _late(parcel: Parcel, situation: Situation, wording: Wording, now: int) -> Parcel:
    """Say of a late message that it is late."""
    planned = planned_for(parcel.message, situation.stepped)
    if now - planned <= message_words.LATE_SECONDS:
        return parcel
    message = parcel.message
    facts = dict(message.facts) | {"late_seconds": now - planned}
    lines = (*message.lines, message_words.late_line(planned, now, wording))
    return replace(parcel, message=replace(message, lines=lines, facts=facts))


def _pressing(parcel: Parcel) -> bool:
    facts = parcel.message.facts
    return parcel.message.priority == "urgent" and facts.get("happening") != "cleared" and not facts.get("over")


def _several(calm: Sequence[Parcel], wording: Wording, now: int, *, waited: bool) -> Parcel:
    """Return one message for many, in their order. Its id is that of the newest row: one that grew is a new message.

    The morning message, and that of an outage, take the others in and keep their own words.
    """
    last = max((parcel.message for parcel in calm), key=lambda message: (message.created, message.id))
    carries = tuple(row for parcel in calm for row in parcel.carries)
    since = min(row.created for row in carries)
    standing = sum(_standing(parcel) for parcel in calm)
    lead = next((parcel.message for kind in _LEADS for parcel in calm if parcel.message.kind == kind), None)
    told = [parcel.message for parcel in calm if parcel.message is not lead]
    lines = list(lead.lines) if lead is not None else []
    for message in told[:_DIGEST_LINES]:
        whole = message.kind in _LEADS
        lines += [message.title, *(message.lines if whole else _essence(message) if len(told) <= _WHOLE else ())]
    if len(told) > _DIGEST_LINES:
        lines.append(f"and {len(told) - _DIGEST_LINES} more on the page")
    link = saying.text_of(last.facts, "link")
    if link and (lead is None or not saying.text_of(lead.facts, "link")):
        lines.append(message_words.page_line(link))
    if lead is not None:
        title = lead.title
    elif waited and len(calm) >= DIGEST_FROM:
        title = f"{len(calm)} messages since {wording.clock(since, now)}, {standing} still open – see list"
    else:
        title = _first_of(told, wording, now)
    facts = {
        "gathers": [
            {"id": row.id, "event": row.event, "title": row.title, "alarm": row.alarm, "type": type_of(row)}
            for row in carries
        ],
        "since": since,
        "siblings": [],
        "alarms": sorted({a for r in carries for a in alarms_of(r)}),
        "left_off": max(0, len(told) - _DIGEST_LINES),
    }
    message = replace(
        last,
        title=title,
        lines=tuple(lines),
        kind="digest" if lead is None else lead.kind,
        alarm=None,
        thread=None,
        priority="medium" if standing else "low",
        facts=facts,
    )
    return Parcel(message, carries)


def _first_of(told: Sequence[Message], wording: Wording, now: int) -> str:
    """Return the first line of the most pressing, and how many more there are."""
    more = f" (+{len(told) - 1} more)"
    about, title = _told(told[0]), told[0].title
    if about is not None:
        return message_words.title(about, wording, now, message_words.TITLE_LENGTH - len(more)) + more
    for shorter in (title, title.rpartition(" – ")[0] or title):
        if len(shorter + more) <= message_words.TITLE_LENGTH:
            return shorter + more
    return title[: message_words.TITLE_LENGTH - len(more) - 1].rstrip() + "…" + more


def _essence(message: Message) -> list[str]:
    """Return of a message's lines what one needs to act."""
    # By how `message_words.lines` begins them.
    return [line for line in message.lines if line.startswith(("Now:", "Do:", "I have seen it"))]


def _standing(parcel: Parcel) -> bool:
    return parcel.message.facts.get("happening") in _STANDING and not parcel.message.facts.get("over")
