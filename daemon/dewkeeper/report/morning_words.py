"""What is said of a morning: of an enclosure beside its rank, of all of them together, and why something is not watched."""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.judge.rationale import TYPED
from dewkeeper.judge.words import KINDS
from dewkeeper.report.alarm_words import called, named, shelf_words, state_words, to_do
from dewkeeper.report.glimpse import now_words, thermal
from dewkeeper.report.model import NEVER_READ, NO_PROBE, NOT_BELIEVED, EnclosureMorning, MorningGlance, Standing
from dewkeeper.report.nights import clock_change
from dewkeeper.report.off_times import OFF_SHORT, OFF_STEPS, OFF_WORDS, OffTime
from dewkeeper.report.order import QUIET_STATES, overdue
from dewkeeper.report.wording import Spot, Wording, beyond, first_steps, outside_words, whereabouts

RESTART = "unplug the small computer dewkeeper runs on (the Pi, no heater), wait a minute, plug it in again"
"""What somebody can do who types no commands."""
NOT_IN_SERVICE = "Nothing is watched: no enclosure is in service"
# By label, for the reason of a row is in words already.
_SILENT = frozenset({KINDS["missing"].label, KINDS["crc"].label})
"""Reasons under which a probe gives no reading at all."""
_MOST_GAPS = 2
_SHORT_STEP = 60


def calm_words(glance: MorningGlance, wording: Wording) -> str:
    """Return what may be said where nothing asks for a look: that all is well only where it was watched."""
    if glance.all_well:
        until = "" if glance.night_over else f" until {wording.clock(glance.made_at)}"
        if glance.resting:
            return f"In service: all within their limits{until}."
        return f"All well{until}: every enclosure was watched, and none was beyond its limits."
    if glance.nothing_watched:
        return f"{NOT_IN_SERVICE}. If a snake is in one, put it back in service."
    return "Nothing asks for a look."


def aside_lines(glance: MorningGlance, wording: Wording) -> list[str]:
    """Return what is neither calm nor asks for a look, each under its own word: shelved, out of service, watched in part."""
    lines = []
    if glance.shelved:
        said = ", ".join(
            f"{row.enclosure} ({shelved_words(row, wording, glance.made_at)}; {now_words(row, wording)}"
            f" → {first_steps(row_step(row, glance), _SHORT_STEP).removesuffix(' …')})"
            for row in glance.shelved
        )
        lines.append(f"Shelved: {said}")
    if glance.resting:
        said = ", ".join(f"{row.enclosure}{_air(row, wording)}" for row in glance.resting)
        lines.append(
            f"Out of service, not watched, no alarm comes: {said}; a snake in one: look yourself, put it back in service"
        )
    if glance.unwatched_night:
        lines.append(
            f"Calm now; not watched {glance.night_called}: {', '.join(row.enclosure for row in glance.patchy)}"
        )
    elif glance.patchy:
        said = ", ".join(f"{row.enclosure} {_missed(row, wording)}" for row in glance.patchy)
        lines.append(f"Calm now; unwatched in the night: {said}")
    if changed := clock_words(glance, wording):
        lines.append(changed)
    return lines


def clock_words(glance: MorningGlance, wording: Wording) -> str:
    """Return how the wall clock was changed in the night, "" where it was not."""
    change = clock_change(wording.zone, glance.night_start, min(glance.night_end, glance.made_at))
    if change is None:
        return ""
    first, last = (f"{at:%H:%M}" for at in sorted((change.before, change.after)))
    what = "put back" if change.after < change.before else "put forward"
    how = "came twice" if change.after < change.before else "did not exist, nothing is missing"
    return f"The clock was {what} in this night: {first}–{last} {how}"


def blind_words(glance: MorningGlance, wording: Wording, alive: bool | None) -> str:
    """Return why nothing is watched, as far as the glance shows it, and what to do first."""
    why, step = blind_parts(glance, wording, alive)
    return f"Nothing is watched: {why}. Look at the tubs yourself, then {step}."


def blind_parts(glance: MorningGlance, wording: Wording, alive: bool | None) -> tuple[str, str]:
    """Return why nothing is watched, and what to do about it once the tubs were looked at.

    alive: whether the daemon answers, None where nobody asked.
    """
    rows = [row for row in glance.enclosures if not row.out_of_service]
    if not any(row.judged for row in rows):
        return "no probe is set up yet", f"set up a probe; {TYPED}: `dewkeeper probes scan` finds them"
    known = _one_cause(rows)
    if glance.newest is None:
        never = "no probe has ever given a reading"
        if known is not None:
            return f"{never}: {known[0]}", known[1]
        return never, f"check cables and plugs; {TYPED}: `dewkeeper probes scan` lists the probes that answer"
    blind = [row.unwatched for row in rows]
    at = glance.silent_since
    if all(one.reason in _SILENT for one in blind):
        # Nothing is watched only since the last of them fell silent.
        at = max((one.since for one in blind if one.since is not None), default=at)
    since = "" if at is None else f" {wording.since(at, glance.made_at)}"
    if all(one.reason in _SILENT for one in blind):
        which = "the probe is silent" if len(rows) == 1 else "the probes of all tubs are silent"
        shared = "its cable, plug and adapter" if len(rows) == 1 else "the cable, plug or adapter they share"
        if known is not None:
            return f"{which}{since}: {known[0]}", known[1]
        return f"{which}{since}", f"check {shared}"
    if since and alive:
        return (
            f"dewkeeper runs, but has read nothing{since}",
            f"{RESTART}; still nothing: Probes on the page says which do not read, and why",
        )
    if since:
        stopped = "it does not run" if alive is False else "it had stopped, or stands still"
        return (
            f"dewkeeper has read nothing{since}: {stopped}",
            f"{RESTART}; {TYPED}: `systemctl status dewkeeper` tells why",
        )
    reasons = ", ".join(dict.fromkeys(one.reason for one in blind))
    return f"no probe gives a reliable reading ({reasons})", "see to the probes"


def _one_cause(rows: Sequence[EnclosureMorning]) -> tuple[str, str] | None:
    """Return cause and advice of all silent probes, where the judge knows one for all of them; None where it does not."""
    faults = [[a for a in row.alarms if KINDS[a.kind].label in _SILENT] for row in rows]
    said = {(alarm.cause, alarm.response) for found in faults for alarm in found[:1]}
    (cause, step) = said.pop() if len(said) == 1 and all(faults) else ("", "")
    # What the kind itself says is only that they are silent.
    return (cause, step) if cause and cause not in {KINDS["missing"].cause, KINDS["crc"].cause} else None


_UNWATCHED_STEPS = {
    NO_PROBE: "look at the tub and its heat; then give it a probe; only if it is empty, take it out of service",
    NEVER_READ: "look at the tub and its heat; then check cable and plug",
    NOT_BELIEVED: "look at the tub and its heat; then see to its probe",
}


def unwatched_step(row: EnclosureMorning) -> str:
    """Return what to do about an enclosure that is not watched, or was not, without an alarm that says so; "" for nothing."""
    if row.alarms or row.rank != "unwatched":
        return ""
    if not row.unwatched.now:
        # Of the time it was off one line above all says what to look at.
        return "" if row.unwatched.off else "look at the snake and its heat"
    return _UNWATCHED_STEPS.get(row.unwatched.reason, "look at the tub and its heat")


def off_line(one: OffTime, wording: Wording, now: int) -> str:
    """Return "dewkeeper was off 02:10–05:22, 3 h 12 min: the machine stopped without being told to, most likely a power cut"."""
    span = f"{wording.clock(one.start, now)}–{wording.clock(one.end, now)}"
    return f"dewkeeper was off {span}, {wording.lasting(one.end - one.start)}: {OFF_WORDS[one.why]}"


def off_step(one: OffTime) -> str:
    """Return what to look at after it, "" where there is nothing to see to."""
    return OFF_STEPS.get(one.why, "")


def partly_words(row: EnclosureMorning, wording: Wording) -> str:
    """Return "00:02–03:14, 3 h 12 min of the night, cause unknown": when and how long, and why, or that nobody knows."""
    why = OFF_SHORT.get(row.unwatched.off, "cause unknown")
    when = gap_words([row], wording)
    return f"{f'{when}, ' if when else ''}{wording.lasting(row.unwatched.minutes * 60)} of the night, {why}"


def gap_words(rows: Sequence[EnclosureMorning], wording: Wording) -> str:
    """Return "00:02–03:14" or "00:02–00:40 and 03:10–03:50": when these were not read; "" where it is not known, or not the same of all."""
    told = {tuple(f"{wording.clock(gap.start)}–{wording.clock(gap.end)}" for gap in row.unwatched.gaps) for row in rows}
    spans = told.pop() if len(told) == 1 else ()
    if len(spans) <= _MOST_GAPS:
        return " and ".join(spans)
    # A span is "HH:MM–HH:MM".
    return f"{len(spans)} times between {spans[0][:5]} and {spans[-1][-5:]}"


def _missed(row: EnclosureMorning, wording: Wording) -> str:
    if row.humidity_min is None:
        return "all of it"
    when = gap_words([row], wording)
    return when or f"for {wording.lasting(row.unwatched.minutes * 60) if row.unwatched.minutes >= 1 else 'a time'}"


def shelved_words(row: EnclosureMorning, wording: Wording, now: int) -> str:
    """Return what was put aside of an enclosure, until when, by whom and why."""
    alarm = put_aside(row)
    return f"{beyond(alarm.kind, alarm.band)}, silenced{shelf_words(alarm, wording, now)}; other alarms come"


def put_aside(row: EnclosureMorning) -> Standing:
    """Return the alarm that was put aside, of an enclosure that is shelved."""
    return next(a for a in row.alarms if a.state == "shelved")


def row_step(row: EnclosureMorning, glance: MorningGlance) -> str:
    """Return the whole advice of which a row shows the first steps; "" where it asks for nothing, or one line above all says it.

    What was put aside is still so: whoever comes without knowing of it needs the step as well.
    """
    if row.rank == "shelved":
        return to_do(put_aside(row))
    if row not in glance.needs_look or said_above(row, glance):
        return ""
    return to_do(row.alarms[0]) if row.alarms else ""


def _air(row: EnclosureMorning, wording: Wording) -> str:
    if row.now is None or row.now.stale:
        return ""
    return f" ({wording.humidity(row.now.humidity_percent)}, {wording.temperature(row.now.temperature_c)})"


def where_words(glance: MorningGlance, *, shelf: bool = True) -> dict[str, str]:
    """Return by enclosure where it stands, as `whereabouts` says it. shelf: with it; a row of a small page has no room for it."""
    house = {row.enclosure: Spot(row.rack, row.shelf, row.room) for row in glance.enclosures}
    return whereabouts(house, shelf=shelf)


def said_above(row: EnclosureMorning, glance: MorningGlance) -> bool:
    """Return whether one line above all says why an enclosure is, or was, unwatched, so that its row need not."""
    return row.rank == "unwatched" and (glance.nothing_watched or bool(row.unwatched.off and not row.alarms))


def row_words(row: EnclosureMorning, glance: MorningGlance, wording: Wording) -> str:
    """Return what follows the word of its rank: ": too dry, since 19:10, 17 h", ", not watched", or nothing."""
    now = glance.made_at
    match row.rank:
        case "shelved":
            return f": {shelved_words(row, wording, now)}"
        case "out_of_service":
            return ", not watched"
        case "unwatched" if glance.nothing_watched:
            return ""
    if row.alarms:
        first = alarm_words(row.alarms[0], wording, now, about=True, number=thermal(row))
        return f": {first}{also_words(row, wording)}{in_blue(row)}"
    if row.unwatched.now:
        since = "" if row.unwatched.since is None else f", {wording.since_about(row.unwatched.since, now)}"
        return f": {row.unwatched.reason}{since}"
    if row.rank == "unwatched":
        return f": {partly_words(row, wording)}"
    if row.rank == "calm" and not row.watched:
        return (
            f", not watched {glance.night_called}" if glance.unwatched_night else f", unwatched {_missed(row, wording)}"
        )
    outside = outside_words(row, wording) if row.rank == "outside" else []
    return f": {outside[0]}" if outside else ""


def alarm_words(alarm: Standing, wording: Wording, now: int, *, about: bool = False, number: bool = True) -> str:
    """Return "too dry, since 17:50, 13 h, overdue (seen by Ina 04:20, still going on)".

    about: hours without their minutes. number: as `named` has it; not where the values of now stand beside it.
    """
    state = "" if alarm.state == "unacknowledged" else f" ({state_words(alarm, wording, now)})"
    late = ", overdue" if overdue(alarm, now) else ""
    what = named(alarm, wording) if number else called(alarm)
    return f"{what}, {wording.stood(alarm, now, about=about)}{late}{state}"


def in_blue(row: EnclosureMorning) -> str:
    """Return that a snake before its shed is to be left alone, where something asks for a look at it."""
    return "; in blue: no handling" if row.stage == "opaque" else ""


def beside(row: EnclosureMorning) -> list[Standing]:
    """Return the alarms after the first that are worth a word: beside what kills nothing counts that harms over days."""
    lethal = row.alarms[0].danger
    return [alarm for alarm in row.alarms[1:] if not (lethal and alarm.band == "target")]


def also_words(row: EnclosureMorning, wording: Wording) -> str:
    """Return ", also too dry, probe drifts and 2 more": what else asks for something there."""
    others = [named(alarm, wording) for alarm in beside(row) if alarm.state not in QUIET_STATES]
    more = f" and {len(others) - 2} more" if len(others) > 2 else ""
    return f", also {', '.join(others[:2])}{more}" if others else ""
