"""What is said of a row at the moment it is sent: words of what is so then, whatever was so when it was planned.

A row that cannot be put into words never keeps another from being sent: it is told plainly, by what is stored of it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.types import Alarm, JournalEntry, Quality, Reading
from dewkeeper.judge.words import EXCURSIONS, KINDS
from dewkeeper.notify import message_words
from dewkeeper.notify.grouping import agreed
from dewkeeper.notify.phrases import rationale_of, short_of
from dewkeeper.notify.told import Member, Told
from dewkeeper.report.order import highest_of
from dewkeeper.report.wording import Wording
from dewkeeper.store.records import Message

log = logging.getLogger(__name__)

_NEWS: Final = ("raised", "escalated", "reminded", "unanswered", "handed_over")
_HUMID: Final = ("dry", "damp")
_NO_VALUE: Final = frozenset({"crc", "gross_range"})
"""Tests by which the sensor itself takes even the temperature away."""
UNWORDED: Final = "unworded"
"""Fact of a row that was told plainly, because it could not be put into words."""


def no_journal(_enclosure: str | None) -> Sequence[JournalEntry]:
    """Return nothing, where nobody can be asked for the journal."""
    return ()


@dataclass(frozen=True, slots=True)
class Situation:
    """How things are now.

    alarms: every alarm the judge has not closed, by id; None where nobody knows. untold_end: alarms of whose end nobody
    was told yet, for what the judge does not have may stand all the same, as after a change of version. newest: the last reading of each probe
    and its verdict. stale_seconds: older ones are not the air of now. recorded: whether the store takes things.
    stepped: by how many seconds the wall clock was stepped since the daemon first ran.
    """

    alarms: Mapping[str, Alarm] | None = None
    untold_end: Collection[str] = ()
    newest: Mapping[str, tuple[Reading, Quality]] = field(default_factory=dict)
    stale_seconds: int = 180
    journal: Callable[[str | None], Sequence[JournalEntry]] = no_journal
    recorded: bool = True
    stepped: int = 0


def said(row: Message, situation: Situation, wording: Wording, now: int) -> Message:
    """Return the row in the words of now. What is no alarm keeps its words. Never raises."""
    try:
        told = Told.of_facts(row.facts)
        if told is None:
            return row
        row, told = by_the_clock_of_now(row, told, situation.stepped)
        return reworded(row, as_it_is(told, row, situation, now), situation, wording, now)
    except Exception:
        log.exception("message %s cannot be put into words", row.id)
        return plainly(row, wording, now)


def by_the_clock_of_now(row: Message, told: Told, stepped: int) -> tuple[Message, Told]:
    """Return both with their times as the clock of now has them, where it was stepped since the row was planned."""
    by = stepped - int(row.facts.get("stepped", stepped))
    if not by:
        return row, told
    later = replace(
        told,
        since=told.since + by,
        until=None if told.until is None else told.until + by,
        at=None if told.at is None else told.at + by,
        respond_by=None if told.respond_by is None else told.respond_by + by,
        members=tuple(
            replace(one, since=one.since + by, until=None if one.until is None else one.until + by)
            for one in told.members
        ),
    )
    return replace(row, created=row.created + by, facts={**row.facts, "stepped": stepped}), later


def reworded(row: Message, told: Told, situation: Situation, wording: Wording, now: int) -> Message:
    """Return the row saying this, its facts too."""
    kept = {name: value for name, value in row.facts.items() if name not in Told.__dataclass_fields__}
    journal = situation.journal(told.enclosure) if told.enclosure and not told.members else ()
    text = message_words.lines(told, wording, now, journal, text_of(row.facts, "link"), text_of(row.facts, "ack_link"))
    facts = kept | told.facts() | {"action": message_words.action_of(told)}
    return replace(row, title=message_words.title(told, wording, now), lines=text, facts=facts)


def as_it_is(told: Told, row: Message, situation: Situation, now: int) -> Told:
    """Return what is told, with what has become of it since it was planned."""
    told = replace(told, recorded=told.recorded or situation.recorded)
    if situation.alarms is None:
        return told
    told = _newest(told, situation, now)
    if told.happening == "cleared" and not told.members:
        return replace(told, still=_still(told, row, situation))
    if told.happening not in _NEWS:
        return told
    if told.members:
        return _group(told, situation, row, now)
    alarm = situation.alarms.get(row.alarm or "")
    if _ended(row.alarm or "", told, situation):
        highest = told.highest if alarm is None else highest_of(alarm.detail)
        return replace(told, over=True, highest=highest, still=_still(told, row, situation))
    if alarm is None:
        return told  # nothing newer is known of it
    seen = alarm.state == "acknowledged" and told.happening == "unanswered"
    return replace(
        told,
        happening="reminded" if seen else told.happening,
        band=alarm.band,
        priority=alarm.priority,
        limit=alarm.limit,
        cause=alarm.cause or told.cause,
        consequence=alarm.consequence or told.consequence,
        response=alarm.response or told.response,
        within_seconds=alarm.within_seconds or told.within_seconds,
        respond_by=alarm.respond_by or told.respond_by,
        detail=str(alarm.detail.get("text", told.detail)),
        action=str(alarm.detail.get("action", "")),
        danger=bool(alarm.detail.get("danger")),
        doubt=str(alarm.detail.get("doubt", "")),
        either=str(alarm.detail.get("or", "")),
    )


def plainly(row: Message, wording: Wording, now: int) -> Message:
    """Return the row in words that need nothing but what every row has: where, the kind as stored, times."""
    facts: Mapping[str, Any] = row.facts if isinstance(row.facts, Mapping) else {}
    subject = next((str(facts[name]) for name in ("enclosure", "probe", "rack") if facts.get(name)), "dewkeeper")
    since = facts.get("since")
    at = since if isinstance(since, int) and 0 < since <= now else row.created
    kind = short_of(row.kind).what
    title = f"{subject[:16]}: {kind[:18]} since {wording.clock(at, now)} – look yourself"
    lines = (
        f"This version cannot put this message into words. Its kind is stored as {row.kind!r}.",
        f"It began {wording.stamp(at)} and was to be told {wording.stamp(row.created)}, with these words:",
        row.title,
        *row.lines,
        message_words.advice("Do", rationale_of(row.kind).response),
    )
    kept = {"siblings": facts.get("siblings", ()), UNWORDED: True}
    return replace(row, title=title[: message_words.TITLE_LENGTH], lines=tuple(map(str, lines)), facts=kept)


def _stands(alarm: Alarm | None) -> bool:
    return alarm is not None and alarm.state not in ("normal", "returned_unacknowledged")


def _newest(told: Told, situation: Situation, now: int) -> Told:
    """Return it with the newest value that is believed, if there is one young enough."""
    found = situation.newest.get(told.probe or "")
    if found is None or told.kind not in message_words.MEASURED:
        return told
    reading, quality = found
    humid = told.kind in _HUMID
    value = reading.humidity_percent if humid else reading.temperature_c
    # What is inferred of a probe may take its humidity away, never its temperature.
    believed = quality.counts if humid else not _NO_VALUE & set(quality.tests)
    if value is None or not believed or now - reading.time > situation.stale_seconds:
        return told
    beside = reading.temperature_c if humid else reading.humidity_percent if quality.counts else None
    return replace(
        told,
        now_value=round(value, 2),
        now_at=reading.time,
        now_beside=None if beside is None else round(beside, 2),
    )


def _ended(identity: str, told: Told, situation: Situation) -> bool:
    """Return whether an alarm is certainly over; not having it is no proof for a kind that only another version knows."""
    alarm = (situation.alarms or {}).get(identity)
    if alarm is not None:
        return not _stands(alarm)
    return told.kind in KINDS and identity not in situation.untold_end


def _measured(member: Member, identity: str, told: Told, situation: Situation, now: int) -> Member:
    """Return a member that stands with the newest value that is believed of it."""
    alarm = (situation.alarms or {}).get(identity)
    if alarm is None or member.over or member.until is not None:
        return member
    alone = _newest(replace(told, probe=alarm.probe, members=()), situation, now)
    return replace(member, value=alone.now_value, limit=alarm.limit)


def _group(told: Told, situation: Situation, row: Message, now: int) -> Told:
    ids = [str(identity) for identity in row.facts.get("alarms", ())]
    if len(ids) != len(told.members):
        return told
    members = tuple(
        replace(member, over=True) if member.until is None and _ended(identity, told, situation) else member
        for member, identity in zip(told.members, ids, strict=True)
    )
    members = tuple(_measured(one, identity, told, situation, now) for one, identity in zip(members, ids, strict=True))
    alarms = situation.alarms or {}
    danger = any(_stands(alarms.get(identity)) and bool(alarms[identity].detail.get("danger")) for identity in ids)
    over = all(one.over or one.until is not None for one in members)
    told = replace(told, members=members, over=over, danger=danger)
    return agreed(told, [account(identity, ("", ""), situation) for identity in ids])


def account(identity: str, known: tuple[str, str], situation: Situation) -> tuple[str, str]:
    """Return cause and response of an alarm as the judge gives them now, else as they are known."""
    alarm = (situation.alarms or {}).get(identity)
    return known if alarm is None or not _stands(alarm) or not alarm.cause else (alarm.cause, alarm.response)


def _still(told: Told, row: Message, situation: Situation) -> str:
    """Return what is still beyond its limit where an alarm has ended: "calm again" never stands beside that."""
    others = [
        alarm
        for alarm in (situation.alarms or {}).values()
        if alarm.enclosure == told.enclosure and told.enclosure and alarm.alarm != row.alarm
        and alarm.kind in EXCURSIONS and _stands(alarm) and alarm.state not in WITHHELD
    ]  # fmt: skip
    if others:
        return short_of(min(others, key=_concern).kind).what
    if told.now_value is None or told.limit is None:
        return ""
    high = told.kind in ("damp", "hot")
    beyond = told.now_value > told.limit if high else told.now_value < told.limit
    return short_of(told.kind).what if beyond else ""


def _concern(alarm: Alarm) -> int:
    return ("hot", "cold", "dry", "damp").index(alarm.kind)


def text_of(facts: Mapping[str, Any], name: str) -> str | None:
    """Return a fact that is a text, None where there is none or an empty one."""
    value = facts.get(name)
    return value if isinstance(value, str) and value else None


def by_id(alarms: Iterable[Alarm]) -> dict[str, Alarm]:
    """Return alarms by their ids."""
    return {alarm.alarm: alarm for alarm in alarms}
