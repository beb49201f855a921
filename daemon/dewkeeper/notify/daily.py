"""The day's own messages: the morning glance, which is also the "all well", and the reminder to test the ways.

Pure: what is due follows from what was done last and from now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL, LATCHED
from dewkeeper.notify.message_words import TITLE_LENGTH, after_heat_line, page_line
from dewkeeper.notify.people import Draft
from dewkeeper.report.alarm_words import called, headline, named, to_do, why_now
from dewkeeper.report.glimpse import lowest_words, now_words, referred_words, thermal
from dewkeeper.report.model import EnclosureMorning, MorningGlance, Standing
from dewkeeper.report.morning_words import (
    NOT_IN_SERVICE,
    alarm_words,
    aside_lines,
    beside,
    blind_words,
    calm_words,
    gap_words,
    in_blue,
    off_line,
    off_step,
    partly_words,
    put_aside,
    unwatched_step,
    where_words,
)
from dewkeeper.report.off_times import OffTime
from dewkeeper.report.wording import Wording, first_steps, outside_words, rank_word, steps_below
from dewkeeper.slots import Daily
from dewkeeper_config.models import Config, Person

MORNING_GRACE_SECONDS: Final = 6 * 3600
"""A morning message that could not be made in the morning is left for the next day."""
_DAY: Final = 86400
_MOST_NAMED: Final = 12


def morning_due(config: Config, done: Mapping[str, str], now: int, zone: ZoneInfo) -> str | None:
    """Return the local date whose morning message is due now, or None. done: the date last done under `morning`."""
    return date_due(config.notify.morning_at, MORNING_GRACE_SECONDS, done.get("morning"), now, zone)


def date_due(at: time | None, grace_seconds: int, last: str | None, now: int, zone: ZoneInfo) -> str | None:
    """Return the local date whose daily message is due at `now` (UTC seconds), or None.

    at: its local time of day, None: never. grace_seconds: how late it may still be made. last: the date last done.
    """
    if at is None:
        return None
    slot = Daily(at, zone).latest_slot(now)
    day = datetime.fromtimestamp(slot, zone).date()
    # After midnight yesterday's is left: its hour was an evening's, and it must not wake anybody.
    if now - slot >= grace_seconds or day != datetime.fromtimestamp(now, zone).date() or last == day.isoformat():
        return None
    return day.isoformat()


def morning_words(
    glance: MorningGlance, wording: Wording, journal: Sequence[JournalEntry] = ()
) -> tuple[str, tuple[str, ...]]:
    """Return first line and text of the morning message: "All well" said outright, or what is not, worst first.

    journal: the entries since the last one; a day of cleaning is summed up in a line, and has no message of its own.
    """
    rows, now = glance.needs_look, glance.made_at
    told = [row for row in rows if row.unwatched.off and not row.alarms]  # what is said of dewkeeper is said of them
    listed = [row for row in rows if not (glance.nothing_watched and row.rank == "unwatched") and row not in told]
    blind: list[str] = []
    if glance.nothing_watched and len(glance.resting) < len(glance.enclosures):
        blind += [blind_words(glance, wording, alive=True), *_alike(rows, wording, now)]  # who sends this runs
    blind += [_off(one, wording, now) for one in glance.off]
    if told:
        blind.append(_missed(glance, told))
    # In the order of the page: what burns comes first.
    urgent = [row for row in listed if row.rank == "urgent"]
    lines = [_general(alarm, wording, now) for alarm in glance.general if alarm.priority == "urgent"]
    lines += _rows(urgent[:_MOST_NAMED], glance, wording)
    if any(row.alarms[0].kind in LATCHED for row in urgent):
        lines.append(after_heat_line(danger=all(row.alarms[0].danger_limit for row in urgent)))
    lines += blind
    lines += [_general(alarm, wording, now) for alarm in glance.general if alarm.priority != "urgent"]
    lines += _rows(listed[len(urgent) : _MOST_NAMED], glance, wording)
    if len(listed) > _MOST_NAMED:
        lines.append(f"and {len(listed) - _MOST_NAMED} more on the page")
    if glance.all_well:
        lines.append(calm_words(glance, wording))
    lines += aside_lines(glance, wording)
    if glance.calm and rows:
        names = [row.enclosure for row in glance.calm]
        lines.append(f"Calm: {', '.join(names) if len(names) <= _MOST_NAMED else f'{len(names)} enclosures'}")
    lines += cleaned_lines(glance, wording, journal)
    until = f"–{wording.clock(glance.night_end if glance.night_over else now)}"
    title = _title(glance, f"night {wording.clock(glance.night_start)}{until}", wording)
    return (title if len(title) <= TITLE_LENGTH else title[: TITLE_LENGTH - 1] + "…"), tuple(lines)


def cleaned_lines(glance: MorningGlance, wording: Wording, journal: Sequence[JournalEntry]) -> list[str]:
    """Return in one line what was cleaned out, and which of it is not calm since; nothing for nothing."""
    cleaned = [
        e for e in journal if e.enclosure is not None and e.what in JOURNAL and JOURNAL[e.what].lever == "cleaning"
    ]
    names = list(dict.fromkeys(e.enclosure for e in cleaned if e.enclosure is not None))
    if not names:
        return []
    uneasy = [row.enclosure for row in glance.enclosures if row.enclosure in names and row in glance.needs_look]
    first, last = (wording.clock(choose(e.time for e in cleaned)) for choose in (min, max))
    what = _named(names) if len(names) <= 3 else f"{len(names)} enclosures"
    when = first if first == last else f"{first}–{last}"
    after = (
        f"not calm since: {', '.join(uneasy[:_MOST_NAMED])}"
        if uneasy
        else "calm again"
        if len(names) == 1
        else "all calm again"
    )
    return [f"Cleaned out: {what}, {when}; {after}."]


def _title(glance: MorningGlance, night: str, wording: Wording) -> str:
    """Return the first line: what is urgent, else what is not watched, else what asks for a look; "All well" only if so."""
    rows, served = glance.needs_look, len(glance.enclosures) - len(glance.resting)
    if glance.all_well:
        return (
            f"{served} calm; {len(glance.resting)} out of service, not watched; {night}"
            if glance.resting
            else f"All well: {served} enclosures, {night}"
        )
    if glance.nothing_watched and not (rows and rows[0].rank == "urgent"):
        return "Nothing is watched – look at the tubs yourself" if served else NOT_IN_SERVICE
    if rows:
        return _asking(glance, wording)
    if glance.general:
        return (
            f"{_day(glance, wording)}: {_named([headline(a, wording) for a in glance.general])}; no tub asks for a look"
        )
    if glance.unwatched_night:
        return f"{_day(glance, wording)}: calm now, not watched {glance.night_called}: {_named([row.enclosure for row in glance.patchy])}"
    if glance.patchy:
        return f"{_day(glance, wording)}: calm, not always watched: {_named([row.enclosure for row in glance.patchy])}"
    first = glance.shelved[0]
    more = f" +{len(glance.shelved) - 1}" if len(glance.shelved) > 1 else ""
    until = put_aside(first).shelved_until
    quiet = "silenced" if until is None else f"silenced until {wording.clock(until, glance.made_at)}"
    return f"{_day(glance, wording)}: {first.enclosure} {quiet}, {now_words(first, wording).partition(';')[0]}{more}"


def _asking(glance: MorningGlance, wording: Wording) -> str:
    """Return the first line of a morning on which something asks for a look: what is over asks for nothing to be done."""
    rows = glance.needs_look
    over = [row for row in rows if row.rank == "outside"]
    part = [row for row in rows if row.rank == "unwatched" and not row.unwatched.now]
    urgent = [row for row in rows if row.rank == "urgent"]
    others = [
        row for row in rows
        if row not in (*urgent, *over, *part) and not (glance.nothing_watched and row.rank == "unwatched")
    ]  # fmt: skip
    power = any(one.why == "power" for one in glance.off) and bool(glance.missed)
    lost = wording.lasting(max((row.unwatched.minutes for row in glance.missed), default=0.0) * 60)
    worst = _heat(urgent[0], wording, glance.made_at) if urgent else ""
    said = [
        *([f"act now on {_named([row.enclosure for row in urgent])}{worst}"] if urgent else []),
        *([f"look at the heat (power cut{'' if others or urgent else f', {lost}'})"] if power else []),
        *([_first_of(others, wording)] if others else []),
    ]
    if glance.nothing_watched:
        said.append("nothing is watched")
    more = []
    if part and not power:
        when = gap_words(glance.missed, wording) or f"for {lost}"
        more.append(f"{_named([row.enclosure for row in glance.missed])} not watched {when}")
    if over:
        was = _was(over, wording)
        more.append(f"{_named([row.enclosure for row in over])} {was}")
    if glance.calm:
        more.append(f"{len(glance.calm)} calm")
    # Nothing is to be done any more: then what was is the first that is said.
    if not said:
        said, more = more[:1], more[1:]
    line = f"{_day(glance, wording)}: {', then '.join(said)}"
    if len(line) > TITLE_LENGTH and others:
        said[-1] = f"see to {_named([row.enclosure for row in others])}"
        line = f"{_day(glance, wording)}: {', then '.join(said)}"
    # The most pressing comes first, so it is the last to go.
    while len(said) > 1 and len(line) > TITLE_LENGTH:
        said.pop()
        line = f"{_day(glance, wording)}: {', then '.join(said)}"
    while more and len(f"{line}; {'; '.join(more)}") > TITLE_LENGTH:
        more.pop()
    return "; ".join([line, *more])


def _was(rows: Sequence[EnclosureMorning], wording: Wording) -> str:
    """Return how a night went that is over: of one enclosure in its own words, of several in what they have in common."""
    if len(rows) == 1:
        said = outside_words(rows[0], wording)[0].partition(" (")[0]
        return said if said.startswith("would") else f"was {said}"
    words = {rank_word(row) for row in rows}
    if words == {"dry for its warmth"}:
        return "would be too dry by day"
    return (
        "were beyond target"
        if "was beyond limits" not in words
        else "were beyond limits or target"
        if len(words) > 1
        else "were beyond limits"
    )


def _first_of(rows: Sequence[EnclosureMorning], wording: Wording) -> str:
    """Return what to see to, with the trouble of the first: "T2 (too cold), T1", of a heat that is over how hot it was."""
    first, rest = rows[0], [row.enclosure for row in rows[1:]]
    top = first.temperature_max
    after = f"; see to {_named(rest)}" if rest else ""
    if first.alarms and first.alarms[0].kind in LATCHED and first.alarms[0].state == "returned_unacknowledged" and top:
        do = "phone the vet" if first.alarms[0].danger_limit else "look at the snake"
        return f"{first.enclosure} was up to {wording.temperature(top.value)}: {do}{after}"
    what = named(first.alarms[0], wording) if first.alarms else first.unwatched.reason
    what = what.replace(" (", ", ").removesuffix(")")
    short = called(first.alarms[0]) if first.alarms else what
    what = what if len(f"Morning: see to {first.enclosure} ({what})") <= TITLE_LENGTH else short
    return f"see to {_named([f'{first.enclosure} ({what})', *rest])}"


def _day(glance: MorningGlance, wording: Wording) -> str:
    """Return what this message is called: nothing said in the afternoon is a morning's."""
    return "Morning" if wording.local(glance.made_at).hour < 12 else "Today"


def morning_draft(day: str, said: tuple[str, Sequence[str]], link: str | None, ended: Sequence[str]) -> Draft:
    """Return the morning message of a day. ended: lines about what was told by itself and is over."""
    title, lines = said
    more = [*ended, *([page_line(link)] if link else [])]
    return Draft(
        event=f"morning/{day}",
        title=title,
        lines=(*lines, *more),
        priority="low",
        kind="morning",
        facts={"link": link} if link else {},
        bypass_quiet=True,  # the person named the hour
    )


def overdue_paths(config: Config, confirmed: Mapping[str, int], since: int, now: int) -> dict[str, list[str]]:
    """Return person -> channels over which no test was confirmed for too long. since: when this began to count."""
    limit = config.notify.path_test_days * _DAY
    late: dict[str, list[str]] = {}
    for person in config.person:
        for channel in person.channels:
            if now - max(since, confirmed.get(path_name(person.name, channel), 0)) >= limit:
                late.setdefault(person.name, []).append(channel)
    return late


def path_name(person: str, channel: str) -> str:
    """Return how a way to a person is named in links and in memory."""
    return f"path/{person}/{channel}"


def nag_draft(person: Person, channels: Sequence[str], days: int, now: int) -> Draft:
    """Return the reminder that ways were not tested."""
    return Draft(
        # The message's id follows from this: one a day, whatever is planned twice.
        event=f"nag/{person.name}/{now // _DAY}",
        title="Test the alarm path: page, Health, then tap what comes"[:TITLE_LENGTH],
        lines=(
            f"For {days} days nobody has confirmed that messages reach {person.name} over {', '.join(channels)}.",
            "A way that broke silently shows only when it is needed. On the page, under Health, press “Send everybody a test "
            f"message” ({TYPED}: `dewkeeper notify test`), and tap what comes.",
        ),
        priority="low",
        kind="path_test_due",
    )


def test_draft(person: str, channel: str, identity: str, ack_link: str | None) -> Draft:
    """Return the one real message of a path test, with what to tap."""
    way = (
        f"Tap to confirm: {ack_link}"
        if ack_link
        else f"Confirm {TYPED}: `dewkeeper notify confirm {person} {channel}`."
    )
    return Draft(
        event=f"test/{identity}/{person}/{channel}",
        title=f"Test for {person} over {channel} – please confirm"[:TITLE_LENGTH],
        lines=("This is a test: nothing is wrong.", way, "Alarms will come the same way."),
        priority="low",
        kind="path_test",
        facts={"ack_link": ack_link} if ack_link else {},
        bypass_quiet=True,
    )


def _rows(rows: Sequence[EnclosureMorning], glance: MorningGlance, wording: Wording) -> list[str]:
    """Return a line for each: of heat and cold all steps, at the first that asks for them, for here nothing more can be tapped."""
    said: set[str] = set()
    lines, where = [], where_words(glance)
    for row in rows:
        response = row.alarms[0].response if thermal(row) else ""
        lines.append(
            _row(row, where.get(row.enclosure, ""), glance, wording, whole=bool(response) and response not in said)
        )
        said.add(response)
    return lines


def _row(row: EnclosureMorning, where: str, glance: MorningGlance, wording: Wording, *, whole: bool) -> str:
    """Return a line about a tub in the words of the page: what stands and what to do, its night, its value of now."""
    now, below = glance.made_at, ""
    name = f"{row.enclosure} ({where})" if where else row.enclosure
    said = [
        f"{'also' if place else f'{name}:'} {alarm_words(alarm, wording, now, number=place > 0)}"
        for place, alarm in enumerate([*row.alarms[:1], *(beside(row) if row.alarms else ())])
    ]
    if row.alarms and row.alarms[0].response:
        over = row.alarms[0].state == "returned_unacknowledged"
        step = to_do(row.alarms[0], whole=False)
        step = step if over or whole else first_steps(step).removesuffix(" …")
        below = steps_below(step)
        said[0] += in_blue(row) + ("" if below else f" → {step}")
    elif not row.alarms and row.rank == "unwatched" and row.unwatched.now:
        since = f", {wording.since(row.unwatched.since, now)}" if row.unwatched.since is not None else ""
        step = unwatched_step(row)
        said = [f"{name}: unwatched: {row.unwatched.reason}{since}{f' → {step}' if step else ''}"]
    elif not row.alarms and row.rank == "unwatched":
        step = unwatched_step(row)
        said = [f"{name}: was unwatched: {partly_words(row, wording)}{f' → {step}' if step else ''}"]
    elif not row.alarms:
        said = [": ".join([f"{name}: {rank_word(row)}", *outside_words(row, wording)[:1]])]
    night = lowest_words(row, wording) + referred_words(row, wording)
    return "; ".join([*said, night, now_words(row, wording)]) + below


def _general(alarm: Standing, wording: Wording, now: int) -> str:
    why = f": {why_now(alarm, wording)}" if alarm.cause else ""
    said = f"{f'{alarm.subject}: ' if alarm.subject else ''}{alarm_words(alarm, wording, now)}"
    step = to_do(alarm)
    return said + why + (steps_below(step) or f" → {step}")


def _missed(glance: MorningGlance, calm: Sequence[EnclosureMorning]) -> str:
    """Return which were not watched while dewkeeper was off, and which of them are calm now: both lists whole, so that they add up."""
    missed, well = ([row.enclosure for row in rows] for rows in (glance.missed, calm))
    which = "" if len(well) == len(missed) else f": {_named(missed, _MOST_NAMED)}; of them"
    return f"Not watched in that time{which or ','} calm now: {_named(well, _MOST_NAMED)}"


def _off(one: OffTime, wording: Wording, now: int) -> str:
    step = off_step(one)
    return off_line(one, wording, now) + (f" → {step}" if step else "")


def _heat(row: EnclosureMorning, wording: Wording, now: int) -> str:
    """Return ": 41.0 °C" of what is to be acted on for its temperature, or the highest that was measured; else nothing."""
    if not thermal(row):
        return ""
    alarm = row.alarms[0]
    unread = "" if alarm.known_until is None else f", not read since {wording.clock(alarm.known_until, now)}"
    if row.now is not None and not row.now.stale:
        still = "still " if alarm.state == "acknowledged" else ""
        return f": {still}{wording.temperature(row.now.temperature_c)}"
    return "" if row.temperature_max is None else f": up to {wording.temperature(row.temperature_max.value)}{unread}"


def _alike(rows: Sequence[EnclosureMorning], wording: Wording, now: int) -> list[str]:
    """Return a line for those that are unwatched alike: "T1, T2: unwatched, no reading since 01:50, 5 h"."""
    alike: dict[str, list[str]] = {}
    for row in rows:
        if row.rank == "unwatched":
            since = f", {wording.since(row.unwatched.since, now)}" if row.unwatched.since is not None else ""
            alike.setdefault(f"unwatched: {row.unwatched.reason}{since}", []).append(row.enclosure)
    made = [f"{_named(names, _MOST_NAMED)}: {said}" for said, names in alike.items()]
    return made[:_MOST_NAMED] + (["and more on the page"] if len(made) > _MOST_NAMED else [])


def _named(names: Sequence[str], most: int = 3) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} +{len(names) - most}"
