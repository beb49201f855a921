"""The morning glance and alarms as lines for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper.cli.output import aligned
from dewkeeper.report.alarm_words import headline, now_against, shelf_words, state_words, to_do, why_now
from dewkeeper.report.earlier import EarlierNight, EnclosureNight
from dewkeeper.report.first_line import age_words, first_line
from dewkeeper.report.model import EnclosureMorning, Mark, MorningGlance, NightRow, Standing
from dewkeeper.report.morning_words import (
    aside_lines,
    blind_words,
    calm_words,
    off_line,
    off_step,
    partly_words,
    unwatched_step,
)
from dewkeeper.report.why import why_words
from dewkeeper.report.wording import Wording, measured_by, outside_words, rank_word, steps_below

_COLUMNS = (
    "",
    "",
    "lowest",
    "by day",
    "highest",
    "off target",
    "off tolerable",
    "dose",
    "temperature",
    "now",
    "unwatched",
)
_NIGHT_COLUMNS = ("", *_COLUMNS[2:9], "unwatched")
_FIRST_TO_GO = ("dose", "highest", "temperature", "off target", "now")
"""Columns left out, in this order, where the terminal is too narrow for all."""


def morning_lines(
    glance: MorningGlance, wording: Wording, *, everything: bool = False, width: int = 120, alive: bool | None = None
) -> list[str]:
    """Return the glance: what is wrong first, then the table, calm enclosures folded.

    width: of the terminal. alive: whether the daemon answers; None when it was not asked.
    """
    began = wording.clock(glance.night_start)
    span = f"{began}–{wording.clock(glance.night_end)}" if glance.night_over else f"since {began}"
    night = f"The night to {wording.day(glance.night_end)}, {span}; {age_words(glance, wording)}"
    lines = [f"{glance.site}: {first_line(glance)}", night, ""]
    urgent = [row for row in glance.needs_look if row.rank == "urgent"]
    for row in urgent:  # what burns comes before why nothing is watched, as on the page
        lines += _row_lines(row, wording, glance)
    if glance.nothing_watched and len(glance.resting) < len(glance.enclosures):
        lines.append(blind_words(glance, wording, alive))
    elif (silent := silence_line(glance.silent_since, wording, glance.made_at, alive=alive)) is not None:
        lines.append(silent)
    for one in glance.off:
        lines.append(off_line(one, wording, glance.made_at))
        lines += [f"    → {step}" for step in [off_step(one)] if step]
    for alarm in glance.general:
        lines += alarm_lines(alarm, wording, glance.made_at)
    for row in glance.needs_look[len(urgent) :]:
        lines += _row_lines(row, wording, glance)
    # What is calm is told only where nothing above contradicts it.
    if not glance.needs_look and not glance.general:
        lines.append(calm_words(glance, wording))
    lines += aside_lines(glance, wording)
    shown = glance.enclosures if everything else glance.needs_look
    if shown:
        table = _table(shown, wording, width)
        dose = "; dose: % beyond target × hours" if " dose " in table[0] else ""
        lines += ["", *table, f"by day: what the lowest humidity would be at the day temperature{dose}"]
    if glance.calm and not everything:
        names = ", ".join(row.enclosure for row in glance.calm)
        lines += ["", f"calm ({len(glance.calm)}): {names}"]
    return lines


def silence_line(since: int | None, wording: Wording, now: int, *, alive: bool | None = None) -> str | None:
    """Return what to do when no probe at all gives anything new, None when one does. alive: whether the daemon answers."""
    if since is None:
        return None
    nothing = f"Nothing new from any probe {wording.since(since, now)}"
    if alive:
        return f"{nothing}. The daemon runs; `dewkeeper selftest` tells what does not read"
    return f"{nothing}: {'the daemon does not answer' if alive is False else 'is the daemon running?'} `systemctl status dewkeeper`"


def alarm_lines(alarm: Standing, wording: Wording, now: int) -> list[str]:
    """Return an alarm: what, since when, what to do, why."""
    state = (
        ""
        if alarm.state == "unacknowledged"
        else f" [{state_words(alarm, wording, now)}{shelf_words(alarm, wording, now)}]"
    )
    against = now_against(alarm, wording)
    lines = [f"{headline(alarm, wording)}{f', {against}' if against else ''}, {wording.stood(alarm, now)}{state}"]
    if alarm.response:
        step = to_do(alarm)
        lines.append("    →" + (steps_below(step, "      ") or f" {step}"))
    if alarm.cause:
        lines.append(f"    why: {why_now(alarm, wording)}")
    if alarm.parts is not None:
        lines.append(f"    {why_words(alarm.parts, wording, now)}")
    return lines


def _row_lines(row: EnclosureMorning, wording: Wording, glance: MorningGlance) -> list[str]:
    lines = []
    for alarm in row.alarms:
        lines += alarm_lines(alarm, wording, glance.made_at)
    if row.alarms:
        return lines
    if row.unwatched.now:
        if glance.silent_since is not None or glance.nothing_watched:
            return []  # the line about all of them says it
        began = f" {wording.since(row.unwatched.since, glance.made_at)}" if row.unwatched.since is not None else ""
        step = unwatched_step(row)
        return [f"{row.enclosure}: unwatched{began}: {row.unwatched.reason}", *([f"    → {step}"] if step else [])]
    if row.rank == "unwatched":
        step = unwatched_step(row)
        return [
            f"{row.enclosure}: was unwatched: {partly_words(row, wording)}",
            *([f"    → {step}"] if step else []),
        ]
    return [": ".join([f"{row.enclosure}: {rank_word(row)}", *outside_words(row, wording)[:1]])]


def night_lines(night: EarlierNight, wording: Wording, *, everything: bool = False, width: int = 120) -> list[str]:
    """Return a night that is over: what there was first, then the table, calm enclosures folded. width: of the terminal."""
    end = night.night_end
    span = f"{wording.clock(night.night_start)}–{wording.clock(end)}"
    lines = [
        f"{night.site}: {night.sentence()}",
        f"The night to {wording.date(end)}, {span}, by the limits of then",
        "",
    ]
    told = [row for row in night.enclosures if row.rank != "calm"]
    for row in told:
        lines.append(
            ": ".join([f"{row.enclosure} {row.word}", *["; ".join(row.words(wording, end))][:1]]).removesuffix(": ")
        )
    shown = night.enclosures if everything else told
    if shown:
        cells = [list(_NIGHT_COLUMNS), *(_night_cells(row, wording) for row in shown)]
        lines += ["", *_fitted(cells, width)]
    calm = [row.enclosure for row in night.enclosures if row.rank == "calm"]
    if calm and not everything:
        lines += ["", f"calm ({len(calm)}): {', '.join(calm)}"]
    return lines


def _night_cells(row: EnclosureNight, wording: Wording) -> list[str]:
    return [row.enclosure, *_measured_cells(row, wording), _minutes(row.minutes_unwatched, wording)]


def _measured_cells(row: NightRow, wording: Wording) -> list[str]:
    """Return what a night measured in an enclosure, last night or an earlier one."""
    return [
        _mark(row.humidity_min, wording) + (measured_by(row, row.humidity_min) if row.humidity_min else ""),
        wording.humidity(row.humidity_min_at_day_percent),
        _mark(row.humidity_max, wording),
        _minutes(row.minutes_beyond_target, wording),
        _minutes(row.minutes_beyond_tolerable, wording),
        f"{row.dose_percent_hours:.1f}" if row.dose_percent_hours >= 0.05 else "",
        wording.temperatures(row.temperature_min, row.temperature_max),
    ]


def _table(rows: Sequence[EnclosureMorning], wording: Wording, width: int) -> list[str]:
    return _fitted([list(_COLUMNS), *(_cells(row, wording) for row in rows)], width)


def _fitted(cells: list[list[str]], width: int) -> list[str]:
    """Return a table, its first row the head, without the columns that can be spared where the terminal is too narrow."""
    gone = iter(_FIRST_TO_GO)
    while True:
        widths = [max(len(line[i]) for line in cells) for i in range(len(cells[0]))]
        column = next(gone, None) if sum(widths) + 2 * len(widths) - 2 > width else None
        if column is None:
            break
        # The table of an earlier night has no "now".
        if column not in cells[0]:
            continue
        index = cells[0].index(column)
        cells = [line[:index] + line[index + 1 :] for line in cells]
    return aligned(cells)


def _cells(row: EnclosureMorning, wording: Wording) -> list[str]:
    present = "–"
    if row.now is not None:
        present = wording.humidity(row.now.humidity_percent) + (" stale" if row.now.stale else "")
    return [
        row.enclosure,
        rank_word(row),
        *_measured_cells(row, wording),
        present,
        _minutes(row.unwatched.minutes, wording),
    ]


def _mark(mark: Mark | None, wording: Wording) -> str:
    return f"{wording.humidity(mark.value)} {wording.clock(mark.at)}" if mark else "–"


def _minutes(minutes: float, wording: Wording) -> str:
    return wording.lasting(minutes * 60) if minutes >= 1 else ""
