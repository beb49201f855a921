"""The words of messages: a first line for a lock screen, then what a person needs to act.

First line: enclosure, what, since when, what to do, at most 60 characters. No emoji, no colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import EXCURSIONS, JOURNAL, KINDS, LATCHED
from dewkeeper.notify.phrases import GROUPS, SHORT
from dewkeeper.notify.told import Told
from dewkeeper.report.wording import Wording, duration

TITLE_LENGTH: Final = 60
LATE_SECONDS: Final = 600
_MOST_MEMBERS = 12
_MOST_JOURNAL = 3


def title(told: Told, wording: Wording, now: int) -> str:
    """Return the first line, at most 60 characters."""
    what, when, action = _what(told), _when(told, wording, now), action_of(told)
    for subject_length in (40, 24, 16, 10):
        subject = _cut(told.subject, subject_length)
        for line in (f"{subject}: {what} {when} – {action}", f"{subject}: {what} {when}"):
            if len(line) <= TITLE_LENGTH and (action in line or subject_length <= 16):
                return line
    return _cut(f"{_cut(told.subject, 10)}: {what} {when}", TITLE_LENGTH)


def action_of(told: Told) -> str:
    """Return what to do in a few words."""
    if told.happening == "cleared":
        return "look at the snake" if told.kind in LATCHED else "nothing to do"
    if told.happening == "annotated":
        return "look yourself"
    if told.action and not told.members:
        return told.action  # the judge was told what to do about just this one
    shared = GROUPS.get(told.kind) if told.members else None
    return SHORT[told.kind].action if shared is None else shared.action


def page_line(link: str) -> str:
    """Return the line with the link to the page and where that link works."""
    return f"Page (works in the rack's own network; elsewhere only if you made it so): {link}"


def lines(
    told: Told,
    wording: Wording,
    now: int,
    journal: Sequence[JournalEntry] = (),
    link: str | None = None,
    ack_link: str | None = None,
) -> tuple[str, ...]:
    """Return the rest: numbers, cause, consequence, response, time to respond, journal, links and where they work."""
    made = [_story(told, wording, now), *_members(told, wording, now)]
    if told.happening not in ("cleared", "annotated"):
        # A reminder knows the value the alarm was raised with, not the one of this minute.
        when = "When told" if told.happening in ("reminded", "unanswered") else "Now"
        made += [f"{when}: {number}." for number in [_number(told, wording)] if number]
        made += _rationale(told, wording, now)
    elif told.happening == "annotated":
        made.append(f"If it is: {told.response or KINDS[told.kind].response}.")
    elif told.kind in LATCHED:
        made.append("Look at the animal all the same: a short heat also harms.")
    if told.detail and told.happening != "annotated":
        made.append(f"Detail: {told.detail}.")
    made += [_journal_line(entry, wording, now) for entry in list(journal)[-_MOST_JOURNAL:]]
    if not told.recorded:
        made.append("Not recorded: the database refuses to store it just now; it will be stored later.")
    if ack_link and told.happening != "cleared":
        made.append(f"I have seen it (works where the page works): {ack_link}")
    if link:
        made.append(page_line(link))
    return tuple(made)


def late_line(planned: int, now: int, wording: Wording) -> str:
    """Return what a message sent late says of itself. planned: when it should have gone out."""
    return f"Sent late: this was to go out at {wording.clock(planned, now)}, {duration(now - planned)} ago."


def _short(told: Told) -> str:
    """Return what it is in two or three words."""
    if told.kind == "system" and told.what:
        return f"trouble with {told.what}"
    if told.band == "target" and told.kind in ("dry", "damp"):
        return "drier than target" if told.kind == "dry" else "damper than target"
    return SHORT[told.kind].what


def _what(told: Told) -> str:
    said = _short(told)
    match told.happening:
        case "raised":
            return said
        case "escalated":
            return f"now {said}"
        case "reminded":
            return SHORT[told.kind].still or f"still {said}"
        case "unanswered":
            return f"unseen, {said}"
        case "annotated":
            return f"maybe {said}"
        case "cleared":
            if told.kind == "system" and told.what:
                return f"{told.what} was in trouble"
            return f"was {said}" if told.band == "target" else SHORT[told.kind].was


def _when(told: Told, wording: Wording, now: int) -> str:
    if told.until is not None:
        if told.until - told.since < 60:
            return wording.clock(told.since, now)
        return f"{wording.clock(told.since, now)}–{wording.clock(told.until, max(now, told.until))}"
    return f"since {wording.clock(told.since, now)}"


def _story(told: Told, wording: Wording, now: int) -> str:
    label = _short(told)
    since = wording.clock(told.since, now)
    subject = told.subject
    match told.happening:
        case "cleared":
            until = now if told.until is None else told.until
            return f"{subject}: {label} from {since} to {wording.clock(until, now)} ({duration(until - told.since)}); it is over."
        case "annotated":
            return (
                f"{subject}: told as {label} since {since}, but its probe is in doubt ({told.detail or 'faulty'}). "
                "Only a look can say whether it still is; the alarm stands until then."
            )
        case "escalated":
            return f"{subject} got worse: {label} since {since} ({duration(now - told.since)})."
        case "reminded":
            return f"{subject}: {SHORT[told.kind].still or f'still {label}'} since {since} ({duration(now - told.since)})."
        case "unanswered":
            return f"Nobody has acknowledged it: {subject} {label} since {since} ({duration(now - told.since)})."
        case "raised":
            return f"{subject}: {label} since {since} ({duration(now - told.since)})."


def _members(told: Told, wording: Wording, now: int) -> list[str]:
    made = []
    for member in told.members[:_MOST_MEMBERS]:
        until = "" if member.until is None else f" to {wording.clock(member.until, now)}"
        made.append(f"{member.name} {'from' if until else 'since'} {wording.clock(member.since, now)}{until}")
    more = len(told.members) - _MOST_MEMBERS
    if more > 0:
        made.append(f"and {more} more")
    return ["; ".join(made) + "."] if made else []


def _rationale(told: Told, wording: Wording, now: int) -> list[str]:
    row, shared = KINDS[told.kind], GROUPS.get(told.kind) if told.members else None
    within = told.within_seconds or row.within_for(told.band)
    by = told.since + within
    when = f"by {wording.clock(by, now)}" if by > now else f"now; it was due by {wording.clock(by, now)}"
    return [
        f"Cause: {shared.cause if shared else told.cause or row.cause}.",
        f"If nothing is done: {told.consequence or row.consequence}.",
        f"Do: {shared.response if shared else told.response or row.response}.",
        f"Time to respond: {when} ({duration(within)}).",
    ]


def _number(told: Told, wording: Wording) -> str:
    if told.value is None or told.kind not in EXCURSIONS:
        return ""
    show = wording.humidity if told.kind in ("dry", "damp") else wording.temperature
    said = show(told.value)
    return said if told.limit is None else f"{said}, limit {show(told.limit)}"


def _journal_line(entry: JournalEntry, wording: Wording, now: int) -> str:
    word = JOURNAL.get(entry.what)
    label = entry.what if word is None else word.label
    detail = f", {entry.detail}" if entry.detail else ""
    return f"Journal {wording.clock(entry.time, now)}: {label}{detail}"


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"
