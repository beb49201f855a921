"""The words of messages: a first line for a lock screen, then what a person needs to act.

First line: enclosure, what, since when, what to do, at most 60 characters. No emoji, no colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from dewkeeper.judge.rationale import ROOM
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import EXCURSIONS, JOURNAL, LATCHED, UNMEASURED_ENDS
from dewkeeper.notify.phrases import (
    GROUPS,
    OF_OTHERS,
    OF_ROOM,
    OWN,
    OWN_CAUSES,
    Shared,
    Short,
    rationale_of,
    short_of,
    short_step,
    time_to_respond,
)
from dewkeeper.notify.told import Member, Told
from dewkeeper.report.alarm_words import SEEN, SILENT, after_heat, over_steps, steps_of
from dewkeeper.report.order import ROOMS
from dewkeeper.report.wording import Wording, beyond, cause_words, duration, instead_of, limit_words, steps_below

TITLE_LENGTH: Final = 60
MEASURED: Final = EXCURSIONS | {"heat_stuck_on", "heat_lost"} | ROOMS
"""Kinds told with a value: %RH for dry and damp, °C for the others, and the other of the two beside it."""
_HIGH: Final = frozenset({"hot", "heat_stuck_on", "damp"})
"""Kinds of which the highest value is the worst."""
LATE_SECONDS: Final = 600
FRESH_SECONDS: Final = 120
"""A value may be called that of now for so long."""
_TODAY_SECONDS: Final = 20 * 3600
_MOST_MEMBERS = 12
_MOST_JOURNAL = 3


def title(told: Told, wording: Wording, now: int, longest: int = TITLE_LENGTH) -> str:
    """Return the first line, at most so many characters: what to do goes last of all but the full words of a doubt."""
    when, action = _when(told, wording, now), action_of(told)
    # Of several that are urgent the place goes first, since the text names each; what to do and since when stay.
    placeless = told.many if told.members and told.priority == "urgent" else ""
    for subject_length in (40, 24, 16, 10):
        named = told.subject if subject_length == 40 else told.short_subject
        subject = placeless if placeless and subject_length < 40 else _cut(named, subject_length)
        whole = [f"{subject}: {_what(told, doubt)} {when}" for doubt in dict.fromkeys((told.doubt, "in doubt"))]
        # Who is woken must not miss what to do; since when it is so stands in the text too.
        short = told.priority == "urgent" and now - told.since < _TODAY_SECONDS and not told.doubt and not told.over
        short = short and subject_length <= (24 if placeless else 40)
        # Of several that a date would leave no room for, the text says since when each is.
        short = short or (bool(told.members) and subject_length <= 16 and now - told.since >= _TODAY_SECONDS)
        short = short and told.happening not in ("cleared", "annotated") and not told.over
        undated = [f"{subject}: {_what(told, '')} – {action}"] if short else []
        for line in (*(f"{said} – {action}" for said in whole), *undated, whole[-1]):
            if len(line) <= longest and (action in line or subject_length <= 16):
                return line
    return _cut(f"{_cut(told.short_subject, 10)}: {_what(told, '')} {when}", longest)


def action_of(told: Told) -> str:
    """Return what to do in a few words."""
    if _first_still(told):
        return f"still {told.still}"
    if told.happening == "cleared" or told.over:
        if told.kind in LATCHED:
            return "phone the vet" if told.danger else f"look at {_whom(told)}"
        return "nothing to do"
    if told.happening == "annotated" or (told.doubt and told.kind not in LATCHED):
        return "look yourself"  # heat is switched off first, and then looked at
    if told.action and not told.members:
        return told.action  # the judge was told what to do about just this one
    shared = _shared(told)
    if shared is not None:
        return shared.action
    if any(member.do for member in told.members):
        return "see each"
    return short_step(told.kind, told.response)


def advice(head: str, steps: str) -> str:
    """Return "Do: refill the bowl." or, of more than two steps, each below on a line of its own."""
    below = steps_below(steps)
    return f"{head}:{below}" if below else f"{head}: {steps}."


def after_heat_line(*, danger: bool) -> str:
    """Return what follows the first steps against heat. danger: it is known to be hotter than that."""
    return advice("When the heat is off", after_heat(danger=danger))


def _first_still(told: Told) -> bool:
    """Return whether what is still beyond its limit comes before what an end left behind: after heat only more heat does."""
    return bool(told.still) and (told.kind not in LATCHED or told.still == short_of("hot").what)


def _whom(told: Told) -> str:
    return "each snake" if told.members else "the snake"


def _shared(told: Told) -> Shared | None:
    """Return what is said of several at once, where nothing says that each has a cause of its own."""
    if not told.members and len(told.tubs) < 2:
        return None
    return None if told.kind in OWN_CAUSES and told.cause not in ("", ROOM) else GROUPS.get(told.kind)


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
    story, members = _story(told, wording, now), _members(told, wording, now)
    # A lock screen shows the title, which says what and since when, and one line: what was measured.
    measured = any(one.value is not None for one in told.members)
    made = [_number(told, wording, now)] if told.happening != "annotated" else []
    made += [*members, story] if measured else [story, *members]
    if told.happening == "annotated":
        made += [advice("If it is", told.response or rationale_of(told.kind).response), *_after(told)]
    elif told.happening == "cleared" or told.over:
        seen = (
            [advice("Do", f"{over_steps(told.kind, _whom(told), danger=told.danger)}{SEEN}")]
            if told.kind in LATCHED
            else []
        )
        made += _after(told) if _first_still(told) else seen
    else:
        made += _rationale(told, wording, now)
    made = [line for line in made if line]
    if told.detail not in ("", told.cause, *UNMEASURED_ENDS) and told.happening != "annotated":
        made.append(f"Detail: {told.detail}.")
    made += [_journal_line(entry, wording, now) for entry in list(journal)[-_MOST_JOURNAL:]]
    if not told.recorded:
        made.append("Not recorded: the database refuses to store it just now; it will be stored later.")
    if ack_link and told.happening != "cleared":
        made.append(f"I have seen it (works where the page works): {ack_link}")
    if link:
        made.append(page_line(link))
    return tuple(made)


def over_lines(ended: Sequence[Told], wording: Wording, now: int) -> list[str]:
    """Return what was told and is over, in one line; nothing for nothing."""
    said = [f"{told.subject} {_was(told)} {_when(told, wording, now)}" for told in ended[-_MOST_MEMBERS:]]
    more = len(ended) - len(said)
    return [f"Over by now: {'; '.join(said)}{f'; and {more} more' if more else ''}."] if said else []


def in_short(told: Told, wording: Wording, now: int) -> str:
    """Return what was told in few words: "snake room, room too dry since 08:00"."""
    return f"{told.subject}, {_short(told)} {_when(told, wording, now)}"


def late_line(planned: int, now: int, wording: Wording) -> str:
    """Return what a message sent late says of itself. planned: when it should have gone out."""
    return f"Sent late: this was to go out at {wording.clock(planned, now)}, {duration(now - planned)} ago."


def _short(told: Told) -> str:
    """Return what it is in two or three words."""
    if told.kind == "system" and told.what:
        known = _system(told)
        return f"trouble with {told.topic}" if known is None else known[0]
    if told.band == "target" and told.kind in ("dry", "damp"):
        return beyond("dry" if told.kind == "dry" else "damp", "target")
    still_beyond = told.now_value is None or told.limit is None or told.now_value >= told.limit
    if told.kind == "hot" and told.danger and (still_beyond or told.over or told.happening == "cleared"):
        return "dangerously hot"
    return _many(_phrases(told).what, told)


def _phrases(told: Told) -> Short:
    return OF_ROOM.get(told.cause) or short_of(told.kind)


def _was(told: Told) -> str:
    if told.kind == "system" and told.what:
        known = _system(told)
        return f"{told.topic} was in trouble" if known is None else known[1]
    said, short = _short(told), _phrases(told)
    return _many(short.was, told) if said == _many(short.what, told) else f"was {said}"


def _system(told: Told) -> tuple[str, str] | None:
    return (OF_OTHERS if told.site else OWN).get(told.topic)


def _many(said: str, told: Told) -> str:
    """Return what is said of a probe, of several where a whole branch is meant."""
    if len(told.tubs) < 2 or not said.startswith("probe "):
        return said
    return "probes " + said.removeprefix("probe ").replace("was ", "were ", 1)


def _still(told: Told) -> str:
    said = _short(told)
    if told.what in OWN:
        return said
    if told.site and told.topic in OF_OTHERS:
        return f"still {said}" if said == OF_OTHERS["silence"][0] else said
    short = _phrases(told)
    return _many(short.still, told) if short.still and said == _many(short.what, told) else f"still {said}"


def _what(told: Told, said: str) -> str:
    """Return what it is, and in which words it is doubted."""
    doubt = f" ({said}{'' if said == 'in doubt' else '?'})" if told.doubt and said else ""
    if told.over or told.happening == "cleared":
        return _was(told)
    match told.happening:
        case "escalated":
            return f"now {_short(told)}{doubt}"
        case "reminded":
            return _still(told) + doubt
        case "unanswered":
            return f"{_short(told)}{doubt}, unseen"
        case "handed_over":
            return f"yours, {_short(told)}{doubt}"
        case "annotated":
            return f"maybe {_short(told)}"
        case _:
            return _short(told) + doubt


def _when(told: Told, wording: Wording, now: int) -> str:
    if told.until is not None:
        # A clock without seconds mostly shows the same at both ends.
        if told.until - told.since < 60:
            return wording.clock(told.since, now)
        return f"{wording.clock(told.since, now)}–{wording.clock(told.until, max(now, told.until))}"
    return f"{'from' if told.over else 'since'} {wording.clock(told.since, now)}"


def _story(told: Told, wording: Wording, now: int) -> str:
    label, subject = _short(told), told.subject
    if told.where and not told.members and not told.either:
        subject += f" ({told.where})"
    since = wording.clock(told.since, now)
    standing = f"since {since} ({duration(now - told.since)})"
    reached = "" if told.highest is None else f", up to {wording.temperature(told.highest)}"
    if told.happening == "cleared":
        until = now if told.until is None else told.until
        end = f"this is over, but it is still {told.still}" if told.still else "it is over"
        if told.detail in UNMEASURED_ENDS:
            end = f"{told.detail}, and nobody measured that it is over"
        return f"{subject}: {label} from {since} to {wording.clock(until, now)} ({duration(until - told.since)}){reached}; {end}."
    if told.over:
        return f"{subject}: {label} from {since} on{reached}; {f'it is over by now, but still {told.still}' if told.still else 'it is over by now'}."
    match told.happening:
        case "annotated":
            return (
                f"{subject}: told as {label} since {since}, but its probe is in doubt ({told.detail or 'faulty'}). "
                "Only a look can say whether it still is; the alarm stands until then."
            )
        case "escalated":
            return f"{subject} got worse: {label} {standing}."
        case "reminded":
            return f"{subject}: {_still(told)} {standing}."
        case "handed_over":
            return f"You are told first from now on. {subject}: {label} {standing}."
        case "unanswered":
            return f"Nobody has seen it yet: {subject} {label} {standing}."
        case _:
            return f"{subject}: {label} {standing}."


def _members(told: Told, wording: Wording, now: int) -> list[str]:
    if told.tubs:
        more = len(told.tubs) - _MOST_MEMBERS
        what = "Unwatched" if told.kind in SILENT else "Enclosures"
        return [f"{what}: {', '.join(told.tubs[:_MOST_MEMBERS])}{f' and {more} more' if more > 0 else ''}."]
    made = []
    worst = -1 if told.kind in _HIGH else 1
    ordered = sorted(  # who stands first, and of them the worst
        told.members, key=lambda one: (one.over or one.until is not None, one.value is None, worst * (one.value or 0))
    )
    # The last of a name wins in a dict: turned round, the one that stands first.
    first = {member.name: member for member in reversed(ordered)}
    once = [member for member in ordered if first[member.name] is member]
    for member in once[:_MOST_MEMBERS]:
        since = wording.clock(member.since, now)
        if member.until is not None:
            made.append(f"{member.name} from {since} to {wording.clock(member.until, now)}")
        else:
            do = f": {member.do}" if member.do else ""
            stands = f"{member.name} since {since}{_reads(member, told, wording)}{do}"
            made.append(f"{member.name} from {since}, over by now" if member.over else stands)
    more = len(once) - _MOST_MEMBERS
    if more > 0:
        made.append(f"and {more} more")
    # One limit for all of them is said once, after their values; beyond target only it stands beside each.
    limits = {member.limit for member in told.members if member.value is not None and member.limit is not None}
    if len(limits) == 1 and told.band != "target" and told.kind not in ROOMS:
        made.append(limit_words(told.kind, told.band, limits.pop(), wording, danger=told.danger))
    return ["; ".join(made) + "."] if made else []


def _reads(member: Member, told: Told, wording: Wording) -> str:
    """Return " (52 %)" of one of several, beyond target only " (58 % instead of 60 %)"; "" where nothing is known."""
    if member.value is None:
        return ""
    if told.band == "target" and member.limit is not None:
        return instead_of("dry" if told.kind == "dry" else "damp", member.value, member.limit, wording)
    show = wording.humidity if told.kind in ("dry", "damp") else wording.temperature
    return f" ({show(member.value)})"


def _rationale(told: Told, wording: Wording, now: int) -> list[str]:
    # What one alarm tells of several tubs, a branch or a bus, has a cause of its own: only members are told as one.
    row, shared = rationale_of(told.kind), _shared(told) if told.members else None
    steps = (
        shared.response
        if shared
        else steps_of(told.kind, told.response or row.response, tub=told.enclosure is not None)
    )
    alike = told.members and shared is None and not any(member.do for member in told.members)
    in_each = " in each" if alike else ""  # words made for one tub
    return [
        *(
            ["In doubt: see for yourself before you change anything."]
            if told.doubt and told.kind not in LATCHED
            else []
        ),
        *(_each(told) or [advice(f"Do{in_each}", steps)]),
        _due(told, wording, now),
        *_after(told),
        f"Cause: {shared.cause if shared else cause_words(told.kind, told.cause or row.cause)}.",
        f"If nothing is done: {(told.consequence or row.consequence).removeprefix('unwatched: ')}.",
    ]


def _each(told: Told) -> list[str]:
    """Return what to do at which of several that ask for different steps; nothing where it is the same for all."""
    steps: dict[str, list[str]] = {}
    for member in told.members:
        if member.response and not member.over and member.until is None:
            steps.setdefault(member.response, []).append(member.name)
    return [advice(f"Do at {', '.join(dict.fromkeys(names))}", response) for response, names in steps.items()]


def _after(told: Told) -> list[str]:
    """Return what follows the first steps against heat."""
    return [after_heat_line(danger=told.danger)] if told.kind in LATCHED else []


def _due(told: Told, wording: Wording, now: int) -> str:
    """Return until when to act: in the words of the page, and by the same deadline."""
    by = told.respond_by
    if by is None:  # planned by an older version
        by = told.since + time_to_respond(told)
    if by > now and told.priority == "urgent":
        return f"Act now, by {wording.clock(by, now)} at the latest."
    if by > now:
        first = "Look now; mend it" if told.kind in SILENT else "Act"
        return f"{first} by {wording.clock(by, now)}, in {duration(by - now)}."
    return f"Act now: overdue since {wording.clock(by, now)}."


def _number(told: Told, wording: Wording, now: int) -> str:
    """Return the value of now, or the newest there is with its time."""
    if told.kind not in MEASURED:
        return ""
    humid = told.kind in ("dry", "damp")
    show, beside = (wording.humidity, wording.temperature) if humid else (wording.temperature, wording.humidity)
    limit = ""
    if told.limit is not None and told.kind not in ROOMS:
        limit = f", {limit_words(told.kind, told.band, told.limit, wording, danger=told.danger)}"
    if told.now_value is not None:
        with_it = "" if told.now_beside is None else f"{';' if limit else ','} {beside(told.now_beside)}"
        return f"Now: {show(told.now_value)}{limit}{with_it}."
    if told.value is None or told.over or told.happening == "cleared":
        return ""
    if told.happening not in ("raised", "escalated"):
        return f"When raised: {show(told.value)}{limit}."
    if told.at is None or now - told.at <= FRESH_SECONDS:
        return f"Now: {show(told.value)}{limit}."
    return f"At {wording.clock(told.at, now)}: {show(told.value)}{limit}; nothing newer is believed."


def _journal_line(entry: JournalEntry, wording: Wording, now: int) -> str:
    word = JOURNAL.get(entry.what)
    label = entry.what if word is None else word.label
    detail = f", {entry.detail}" if entry.detail else ""
    return f"Journal {wording.clock(entry.time, now)}: {label}{detail}"


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"
